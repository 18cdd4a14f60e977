"""The command line: runs one verb, and reports its errors."""

import argparse
import io
import logging
import os
import sys
from collections.abc import Sequence

from potvigil.commands.arguments.parser import build_parser
from potvigil.commands.shared.status import DONE, WRONG_USE
from potvigil.paths import rehearsed_records

# The errors that are one line for a person.
_SAID = (
    ("potvigil.model.batch_details", "DetailError"),
    ("potvigil.imports.csv_log", "LogError"),
    ("potvigil.outputs.broker.mqtt_link", "MqttError"),
    ("potvigil.notifying.targets", "TargetError"),
    ("potvigil.record.errors", "RecordError"),
    ("potvigil.service.wiring", "WiringError"),
    ("potvigil.studio.address", "StudioError"),
    ("potvigil.commands.shared.common", "UseError"),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; return the exit status: 0 done, 1 the answer is no, 2 wrong use or settings."""
    try:
        _mend_streams()
        args = build_parser().parse_args(arguments)
        if fault := _no_text(args):
            print(f"potvigil: {fault}", file=sys.stderr)
            return WRONG_USE
        logging.basicConfig(level=logging.WARNING, format="potvigil: %(message)s", stream=sys.stderr)
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # `potvigil batch list | head`
        _give_up_output()
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
        try:
            sys.stdout.flush()
        except OSError:  # it was the output itself, as on a full disk
            _give_up_output()
    except EOFError:  # Ctrl-D at a question
        print("potvigil: cancelled; nothing was saved or changed", file=sys.stderr)
    except KeyboardInterrupt:
        print("potvigil: interrupted", file=sys.stderr)
    return WRONG_USE


def _rehearsed() -> str:
    """Return the path of the last rehearsal, for those who look for it in the record; '' for none."""
    records = list(rehearsed_records().glob("*.db"))
    if not records:
        return ""
    newest = max(records, key=lambda path: path.stat().st_mtime)
    return f"; rehearsals are in {newest.parent}, the last one by --record {newest}"


def _mend_streams() -> None:
    """Keep printing from failing because of the terminal.

    Characters outside its encoding are shown as \\x..; a closed stream (`>&-`) discards its output, and its
    number stays taken, so that no file is opened under it.
    """
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        stream = getattr(sys, name)
        if stream is None:
            null = os.open(os.devnull, os.O_RDWR)
            if null != number:
                os.dup2(null, number)
                os.close(null)
            setattr(sys, name, os.fdopen(number, "r" if number == 0 else "w", encoding="utf-8"))
        elif number and isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _give_up_output() -> None:
    """Stop all writing to standard output, even at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _no_text(args: argparse.Namespace) -> str | None:
    """Return the fault of a non-path argument with bytes that are not text in the terminal's encoding."""
    for name, value in vars(args).items():
        for text in value if isinstance(value, list) else [value]:
            if isinstance(text, str) and any("\ud800" <= sign <= "\udfff" for sign in text):
                return (
                    f"{name.replace('_', '-')}: {text!r} contains bytes that are not text; write it as UTF-8"
                )
    return None


def _raised(module: str, name: str) -> tuple[type[Exception], ...]:
    """Return an error's class where its module was loaded; else nobody can have raised it."""
    loaded = sys.modules.get(module)
    return () if loaded is None else (getattr(loaded, name),)
