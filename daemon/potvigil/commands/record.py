"""The record as a whole: taken out and in, checked, copied, thinned."""

import argparse
import time
from datetime import UTC, datetime
from pathlib import Path

from potvigil.commands.shared.common import UseError, check_out, known_settings, record_path
from potvigil.commands.shared.status import DONE, NO
from potvigil.record.store import Store
from potvigil.settings.loading import load
from potvigil.settings.schema import RecordSettings
from potvigil.upkeep.archive import Archived, import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.upkeep.backup import backup
from potvigil.upkeep.check import check, check_lines
from potvigil.upkeep.thinning import thin


def export_record(args: argparse.Namespace) -> int:
    """Write everything of a workshop into one archive."""
    now_utc_s = time.time()
    out = args.out or Path(f"potvigil-{datetime.fromtimestamp(now_utc_s, UTC):%Y-%m-%d}.zip")
    archived = export_all(record_path(args), check_out(out, args), made_utc_s=now_utc_s, replace=args.replace)
    print(f"{archived.path}: {_rows(archived)}, {archived.archive_bytes:,} bytes")
    return DONE


def import_record(args: argparse.Namespace) -> int:
    """Make a new record of an archive."""
    record = record_path(args)
    imported = import_all(args.archive, record)
    print(f"{record}: {_rows(imported)}; watch with it by `record: {{file: {record}}}` in the settings")
    return DONE


def check_record(args: argparse.Namespace) -> int:
    checked = check(record_path(args))
    for line in check_lines(checked):
        print(line)
    return NO if checked.problems else DONE


def copy_record(args: argparse.Namespace) -> int:
    size = backup(record_path(args), check_out(args.copy, args), replace=args.replace)
    print(f"{args.copy}: {size:,} bytes, read once and found whole")
    return DONE


def thin_record(args: argparse.Namespace) -> int:
    """Thin what is older than the settings say, or than asked for."""
    known = None if args.record is not None else known_settings(args)
    settings = RecordSettings() if known is None else load(known).record
    keep_s = settings.full_resolution.si if args.older_than is None else 86_400.0 * args.older_than
    path = record_path(args)
    with Store.open_read_only(path) as store:
        run = store.last_run()
    now_utc_s = time.time()
    if run is not None and run.start_utc_s is not None and now_utc_s < run.start_utc_s:
        raise UseError(f"{path}: this machine's clock is behind the record's; set it first")
    done = thin(path, keep_s, now_utc_s)
    print(
        f"{path}: {done.samples:,} samples became {done.means:,} means in {done.steps} steps, "
        f"the longest {1e3 * done.longest_step_s:.0f} ms; the file keeps its size, new ones use what is free"
    )
    return DONE


def _rows(archived: Archived) -> str:
    rows = archived.rows
    return f"{rows['batch']:,} batches, {rows['sample']:,} samples, {rows['event']:,} events"
