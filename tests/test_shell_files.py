"""Completion and the manual page name every verb and every option there is, and no other."""

import argparse
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from potvigil import __version__
from potvigil.commands.arguments.parser import build_parser
from shell_files import BASH, MAN, ZSH, verbs

VERBS = dict(verbs(build_parser()))
REMEDY = "run `python tests/shell_files.py`"


def options(name: str) -> set[str]:
    return {option for action in VERBS[name]._actions for option in action.option_strings}


def test_bash_knows_each_verb_with_its_options() -> None:
    text = BASH.read_text(encoding="utf-8")
    found = {
        name: set(said.split())
        for name, said in re.findall(r"^_shtab_(\w+)_option_strings=\((.*)\)$", text, re.M)
    }
    assert found == {name.replace(" ", "_"): options(name) for name in VERBS}, REMEDY


def test_bash_offers_the_choices_of_an_option() -> None:
    text = BASH.read_text(encoding="utf-8")
    for name, parser in VERBS.items():
        chosen = [
            tuple(action.choices)
            for action in parser._actions
            if action.choices and not isinstance(action, argparse._SubParsersAction)
        ]
        of_verb = rf"^_shtab_{name.replace(' ', '_')}_(?:pos_\d+|__\w+)_choices=\((.*)\)$"
        found = [tuple(said.split()) for said in re.findall(of_verb, text, re.M)]
        inner = {
            " ".join(other.split()[len(name.split()) :]) for other in VERBS if other.startswith(f"{name} ")
        }
        found = [each for each in found if not inner or set(each) - inner]
        assert sorted(found) == sorted(chosen), f"{name}: {REMEDY}"


def test_zsh_knows_each_verb_with_its_options() -> None:
    text = ZSH.read_text(encoding="utf-8")
    for name in VERBS:
        block = re.search(rf"^_shtab_{name.replace(' ', '_')}_options=\((.*?)^\)$", text, re.M | re.S)
        assert block is not None, f"{name}: {REMEDY}"
        said = set(re.findall(r"(?<![\w-])(--?[a-z][a-z-]*)(?=[,}\[=+])", block[1]))
        assert said == options(name), f"{name}: {REMEDY}"


def test_the_manual_page_has_a_chapter_for_each_verb_with_its_options() -> None:
    text = MAN.read_text(encoding="utf-8").replace("\\-", "-")
    chapters = dict(
        re.findall(r"^\.SH OPTIONS \\fI\\,'([\w ]+)'\\/\\fR\n(.*?)(?=^\.SH|\Z)", text, re.M | re.S)
    )
    with_options = {name for name in VERBS if len(options(name)) > 2 and " " in name}
    assert set(chapters) == with_options, REMEDY
    for name, chapter in chapters.items():
        said = set(re.findall(r"^\\fB(--[a-z-]+)", chapter, re.M))
        assert said == options(name) - {"-h", "--help"}, f"{name}: {REMEDY}"
    assert f'"potvigil {__version__}"' in text, REMEDY
    assert set(re.findall(r"^\.SH COMMAND \\fI\\,'([\w ]+)'", text, re.M)) == set(VERBS) - {"potvigil"}


def completed(*words: str) -> set[str]:
    """What bash offers as the last word."""
    script = (
        f'source "{BASH}"; COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); COMP_LINE="$*"; _shtab_potvigil; '
        'printf "%s\\n" "${COMPREPLY[@]}"'
    )
    done = subprocess.run(["bash", "-c", script, "bash", *words], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("potvigil", "re"), {"rehearse", "replay", "record"}),
        (("potvigil", "batch", "re"), {"report"}),
        (("potvigil", "record", "backup", "--ch"), {"--check"}),
        (("potvigil", "alarm", "shelve", "thermom"), {"thermometer"}),
        (("potvigil", "batch", "export", "1", "--format", "j"), {"jsonl"}),
    ],
)
def test_bash_completes(words: tuple[str, ...], offered: set[str]) -> None:
    assert completed(*words) == offered


def test_file_names_are_completed_where_expected(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "workshop.yaml").touch()
    monkeypatch.chdir(tmp_path)
    assert completed("potvigil", "check", "--config", "work") == {"workshop.yaml"}


def test_the_wheel_installs_them_where_shells_and_man_look() -> None:
    with (Path(__file__).parents[1] / "pyproject.toml").open("rb") as file:
        shipped = tomllib.load(file)["tool"]["setuptools"]["data-files"]
    assert shipped["share/bash-completion/completions"] == ["config/shell/potvigil"]
    assert shipped["share/zsh/site-functions"] == ["config/shell/_potvigil"]
    assert shipped["share/man/man1"] == ["config/shell/potvigil.1"]
    assert shipped["share/potvigil/config/shell"] == ["config/shell/*"]  # for `service install`
