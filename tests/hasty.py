"""The program with shorter intervals, so that a test need not wait for the usual ones.

hasty.py MODULE.NAME=SECONDS ... -- VERB ...; each must be a constant of its module.
"""

import sys
from importlib import import_module


def hasty(intervals_s: dict[str, float]) -> list[str]:
    """Return the start of a command line, to be followed by a verb. Keys: module and name of a constant."""
    return [sys.executable, __file__, *(f"{name}={s}" for name, s in intervals_s.items()), "--"]


def main(words: list[str]) -> int:
    at = words.index("--")
    for given in words[:at]:
        place, _, seconds = given.partition("=")
        module, _, name = place.rpartition(".")
        holder = import_module(module)
        assert isinstance(getattr(holder, name), float), place
        setattr(holder, name, float(seconds))
    cli = import_module("potvigil.cli")
    return int(cli.main(words[at + 1 :]))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
