"""The record as a whole: exported, imported, checked, copied, thinned."""

import argparse
import time
from datetime import UTC, datetime
from pathlib import Path

from potvigil.commands.shared.common import UseError, check_out, known_settings, record_path
from potvigil.commands.shared.status import DONE, NO
from potvigil.paths import backups_beside
from potvigil.record.store import Store
from potvigil.settings.loading import load
from potvigil.settings.schema import BackupSettings, RecordSettings
from potvigil.upkeep.archive import Archived, import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.upkeep.backup import backup
from potvigil.upkeep.backups import PICTURES, copies, rotate
from potvigil.upkeep.check import check, check_lines
from potvigil.upkeep.restoring import restore
from potvigil.upkeep.thinning import thin


def export_record(args: argparse.Namespace) -> int:
    """Write all of a workshop's data into one archive."""
    now_utc_s = time.time()
    out = args.out or Path(f"potvigil-{datetime.fromtimestamp(now_utc_s, UTC):%Y-%m-%d}.zip")
    archived = export_all(record_path(args), check_out(out, args), made_utc_s=now_utc_s, replace=args.replace)
    print(f"{archived.path}: {_rows(archived)}, {archived.archive_bytes:,} bytes")
    return DONE


def import_record(args: argparse.Namespace) -> int:
    """Make a new record from an archive."""
    record = record_path(args)
    imported = import_all(args.archive, record)
    print(f"{record}: {_rows(imported)}; use it with `record: {{file: {record}}}` in the settings")
    return DONE


def check_record(args: argparse.Namespace) -> int:
    checked = check(record_path(args))
    for line in check_lines(checked):
        print(line)
    return NO if checked.problems else DONE


def copy_record(args: argparse.Namespace) -> int:
    """Copy the record to a file or to the configured backups, or check a copy."""
    if args.check:
        return _check_copy(args)
    record = record_path(args)
    if args.copy is not None:
        size = backup(record, check_out(args.copy, args), replace=args.replace)
        print(f"{args.copy}: {size:,} bytes, read back and found intact")
        return DONE
    settings, folder = _backups(args)
    if folder == backups_beside(record):
        folder.mkdir(exist_ok=True)  # if its parent is missing, the medium is not plugged in
    now_utc_s = _trusted_now(record)
    made = copies(folder)
    if made and made[0].utc_s > now_utc_s:
        raise UseError(
            f"{made[0].path.name}: this machine's clock is behind its newest backup; set the clock first"
        )
    done = rotate(record, folder, settings.daily, settings.weekly, now_utc_s)
    gone = f"; deleted as surplus: {', '.join(path.name for path in done.gone)}" if done.gone else ""
    pictures = f"; new pictures in {PICTURES}: {done.pictures}" if done.pictures else ""
    print(f"{done.made.path}: {done.size_bytes:,} bytes, read back and found intact{pictures}{gone}")
    return DONE


def _check_copy(args: argparse.Namespace) -> int:
    record, copy = record_path(args), args.copy
    if copy is None:
        _, folder = _backups(args)
        made = copies(folder)
        if not made:
            raise UseError(f"there is no backup in {folder}; `potvigil record backup` makes one")
        copy = made[0].path
    found = restore(copy, record)
    print(f"{copy}: {'; '.join(found.problems) or 'restored to a temporary folder, no fault found'}")
    print(
        f"{found.batches:,} batches, {found.samples:,} samples; of all its rows {found.same:,} are as in the "
        f"record, {found.changed:,} have changed there since, and the record has {found.newer:,} more"
    )
    if found.problems:
        return NO
    print(f"to restore it: stop the watch, move {record} and its -wal file away, and copy it there")
    return DONE


def _backups(args: argparse.Namespace) -> tuple[BackupSettings, Path]:
    """Return the settings of backups. Raises UseError where there are none."""
    path = None if args.record is not None else known_settings(args)
    record = None if path is None else load(path).record
    if record is None or record.backups is None or record.backup_folder is None:
        where = "the settings" if path is None else str(path)
        raise UseError(
            f"give a FILE, or set in {where} where backups go: record: {{backups: {{folder: ...}}}}"
        )
    return record.backups, record.backup_folder


def _trusted_now(record: Path) -> float:
    """Return Unix time. Raises UseError where the clock is behind the record's newest time."""
    with Store.open_read_only(record) as store:
        run = store.last_run()
    now_utc_s = time.time()
    if run is not None and run.start_utc_s is not None and now_utc_s < run.start_utc_s:
        raise UseError(f"{record}: this machine's clock is behind the record's; set the clock first")
    return now_utc_s


def thin_record(args: argparse.Namespace) -> int:
    """Thin samples older than configured, or than requested."""
    known = None if args.record is not None else known_settings(args)
    settings = RecordSettings() if known is None else load(known).record
    keep_s = settings.full_resolution.si if args.older_than is None else 86_400.0 * args.older_than
    path = record_path(args)
    done = thin(path, keep_s, _trusted_now(path))
    print(
        f"{path}: {done.samples:,} samples became {done.means:,} means in {done.steps} steps, "
        f"the longest {1e3 * done.longest_step_s:.0f} ms; the file keeps its size, and new "
        "samples use what is free"
    )
    return DONE


def _rows(archived: Archived) -> str:
    rows = archived.rows
    return f"{rows['batch']:,} batches, {rows['sample']:,} samples, {rows['event']:,} events"
