"""Reads numbers from the command line, each within its bounds; errors are one line."""

import argparse
import math
import re
from typing import NoReturn
from uuid import UUID

LARGEST_NUMBER = 2**31 - 1  # of a batch or a note: no workshop comes near, and it fits any integer type
_LARGEST_DAYS = 36_500.0  # the limit of the settings too


class OneLineParser(argparse.ArgumentParser):
    """Reports an error in one line: what is wrong, and where the options are described."""

    def error(self, message: str) -> NoReturn:
        text = " ".join(message.split())
        self.exit(2, f"potvigil: {text}; see `{self.prog} --help`\n")


def number(text: str) -> int:
    """Read the number of a batch or a note: 12."""
    return _whole(text, 1, LARGEST_NUMBER, "a number like 12")


def record_number(text: str) -> UUID:
    """Read the number of a record: 5f0c0d3a-9f6e-4b1c-8a67-2f5c1e7b9d10."""
    try:
        return UUID(text)
    except ValueError:
        due = "the number that follows /of/ in the addresses of the studio's page"
        raise argparse.ArgumentTypeError(f"{_short(text)} is not valid; give {due}") from None


def count(text: str) -> int:
    """Read a number of items."""
    return _whole(text, 0, LARGEST_NUMBER, "a number of batches like 50")


def seed(text: str) -> int:
    """Read the seed of a rehearsal's noise."""
    return _whole(text, 0, LARGEST_NUMBER, "a whole number like 7")


def port(text: str) -> int:
    """Read a port; 0 means any free one."""
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
    # more than 20 digits are too large anyway: converting a million of them takes seconds
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
