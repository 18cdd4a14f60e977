"""What a pot's batches taught, and what no longer counts, in words."""

from collections.abc import Iterator, Sequence
from datetime import tzinfo

from potvigil.model.batch_details import is_same_mould
from potvigil.model.maintenance import Care, Part
from potvigil.wording.quantities import shown, whole_date

_SAID = {Part.THERMOMETER: ("A thermometer was moved or changed", "how the thermometers follow the pot")}


def known_lines(
    batches: int, cares: Sequence[Care], taught: tuple[int, str], newest: tuple[int, str], tz: tzinfo | None
) -> Iterator[str]:
    """Yield what was learnt about a pot, and what was forgotten since, a sentence each.

    cares: since the batch that taught last. taught, newest: number and mould of that batch, and of the
    pot's newest one.
    """
    count = "1 batch" if batches == 1 else f"{batches} batches"
    yield f"Learnt from {count}: leaks are found sooner."
    for part, (done, what) in _SAID.items():
        given = [care for care in cares if care.part is part]
        if given:
            utc_s = given[-1].utc_s
            on = "" if utc_s is None else f" on {whole_date(utc_s, tz)}"
            yield f"{done}{on}: {what} is being learnt again."
    (taught_by, was), (number, mould) = taught, newest
    if is_same_mould(was, mould):
        return
    if not mould.strip():
        yield (
            f"Batch {number} names no mould, so what earlier moulds taught is not used: "
            f'name it with `potvigil batch edit {number} --mould "..."`.'
        )
    elif number == taught_by:
        return
    else:
        before = f'"{shown(was)}"' if was.strip() else "not named"
        yield (
            f'The mould of batch {number} is "{shown(mould)}", that of batch {taught_by} was {before}: '
            "the effect of the mould is being learnt again."
        )
