"""The verbs of the record as a whole."""

from pathlib import Path

from potvigil.commands.arguments.adding import Verbs, add_replace, add_verb
from potvigil.commands.arguments.types import days


def add_export_and_import(verbs: Verbs) -> None:
    out = add_verb(
        verbs,
        "export",
        "record:export_record",
        "write a whole workshop into one archive",
        "potvigil export --all --out workshop.zip",
        record=True,
    )
    out.add_argument("--all", action="store_true", required=True, help="all of it; one batch: batch export")
    out.add_argument("--out", type=Path, metavar="FILE.zip", help="default potvigil-DATE.zip here")
    add_replace(out)
    into = add_verb(
        verbs,
        "import",
        "record:import_record",
        "make a new record from an archive",
        "potvigil import workshop.zip --record new.db",
        record=True,
    )
    into.add_argument("archive", type=Path, metavar="FILE.zip")


def add_record_verbs(verbs: Verbs) -> None:
    add_verb(
        verbs,
        "check",
        "record:check_record",
        "read all of the record: damage, gaps, room left",
        "potvigil record check --config workshop.yaml",
        record=True,
    )
    thinned = add_verb(
        verbs,
        "thin",
        "record:thin_record",
        "replace old samples by means; events stay",
        "potvigil record thin --config workshop.yaml",
        record=True,
    )
    thinned.add_argument("--older-than", type=days, metavar="DAYS", help="default: what the settings say")
    copied = add_verb(
        verbs,
        "backup",
        "record:copy_record",
        "copy the record while it is in use, or see whether a copy can be restored",
        "potvigil record backup /media/stick/potvigil.db",
        record=True,
    )
    copied.add_argument(
        "copy",
        type=Path,
        nargs="?",
        metavar="FILE",
        help="left out: into the settings' folder, where as many are kept as record.backups says",
    )
    copied.add_argument(
        "--check",
        action="store_true",
        help="restore FILE, or the newest, in a temporary folder, and compare it with the record",
    )
    add_replace(copied)
