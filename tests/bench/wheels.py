"""Which extras install without a compiler, by platform and Python: asked of the package index, through pip.

    .venv/bin/python tests/bench/wheels.py          # the table of FIGURES.md; some minutes

A cell is `yes`, or what has no wheel there. An index beside it, as Pi OS has one for armv6l and armv7l, is
asked where pip is configured so.
"""

import re
import subprocess
import sys
import tempfile

from potvigil.extras import requirements

EXTRAS = ("", "signals", "spi", "page", "notify", "report")
PYTHONS = ("3.11", "3.13")
# Debian 12 has glibc 2.36, Debian 13 has 2.41; pip takes a wheel for an older one as well where it is named.
GLIBC = (17, 24, 26, 27, 28, 31, 34, 35, 36)
PLATFORMS = ("aarch64", "armv7l", "armv6l")
# pip names a package without a wheel, or one that needs such a package
_MISSING = re.compile(r"No matching distribution found for ([A-Za-z0-9_.-]+)")
_NEEDING = re.compile(r"Cannot install ([A-Za-z0-9_.-]+)==")


def missing(wanted: list[str], machine: str, python: str) -> str | None:
    """Return what has no wheel, None where all have."""
    tags = [f"manylinux_2_{minor}_{machine}" for minor in GLIBC]
    tags += [f"manylinux2014_{machine}", f"linux_{machine}"]
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "install", "--dry-run", "--ignore-installed", "--quiet"]
        command += ["--disable-pip-version-check", "--target", folder, "--only-binary=:all:"]
        command += ["--python-version", python]
        command += [word for tag in tags for word in ("--platform", tag)]
        done = subprocess.run([*command, *wanted], capture_output=True, text=True, check=False)
    if done.returncode == 0:
        return None
    found = _MISSING.findall(done.stderr) + [f"needed by {each}" for each in _NEEDING.findall(done.stderr)]
    return ", ".join(dict.fromkeys(found)) or done.stderr.strip().splitlines()[-1]


def main() -> None:
    columns = [(machine, python) for machine in PLATFORMS for python in PYTHONS]
    print("| extra |", " | ".join(f"{machine}, {python}" for machine, python in columns), "|")
    print("|---" * (1 + len(columns)) + "|")
    for extra in EXTRAS:
        cells = [missing(requirements(extra), *column) or "yes" for column in columns]
        print(f"| {extra or 'none'} |", " | ".join(cells), "|", flush=True)


if __name__ == "__main__":
    main()
