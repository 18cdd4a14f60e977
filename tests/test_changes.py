"""The version rises with the change log, and both are in the wheel."""

import re
import tomllib
from pathlib import Path

import potvigil
from potvigil.record.schema import MIGRATIONS

CHANGES = Path(potvigil.__file__).with_name("CHANGES.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_change_log_starts_with_this_version_and_versions_descend() -> None:
    versions = re.findall(r"^## (\d+\.\d+\.\d+)$", CHANGES, re.M)
    assert versions[0] == potvigil.__version__
    numbers = [tuple(map(int, each.split("."))) for each in versions]
    assert numbers == sorted(set(numbers), reverse=True)


def test_the_version_is_defined_once_and_the_change_log_is_shipped() -> None:
    assert "version" not in PROJECT["project"] and PROJECT["project"]["dynamic"] == ["version"]
    of_ours = PROJECT["tool"]["setuptools"]
    assert of_ours["dynamic"]["version"] == {"attr": "potvigil.__version__"}
    assert "CHANGES.md" in of_ours["package-data"]["potvigil"]


def test_every_format_of_the_record_is_in_the_change_log() -> None:
    assert re.findall(r"^- Format (\d+):", CHANGES, re.M) == [str(n) for n in range(2, len(MIGRATIONS) + 1)]
