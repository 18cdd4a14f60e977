"""Changes a detail of the open batch."""

from potvigil.model.batch_details import DetailError, check_mixed_at, mixed_utc_s, read
from potvigil.model.events import LAST_BATCH, Command, Detail, EditEvent, Stage
from potvigil.model.reading import Reading
from potvigil.watch.batch import Batch


def edit(command: Command, field: Detail, batch: Batch | None, now: Reading) -> EditEvent | None:
    """Change the detail; return the change, None where there is none. Raises DetailError.

    now: the newest reading, for the time of day.
    """
    text, mixed_s = read(field, command.text), None
    if batch is None:
        raise DetailError(f"{field}: no batch is open; give the number of a closed one")
    if field is Detail.MIXED_AT:
        mixed_s = _mixed_s(text, batch, now) if text else batch.start_s
    old = batch.edit(field, text, taken_over=command.by == LAST_BATCH)
    if old is None:
        return None
    if mixed_s is not None:
        batch.clock.mixed(mixed_s)
    return EditEvent(command.t_s, now.utc_s, field, old, text, command.by)


def _mixed_s(mixed_at: str, batch: Batch, now: Reading) -> float | None:
    """Return a mixed-at time on the record's axis, None without a wall clock."""
    if now.utc_s is None:
        return None
    fill_s = batch.stages.get(Stage.FILLING)
    if fill_s is None:
        check_mixed_at(mixed_at, now.utc_s, "now")
    else:
        check_mixed_at(mixed_at, now.utc_s - (now.t_s - fill_s), "the fill")
    return now.t_s - (now.utc_s - mixed_utc_s(mixed_at))
