"""README and guides: every command they give is valid, and every file they point to exists."""

import argparse
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from potvigil.commands.arguments.parser import build_parser
from potvigil.model.events import AlarmId
from potvigil.watch.alarm_rules import RULES

ROOT = Path(__file__).parents[1]
GUIDES = [ROOT / "README.md", *sorted((ROOT / "config").glob("*.md"))]
FOR_DEVELOPERS = [ROOT / name for name in ("DEVELOPERS.md", "daemon/DECISIONS.md", "tests/bench/FIGURES.md")]
CHANGES = ROOT / "daemon/potvigil/CHANGES.md"
VERBS = (ROOT / "config/verbs.md").read_text(encoding="utf-8")
PICTURE_BYTES = 150_000


def typed(guide: Path) -> Iterator[list[str]]:
    """Yield each command a reader is to type, as words: of indented lines, and of code within the text."""
    text = guide.read_text(encoding="utf-8")
    lines = re.findall(r"^ {4}(\S.*)$", text, re.M)
    spans = [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", text)]
    for line in lines + [span for span in spans if re.match(r"(sudo )?(\.venv/bin/)?potvigil ", span)]:
        for command in line.split(" && "):
            try:
                words = shlex.split(command, comments=True)
            except ValueError:  # an apostrophe of what a program says
                continue
            yield words[1:] if words[0] == "sudo" else words


ALL = [(guide, words) for guide in GUIDES for words in typed(guide)]
OURS = [(guide, words[1:]) for guide, words in ALL if Path(words[0]).name == "potvigil"]


@pytest.mark.parametrize(
    ("guide", "words"), OURS, ids=lambda each: getattr(each, "stem", None) or " ".join(each)
)
def test_every_command_of_a_guide_is_valid(guide: Path, words: list[str], capsys) -> None:
    try:
        build_parser().parse_args(words)
    except SystemExit:
        pytest.fail(f"{guide.name}: potvigil {shlex.join(words)}: {capsys.readouterr().err}")


def test_install_and_update_commands_are_run_in_the_clone() -> None:
    """The installed program cannot replace itself."""
    installing = [
        words
        for _, words in ALL
        if words[1:3] in (["service", "install"], ["service", "update"]) and "--root" not in words
    ]
    assert len(installing) > 2 and {words[0] for words in installing} == {".venv/bin/potvigil"}


def test_the_readme_covers_the_steps_from_a_new_pi() -> None:
    way = [words[:2] for guide, words in OURS if guide.name == "README.md"]
    for verb in (["rehearse"], ["setup"], ["service", "install"], ["check", "--hardware"], ["alarm", "test"]):
        assert verb in way


def test_other_commands_and_files_in_guides_exist() -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    scripts = [words[1] for _, words in ALL if words[0] == "bash"]
    named = [several for _, words in ALL for word in words for several in re.findall(r"^\.\[(.+)\]$", word)]
    wanted = [extra for several in named for extra in several.split(",")]
    assert scripts and all((ROOT / script).is_file() for script in scripts)
    assert wanted and all(extra in extras for extra in wanted)


@pytest.mark.parametrize("guide", [*GUIDES, *FOR_DEVELOPERS], ids=lambda guide: guide.stem)
def test_links_in_guides_lead_somewhere(guide: Path) -> None:
    text = guide.read_text(encoding="utf-8")
    for place in re.findall(r'\]\(([^)#]+)\)|(?:src|srcset)="([^"]+)"', text):
        (name,) = filter(None, place)
        if not name.startswith("https://"):
            assert (guide.parent / name).is_file(), name


def test_pictures_are_small_and_described() -> None:
    text = GUIDES[0].read_text(encoding="utf-8")
    assert all(len(alt) > 40 for alt in re.findall(r'<img [^>]*alt="([^"]*)"', text))
    pictures = sorted((ROOT / "config/pictures").iterdir())
    assert pictures and text.count("<img ") == text.count(" alt=")
    for picture in pictures:
        assert picture.stat().st_size < PICTURE_BYTES and f"config/pictures/{picture.name}" in text, (
            picture.name
        )


def leaves(parser: argparse.ArgumentParser, name: str = "") -> Iterator[tuple[str, str]]:
    """Yield each verb with its help."""
    inner = [each for each in parser._actions if isinstance(each, argparse._SubParsersAction)]
    if not inner:
        yield name, parser.format_help()
    for verb, below in [each for action in inner for each in action.choices.items()]:
        yield from leaves(below, f"{name} {verb}".strip())


def rows() -> Iterator[tuple[list[str], list[str]]]:
    """Yield of each row the verbs, `batch list / show` as two, and all flags it names."""
    for row in re.findall(r"^\| `.*$", VERBS, re.M):
        verbs = []
        for span in re.findall(r"`([^`]+)`", row.split(" | ")[0]):
            first, *others = re.findall(r"^[a-z /]+", span)[0].strip().split(" / ")
            verbs += [first, *(" ".join([*first.split()[:-1], other]) for other in others)]
        yield verbs, re.findall(r"--[a-z-]+", row)


def test_every_verb_has_its_row_and_every_row_names_existing_verbs_and_flags() -> None:
    helped = dict(leaves(build_parser()))
    seen = set()
    for verbs, flags in rows():
        # `service install`: a verb, and a word it takes
        known = [next(name for name in helped if f"{verb} ".startswith(f"{name} ")) for verb in verbs]
        for verb, name in zip(verbs, known, strict=True):
            assert verb.removeprefix(name).strip() in helped[name]
        assert set(flags) <= set(re.findall(r"--[a-z-]+", "".join(helped[name] for name in known)))
        seen |= set(known)
    assert seen == set(helped)


@pytest.mark.parametrize("guide", GUIDES, ids=lambda guide: guide.stem)
def test_no_guide_promises_safety(guide: Path) -> None:
    assert not re.search(r"\bsafe", guide.read_text(encoding="utf-8"), re.I)


def test_the_readme_gives_its_cautions_before_any_command() -> None:
    text = " ".join(GUIDES[0].read_text(encoding="utf-8").split())
    before = text.partition("## Try it")[0]
    for said in (
        "Never exceed the maximum marked on it",
        "confirm zero on the pot's own gauge",
        "Never tighten a clamp under pressure",
        "licensed inspection come first",
        "replaces no gauge, relief valve or inspection",
    ):
        assert said in before


def test_every_alarm_has_its_row_with_its_priority() -> None:
    text = (ROOT / "config/alarms.md").read_text(encoding="utf-8")
    listed = dict(re.findall(r"^\| `([a-z-]+)` \| (high|medium|low) \|", text, re.M))
    assert listed == {
        alarm.value: rule.priority.value for alarm, rule in RULES.items() if alarm is not AlarmId.TEST
    }


@pytest.mark.parametrize("guide", [*FOR_DEVELOPERS, CHANGES], ids=lambda guide: guide.stem)
def test_developer_documents_keep_to_the_line_width(guide: Path) -> None:
    long = [n for n, line in enumerate(guide.read_text(encoding="utf-8").splitlines(), 1) if len(line) > 120]
    assert not long


def test_every_cited_decision_exists() -> None:
    decided = re.findall(r"^\*\*(\d+)\. ", (ROOT / "daemon/DECISIONS.md").read_text(encoding="utf-8"), re.M)
    assert len(decided) == len(set(decided)) > 100
    cited = [
        number
        for folder, kind in (("daemon", "*.py"), ("daemon", "*.md"), ("tests", "*.md"), ("tests", "*.py"))
        for file in (ROOT / folder).rglob(kind)
        for number in re.findall(r"\bdecision (\d+)", file.read_text(encoding="utf-8"))
    ]
    assert cited and set(cited) <= set(decided)


def test_every_file_named_for_developers_exists() -> None:
    named = {
        name
        for guide in FOR_DEVELOPERS
        for name in re.findall(r"`((?:[\w.]+/)*\w+\.(?:py|js|yaml))", guide.read_text(encoding="utf-8"))
    }
    files = [
        f"/{path.relative_to(ROOT)}"
        for folder in ("daemon", "config", "tests")
        for path in (ROOT / folder).rglob("*.*")
    ]
    assert len(named) > 50
    assert not [name for name in named if not any(file.endswith(f"/{name.lstrip('./')}") for file in files)]


def test_the_map_names_every_room_on_its_own_line() -> None:
    (drawn,) = re.findall(
        r"^```\n(daemon/potvigil/.*?)^```", FOR_DEVELOPERS[0].read_text(encoding="utf-8"), re.M | re.S
    )
    rooms = {path.name for path in (ROOT / "daemon/potvigil").iterdir() if (path / "__init__.py").is_file()}
    assert set(re.findall(r"^  (\w+)/ ", drawn, re.M)) == rooms
