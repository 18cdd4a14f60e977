"""How the numbers of the command line are read, each within its bounds; a refusal is one line."""

import argparse
import math
import re
from typing import NoReturn

LARGEST_NUMBER = 2**31 - 1  # of a batch or a note: no workshop comes near, and every reader of it can hold it
_LARGEST_DAYS = 36_500.0  # the limit of the settings too


class OneLineParser(argparse.ArgumentParser):
    """Refuses in one line: what is wrong, and where the options are described."""

    def error(self, message: str) -> NoReturn:
        text = " ".join(message.split())
        self.exit(2, f"potvigil: {text}; see `{self.prog} --help`\n")


def number(text: str) -> int:
    """Read the number of a batch or a note: 12."""
    return _whole(text, 1, LARGEST_NUMBER, "a number like 12")


def count(text: str) -> int:
    """Read a number of items."""
    return _whole(text, 0, LARGEST_NUMBER, "a number of batches like 50")


def seed(text: str) -> int:
    """Read the seed of a rehearsal's noise."""
    return _whole(text, 0, LARGEST_NUMBER, "a whole number like 7")


def port(text: str) -> int:
    """Read a port; 0 is any that is free."""
    return _whole(text, 0, 65535, "a port, 0 to 65535")


def days(text: str) -> float:
    """Read a number of days."""
    return _figure(text, 0.0, _LARGEST_DAYS, f"a number of days, 0 to {_LARGEST_DAYS:.0f}")


def minutes(text: str) -> float:
    """Read a number of minutes; the limits of an alarm are checked later."""
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{_short(text)} is not valid; give a number of minutes") from None


def speed(text: str) -> float:
    """Read how many times faster than real time."""
    return _figure(text, 1e-3, 1e6, "a number from 0.001 to 1000000")


def _whole(text: str, low: int, high: int, due: str) -> int:
    # 20 digits are enough to know that it is too large: reading a million of them takes seconds
    found = re.fullmatch(r"\s*([+-]?[0-9]{1,20})\s*", text, re.ASCII)
    if found is None or not low <= int(found[1]) <= high:
        raise argparse.ArgumentTypeError(f"{_short(text)} is not valid; give {due}")
    return int(found[1])


def _figure(text: str, low: float, high: float, due: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or not low <= value <= high:
        raise argparse.ArgumentTypeError(f"{_short(text)} is not valid; give {due}")
    return value


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}…")
