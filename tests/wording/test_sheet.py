"""Every sentence a person can be shown, held against the house rules; tests/sentences.py prints the sheet."""

import re

import pytest

from sentences import VALUE, Said, of_python, sentences

SHEET = list(sentences())
# What reads as translated, and what promises too much. ISO 7010 and the guides of the trade never call a
# pot under pressure harmless; neither does any text here.
BANNED = (
    *(
        "safe",
        "safely",
        "safety",
        "nought",
        "put aside",
        "see to",
        "seen to",
        "of late",
        "is to be",
        "are to be",
    ),
    *(
        "nobody watches",
        "nobody is watching",
        "not watched",
        "does not stand",
        "stands beside",
        "is of no user",
    ),
    *("mended", "anew", "to and fro", "not yet seen", "beforehand known", "is told", "are told", "was told"),
)
# An inner name, a class or a missing value in a text was never meant for a reader.
INTERNAL = (
    r"\b(filter|sigma|None|nan|NaN|inf|HOLDING|SETTLING|FILLING|VENTING)\b|"
    r"\b(posterior|innovation|covariance)\b|_pa\b"
)
# As Python, Home Assistant's templates or a person's data need them, not as a sentence.
LEFT = {"{{ value if value else 'None' }}"}


def _named(said: Said) -> str:
    return f"{said.where}: {said.text}"


def test_the_sheet_covers_every_room_with_user_texts() -> None:
    rooms = {said.where.split("/")[0] for said in SHEET}
    assert {"wording", "watch", "planning", "diagnosis", "reports", "page", "commands", "checking"} <= rooms
    assert {"setting_up", "installing", "settings", "record", "notifying", "outputs", "golden"} <= rooms
    assert len(SHEET) > 1500


@pytest.mark.parametrize(
    "text",
    [
        "Top up to … now",  # watch/conditions.py
        "The cure is done: the pot may be vented. Open the vent fully and wait until the gauge reads zero.",
        "This page no longer updates: everything on it dates from the time above. Reload it",
        "No readings yet, so there is no curve.",  # page/static/curve.js
        "batch 1   held: pressure held until the cure was done",  # a golden log
    ],
)
def test_the_sheet_includes_texts_of_source_templates_scripts_and_nights(text: str) -> None:
    assert any(said.text == text for said in SHEET)


@pytest.mark.parametrize("word", BANNED)
def test_no_sentence_has_a_banned_word(word: str) -> None:
    found = [_named(said) for said in SHEET if re.search(rf"\b{word}\b", said.text, re.I)]
    assert not found


def test_no_sentence_has_an_internal_name() -> None:
    assert not [_named(each) for each in SHEET if re.search(INTERNAL, each.text) and each.text not in LEFT]


def test_no_sentence_has_two_spaces_or_a_space_before_its_stop() -> None:
    """Tables of a terminal are spaced on purpose: what begins or is broken by spaces, and the golden logs."""
    prose = [each for each in SHEET if not each.where.startswith("golden") and "\n" not in each.text]
    assert not [_named(each) for each in prose if re.search(r"[a-z,.;:]  +[A-Za-z]", each.text.strip(" "))]
    assert not [_named(each) for each in SHEET if re.search(r"\w [.,;:](\s|$)", each.text)]


def test_a_text_that_ends_as_a_sentence_starts_as_one() -> None:
    """A text that ends with a full stop has a capital, unless it names a thing first."""
    wrong = [
        _named(each)
        for each in SHEET
        if re.search(r"[a-z]\.$", each.text)
        and not each.where.startswith("golden")
        and re.match(r"[a-z]", each.text)
        and not re.match(r"[\w.-]+: ", each.text)
    ]
    assert not wrong


def test_a_text_of_two_sentences_ends_with_a_full_stop() -> None:
    """Of several sentences the last has its stop too; a headline is one, and has none."""
    several = [each for each in SHEET if re.match(rf"[A-Z][^.]*[a-z{VALUE}]\. [A-Z][a-z]+ [a-z]", each.text)]
    assert len(several) > 30
    ends = (".", "?", "!", ":", ": ", ". ", "...", VALUE, "here", "it")
    assert not [_named(each) for each in several if not each.text.rstrip('"').endswith(ends)]


def test_the_words_of_an_alarm_are_full_sentences() -> None:
    """In the golden logs: first what to do, then why; each begins as a sentence and has its stop."""
    lines = [
        each.text
        for each in SHEET
        if each.where.startswith("golden") and re.match(r"[a-z -]+(: [a-z ]+)?: [A-Z]", each.text)
    ]
    assert len(lines) > 10
    for line in lines:
        said = re.sub(r"^[a-z -]+(: [a-z ]+)?: ", "", line)
        assert said.endswith("."), line
        assert all(re.match(r"[A-Z0-9]", part) for part in re.split(r"(?<=[a-z])\. ", said)), line


def test_a_docstring_is_not_on_the_sheet_and_a_choice_within_braces_is() -> None:
    source = """def f(x):
        'Return what to do.'
        return f"Top up {'by the hour' if x else x} now."
"""
    assert sorted(of_python(source)) == [f"Top up {VALUE} now.", "by the hour"]
