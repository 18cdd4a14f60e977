"""Writes shell completion and manual page of the verbs, from the parser itself.

python tests/shell_files.py     # writes config/shell; to be run whenever a verb or an option changes
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

import shtab
from argparse_manpage.manpage import Manpage

from potvigil import __version__
from potvigil.commands.arguments.parser import build_parser

FOLDER = Path(__file__).parents[1] / "config/shell"
BASH, ZSH, MAN = FOLDER / "potvigil", FOLDER / "_potvigil", FOLDER / "potvigil.1"


def verbs(parser: argparse.ArgumentParser) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """Yield every verb and group of verbs with its parser, as 'potvigil batch list'."""
    yield parser.prog, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in action.choices.values():
                yield from verbs(inner)


def main() -> None:
    FOLDER.mkdir(exist_ok=True)
    parser = build_parser()
    for _, verb in verbs(parser):
        for action in verb._actions:
            if action.type is Path:
                action.complete = shtab.FILE  # type: ignore[attr-defined]
    BASH.write_text(shtab.complete(parser, "bash"), encoding="utf-8")
    ZSH.write_text(shtab.complete(parser, "zsh"), encoding="utf-8")
    told = {"project_name": "potvigil", "version": __version__, "manual_title": "Potvigil"}
    page = Manpage(
        build_parser(), _data={**told, "description": "night watch for a resin caster's pressure pot"}
    )
    page.date = ""  # the version says enough, and the file is the same whenever it is written
    MAN.write_text(f"{str(page).rstrip()}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
