"""The program of the service: its own environment, made from what this program was installed from."""

import json
import shutil
import sys
from collections.abc import Iterable
from importlib import metadata
from pathlib import Path
from urllib.parse import unquote, urlsplit

# Left out when a checkout is copied: it is another user's, and nothing may be written into it.
_LEFT = shutil.ignore_patterns(".git", ".venv", "build", "dist", "*.egg-info", "__pycache__", "shared")
# The units see no home: a Python in one would not be found.
_HOMES = ("/home", "/root", "/run/user")
_SYSTEM_PYTHON = Path("/usr/bin/python3")
# Pins and SPI: the distribution's own library, because the index has no wheel of it for every Python.
OF_THE_PINS = frozenset(("signals", "spi"))
PINS_PACKAGE = "python3-lgpio"
GPIO = ("gpiozero>=2.0",)


class NoSourceError(Exception):
    """What this program was installed from is unknown, or gone."""


def source() -> Path:
    """Return the folder or wheel this program was installed from, PEP 610. Raises NoSourceError."""
    try:
        text = metadata.distribution("potvigil").read_text("direct_url.json")
    except metadata.PackageNotFoundError:
        text = None
    url = urlsplit(json.loads(text)["url"]) if text else None
    path = Path(unquote(url.path)) if url is not None and url.scheme == "file" else None
    if path is None or not path.exists():
        where = "is not known" if path is None else f"was {path}, which is gone"
        raise NoSourceError(
            f"what this program was installed from {where}; install it from its folder or wheel "
            "(`python3 -m venv .venv && .venv/bin/pip install .`), and call .venv/bin/potvigil"
        )
    return path


def copied(of: Path, into: Path) -> Path:
    """Return a source that pip may build in: a wheel as it is, a folder as a copy."""
    if of.is_file():
        return of
    copy = into / "source"
    shutil.copytree(of, copy, ignore=_LEFT)
    return copy


def python() -> Path:
    """Return the Python to make the environment with."""
    own = Path(sys.base_prefix, "bin", f"python{sys.version_info[0]}.{sys.version_info[1]}")
    return _SYSTEM_PYTHON if str(own).startswith(_HOMES) or not own.exists() else own


def commands(
    python: Path, program: Path, source: Path, extras: Iterable[str], *, needs_package: bool
) -> list[list[str | Path]]:
    """Return the commands that install the program at a path, even over an earlier one.

    needs_package: the distribution's library of the pins is not there.
    """
    extras = set(extras)
    with_pins = bool(OF_THE_PINS & extras)
    run: list[list[str | Path]] = []
    if with_pins and needs_package:
        run.append(["apt-get", "install", "-y", "--no-install-recommends", PINS_PACKAGE])
    run.append([python, "-m", "venv", *(["--system-site-packages"] if with_pins else []), program])
    pip: list[str | Path] = [program / "bin/pip", "install", "--quiet", "--disable-pip-version-check"]
    # what the distribution provides is not looked up on the index
    own = ",".join(sorted(extras - OF_THE_PINS))
    run.append([*pip, f"{source}[{own}]" if own else source, *(GPIO if with_pins else ())])
    run.append([*pip, "--force-reinstall", "--no-deps", source])  # also where the version is the same
    return run
