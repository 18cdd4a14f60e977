"""Installs the declared minimum of every dependency and runs the tests that fit on it.

    .venv/bin/python tests/bench/minima.py                   # the rooms in which a library is used; minutes
    .venv/bin/python tests/bench/minima.py tests/settings    # arguments go to pytest
    .venv/bin/python tests/bench/minima.py --in FOLDER       # and keep the environment there

Ends with 1 where the minima cannot be installed together or a test fails. What only the tests need is as new
as it may be beside them.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
# What a user may install; lgpio is left out where it has to be built for a machine without these wires.
EXTRAS = ("report", "page", "notify", "studio", "parquet")
OF_TESTS = (
    *("pytest", "pytest-xdist", "hypothesis", "httpx2", "aiosmtpd", "gpiozero"),
    *("scipy", "pint", "CoolProp", "fluids", "pyjwt"),
)
TESTS = (
    *("tests/settings", "tests/record", "tests/outputs", "tests/drivers", "tests/leak", "tests/reports"),
    *("tests/page", "--ignore=tests/page/browser", "tests/notifying", "tests/commands"),
)


def minima(requirements: list[str]) -> dict[str, str]:
    """Return the lowest version that each requirement allows, by package. Raises ValueError without one."""
    found = {}
    for each in requirements:
        match = re.match(r"([A-Za-z0-9_.-]+)(?:\[[^]]*\])?\s*>=\s*([0-9][0-9.]*)", each)
        if match is None:
            raise ValueError(f"{each}: without a lower bound")
        found[match[1]] = match[2]
    return found


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--in", dest="folder", type=Path, help="make the environment here and keep it")
    args, of_pytest = parser.parse_known_args()
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    lowest = minima(project["dependencies"] + [each for extra in EXTRAS for each in extras[extra]])
    of_tests = [each for each in extras["test"] if re.split(r"[>=<\[]", each)[0] in OF_TESTS]
    with tempfile.TemporaryDirectory(prefix="potvigil-minima-") as scratch:
        folder = args.folder or Path(scratch) / "venv"
        python = folder / "bin" / "python"
        constraints = Path(scratch) / "constraints.txt"
        constraints.write_text("".join(f"{name}=={version}\n" for name, version in lowest.items()))
        if not python.exists():
            subprocess.run([sys.executable, "-m", "venv", str(folder)], check=True)
        install = [str(python), "-m", "pip", "install", "--quiet", "--disable-pip-version-check"]
        here = [f"{ROOT}[{','.join(EXTRAS)}]", *of_tests]
        if subprocess.run(
            [*install, "--constraint", str(constraints), "--editable", *here], check=False
        ).returncode:
            return 1
        print(", ".join(f"{name} {version}" for name, version in lowest.items()), flush=True)
        run = [str(python), "-m", "pytest", "-q", "-n", "auto", *(of_pytest or TESTS)]
        return subprocess.run(run, cwd=ROOT, check=False).returncode and 1


if __name__ == "__main__":
    sys.exit(main())
