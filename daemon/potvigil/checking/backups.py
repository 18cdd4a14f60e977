"""The backups of the record: is there a recent one, and where the settings want it?"""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from potvigil.checking.finding import Finding, fault, good, unknown
from potvigil.paths import backups_beside
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.settings.schema import RecordSettings
from potvigil.units import span
from potvigil.upkeep.backups import copies

# Made every day: a machine that was off over a long weekend catches up when it starts.
OLD_S = 3 * 86_400.0
_HOW = "`potvigil record backup` makes one; for the service's timer see `systemctl status potvigil-backup`"


def on_backups(record: RecordSettings, now_utc_s: float) -> Iterator[Finding]:
    """Yield how old the newest backup is; nothing where the settings ask for none."""
    what, folder = "backups", record.backup_folder
    if record.backups is None or folder is None:
        return
    try:
        kept = copies(folder)
    except OSError as error:
        yield unknown(what, f"{folder}: {error.strerror or error}; check again as a user who may read it")
        return
    if not folder.is_dir() and folder != backups_beside(record.file):
        yield fault(what, f"there is no folder {folder}; create it, or plug in the drive it is on")
    elif not kept and now_utc_s - _begun_utc_s(record.file, now_utc_s) < OLD_S:
        yield unknown(what, f"none in {folder} yet; {_HOW}")
    elif not kept:
        yield fault(what, f"none in {folder}; {_HOW}")
    elif now_utc_s - kept[0].utc_s > OLD_S:
        yield fault(what, f"the newest in {folder} is {_age(now_utc_s - kept[0].utc_s)} old; {_HOW}")
    else:
        age = span(max(now_utc_s - kept[0].utc_s, 0.0))
        yield good(what, f"{len(kept)} in {folder}, the newest {age} old")


def _begun_utc_s(record: Path, now_utc_s: float) -> float:
    """Return since when there has been something to copy, Unix time; now where unknown."""
    with suppress(RecordError), Store.open_read_only(record) as store:
        return min(
            (run.start_utc_s for run in store.runs() if run.start_utc_s is not None), default=now_utc_s
        )
    return now_utc_s


def _age(seconds: float) -> str:
    return f"{seconds / 86_400.0:.0f} days"
