"""Shared by the verbs: where settings and record are, which pot is meant, the console."""

import argparse
import getpass
import io
import os
import sys
from collections.abc import Collection
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from potvigil import paths
from potvigil.paths import found_settings, own_settings, usual_record
from potvigil.record.errors import START_THE_WATCH
from potvigil.record.store import Store

if TYPE_CHECKING:
    from rich.console import Console

OR_REHEARSE = ", or --rehearse to try it on a simulated pot"
FIRST_YEAR, LAST_YEAR = 1970, 2200  # of dates on the command line
_WIDEST = 10_000


class UseError(ValueError):
    """The command line asks for something impossible."""


def console(stderr: bool = False) -> "Console":
    """Return where tables and lines are printed."""
    from rich.console import Console  # a third of the start of a verb that prints plain lines

    class RaisingConsole(Console):
        def on_broken_pipe(self) -> None:
            raise  # called while the BrokenPipeError is handled; `main` does not treat it as a failure

    made = RaisingConsole(stderr=stderr, highlight=False, soft_wrap=True, emoji=False)
    if not made.is_terminal:
        made.width = _WIDEST  # a file or a pipe has no width: each batch is one line there
    return made


def known_settings(args: argparse.Namespace) -> Path | None:
    """Return the named settings, else those found automatically, which is printed."""
    if args.config is None:
        args.config = found_settings()
        if args.config is not None and sys.stderr.isatty():
            print(f"settings: {args.config}", file=sys.stderr)
    return None if args.config is None else Path(args.config)


def no_settings() -> str:
    return f"no settings at {paths.SERVICE_SETTINGS} or {own_settings()}; make them with `potvigil setup`"


def settings_path(args: argparse.Namespace, otherwise: str = "") -> Path:
    """Return the settings to use. otherwise: what can be given instead. Raises UseError if there are none."""
    path = known_settings(args)
    if path is None:
        raise UseError(f"{no_settings()}, or give --config FILE{otherwise}")
    return path


def record_path(args: argparse.Namespace) -> Path:
    """Return the record named on the command line, else that of the settings, else the usual one."""
    if args.record is not None:
        return Path(args.record)
    settings = known_settings(args)
    if settings is None:
        return usual_record()
    from potvigil.settings.loading import load  # reading settings takes longer than a list of batches

    return load(settings).record_file


def existing_record(path: Path) -> Path:
    """Return a named record's path. Raises RecordError where there is none."""
    with Store.open_read_only(path):
        return path


def check_out(out: Path, args: argparse.Namespace) -> Path:
    """Return where a file may be written; raise UseError where one exists that may not be replaced."""
    if out.is_file() and not args.replace:
        raise UseError(f"{out} already exists and was not changed; give another name, or --replace")
    return out


def data_out() -> TextIO:
    """Return standard output for use by another program: UTF-8 whatever the terminal's encoding."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8", errors="strict")
    return sys.stdout


def who() -> str:
    """Return this user's name on this machine, or the number of a user without one."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # as of Python 3.13 the latter
        return f"user {os.getuid()}"


def known_pot(store: Store, asked: str | None, option: str = "--pot") -> str:
    """Return the pot meant among those of a record. option: the one that names it on the command line."""
    return one_of(store.pots(), asked, f"{store.path}: ", option)


def one_of(pots: Collection[str], asked: str | None, where: str = "", option: str = "--pot") -> str:
    """Return the pot meant: the requested one, or the only one."""
    if not pots:
        raise UseError(f"{where}no pot has been monitored yet; {START_THE_WATCH}")
    if asked is None and len(pots) == 1:
        return next(iter(pots))
    if asked is None or asked not in pots:
        known = f"{'one of ' if len(pots) > 1 else ''}{', '.join(pots)}"
        no_such = "" if asked is None else f"there is no pot {asked!r}; "
        raise UseError(f"{where}{no_such}give {option} {known}")
    return asked


def day(text: str, tz: tzinfo | None, hours: int = 0) -> datetime:
    """Return a date's midnight in a zone (None: the machine's own), or so many hours after it."""
    try:
        midnight = datetime.strptime(text, "%Y-%m-%d")
    except ValueError:
        raise UseError(f"{text!r} is not a date; give one like 2026-03-01") from None
    if not FIRST_YEAR <= midnight.year <= LAST_YEAR:
        raise UseError(f"{text} is out of range; give a date from {FIRST_YEAR} to {LAST_YEAR}")
    midnight += timedelta(hours=hours)
    return midnight.astimezone() if tz is None else midnight.replace(tzinfo=tz)
