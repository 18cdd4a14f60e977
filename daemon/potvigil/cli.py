"""The command line: one verb is run, and what becomes of an error."""

import logging
import os
import sys
from collections.abc import Sequence

from potvigil.commands.shared.arguments import build_parser
from potvigil.commands.shared.status import DONE, WRONG_USE
from potvigil.paths import rehearsed_records

# The errors that are one line for a person.
_SAID = (
    ("potvigil.model.batch_details", "DetailError"),
    ("potvigil.imports.csv_log", "LogError"),
    ("potvigil.outputs.mqtt_link", "MqttError"),
    ("potvigil.notifying.targets", "TargetError"),
    ("potvigil.record.errors", "RecordError"),
    ("potvigil.service.wiring", "WiringError"),
    ("potvigil.commands.shared.common", "UseError"),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; return the exit status: 0 done, 1 the answer is no, 2 wrong use or settings."""
    args = build_parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="potvigil: %(message)s", stream=sys.stderr)
    try:
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # `potvigil batch list | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except _raised("potvigil.settings.errors", "SettingsError") as error:
        for fault in error.faults:  # type: ignore[attr-defined]
            print(fault, file=sys.stderr)
    except tuple(kind for each in _SAID for kind in _raised(*each)) as error:
        is_missing = isinstance(error, _raised("potvigil.record.errors", "MissingRecordError"))
        print(f"potvigil: {error}{_rehearsed() if is_missing else ''}", file=sys.stderr)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"potvigil: {where}{error.strerror or error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("potvigil: interrupted", file=sys.stderr)
    return WRONG_USE


def _rehearsed() -> str:
    """Return where the last rehearsal is kept, for who looks for it in the record; '' where there is none."""
    records = list(rehearsed_records().glob("*.db"))
    if not records:
        return ""
    newest = max(records, key=lambda path: path.stat().st_mtime)
    return f"; rehearsals lie in {newest.parent}, the last one by --record {newest}"


def _raised(module: str, name: str) -> tuple[type[Exception], ...]:
    """Return an error's class where its module was loaded; else nobody can have raised it."""
    loaded = sys.modules.get(module)
    return () if loaded is None else (getattr(loaded, name),)
