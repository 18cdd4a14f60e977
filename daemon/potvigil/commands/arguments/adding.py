"""Adds verbs to the command line, and the options that several verbs share."""

import argparse
import importlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

from potvigil.commands.arguments.types import record_number

# argparse has no public name for this type
Verbs: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
_Run: TypeAlias = Callable[[argparse.Namespace], int]


def add_group(verbs: Verbs, name: str, what: str) -> Verbs:
    """Add a word that takes a verb: batch, alarm, ..."""
    group = verbs.add_parser(name, help=what, description=what)
    inner: Verbs = group.add_subparsers(dest="verb", required=True, metavar="VERB")
    return inner


def add_verb(
    verbs: Verbs, name: str, run: str, what: str, example: str, *, record: bool = False
) -> argparse.ArgumentParser:
    """Add a verb. run: MODULE:FUNCTION of potvigil.commands. record: it takes a record, else settings."""
    parser: argparse.ArgumentParser = verbs.add_parser(
        name, help=what, description=what, epilog=f"example: {example}"
    )
    parser.set_defaults(run=_later(run))
    if record:
        where = parser.add_mutually_exclusive_group()
        where.add_argument("--record", type=Path, metavar="FILE", help="the record's database")
        where.add_argument("--config", type=Path, metavar="FILE", help="settings that name the record")
    return parser


def add_of(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--of",
        type=record_number,
        metavar="RECORD",
        help="a record in the studio's database, by its number; --config then names settings with a studio",
    )


def add_config(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")


def add_pot(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--pot", metavar="ID", help="which pot of the settings")


def add_live(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--live", type=Path, metavar="FILE", help="where the watch writes its current state")


def add_other_record(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--record", type=Path, metavar="FILE", help="the record, if not that of the settings")


def add_page_kinds(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--pdf", action="store_true", help="as PDF too, beside it")
    verb.add_argument("--png", action="store_true", help="as a picture of its pages too")
    add_replace(verb)


def add_replace(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--replace", action="store_true", help="replace an existing file")


def _later(target: str) -> _Run:
    """Return a verb that is imported only when called: a list need not wait for a simulator."""
    module, _, function = target.partition(":")

    def run(args: argparse.Namespace) -> int:
        status: int = getattr(importlib.import_module(f"potvigil.commands.{module}"), function)(args)
        return status

    return run
