"""What several verbs need: where settings and record are, which pot is meant, the console."""

import argparse
import sys
from collections.abc import Collection
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from potvigil import paths
from potvigil.paths import found_settings, own_settings, usual_record
from potvigil.record.store import Store

if TYPE_CHECKING:
    from rich.console import Console

BY = "command line"
OR_REHEARSE = ", or --rehearse to try it on a simulated pot"
_WIDEST = 10_000


class UseError(ValueError):
    """The command line asks for something that cannot be."""


def console(stderr: bool = False) -> "Console":
    """Return where tables and lines are printed."""
    from rich.console import Console  # a third of the start of a verb that prints plain lines

    class Told(Console):
        def on_broken_pipe(self) -> None:
            raise  # called while the BrokenPipeError is handled; `main` knows it as no failure

    made = Told(stderr=stderr, highlight=False, soft_wrap=True, emoji=False)
    if not made.is_terminal:
        made.width = _WIDEST  # a file or a pipe has no width: a batch is a line there
    return made


def known_settings(args: argparse.Namespace) -> Path | None:
    """Return the settings that were named, else those that are found by themselves, which is said."""
    if args.config is None:
        args.config = found_settings()
        if args.config is not None and sys.stderr.isatty():
            print(f"settings: {args.config}", file=sys.stderr)
    return None if args.config is None else Path(args.config)


def no_settings() -> str:
    return f"no settings at {paths.SERVICE_SETTINGS} or {own_settings()}; make them with `potvigil setup`"


def settings_path(args: argparse.Namespace, otherwise: str = "") -> Path:
    """Return the settings to go by; otherwise: what else may be given. Raises UseError without any."""
    path = known_settings(args)
    if path is None:
        raise UseError(f"{no_settings()}, or give --config FILE{otherwise}")
    return path


def record_path(args: argparse.Namespace) -> Path:
    """Return the record that was named, else that of the settings, else the usual one."""
    if args.record is not None:
        return Path(args.record)
    settings = known_settings(args)
    if settings is None:
        return usual_record()
    from potvigil.settings.loading import load  # reading settings takes longer than a list of batches

    return load(settings).record_file


def known_pot(store: Store, asked: str | None) -> str:
    """Return the pot that is meant among those of a record."""
    return one_of(store.pots(), asked, f"{store.path}: ")


def one_of(pots: Collection[str], asked: str | None, where: str = "") -> str:
    """Return the pot that is meant: the one asked for, or the only one."""
    if asked is None and len(pots) == 1:
        return next(iter(pots))
    if asked is None or asked not in pots:
        raise UseError(f"{where}give --pot with one of {', '.join(pots) or 'none: nothing was watched'}")
    return asked


def day(text: str, tz: tzinfo | None, hours: int = 0) -> datetime:
    """Return a date's midnight in a zone (None: the machine's own), or so many hours after it."""
    try:
        midnight = datetime.strptime(text, "%Y-%m-%d") + timedelta(hours=hours)
        return midnight.astimezone() if tz is None else midnight.replace(tzinfo=tz)
    except (ValueError, OverflowError):
        raise UseError(f"{text!r} is no date; give one like 2026-03-01") from None
