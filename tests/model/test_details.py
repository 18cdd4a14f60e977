"""What a person enters about a batch is kept as written, or refused in one clear line."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potvigil.model.batch_details import (
    LONGEST,
    DetailError,
    at_clock,
    check_mixed_at,
    is_flawed,
    mixed_utc_s,
    read,
)
from potvigil.model.events import Detail
from potvigil.units import MASS

TEXTS = [field for field in Detail if field not in (Detail.MASS, Detail.MIXED_AT, Detail.OUTCOME)]
FILL_UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize("field", TEXTS)
@pytest.mark.parametrize(
    "text",
    [
        "'; DROP TABLE edit; --",
        "<script>alert(1)</script> &amp; <b>",
        "[bold red]lens[/] :bomb: {field} %s \\n",
        "Ünïcode, 樹脂, شفاف",
        "🏴‍☠️ 👩🏽‍🚀",  # joined with U+200D
        "250\u00a0g, deux\u202ftiers",  # blanks of other widths
        "=HYPERLINK(0)",
    ],
)
def test_text_that_only_looks_hostile_is_kept_verbatim(field, text):
    assert read(field, text) == text


@pytest.mark.parametrize("field", Detail)
def test_a_text_over_the_limit_is_refused_in_one_line_naming_the_limit(field):
    for length in (LONGEST[field] + 1, 10_000):
        with pytest.raises(DetailError) as refused:
            read(field, "x" * length)
        assert str(refused.value) == f"{field}: {length} characters; at most {LONGEST[field]} are allowed"


@pytest.mark.parametrize("field", TEXTS)
def test_a_text_at_the_limit_is_kept_in_full(field):
    assert read(field, "é" * LONGEST[field]) == "é" * LONGEST[field]


@pytest.mark.parametrize("field", Detail)
@pytest.mark.parametrize(
    "sign",
    ["\0", "\x1b", "\x07", "\x7f", "\x85", "\r", "\u2028", "\u202e", "\ufeff", "\udcff"],
    ids=lambda sign: f"U+{ord(sign):04X}",
)
def test_characters_that_a_terminal_or_page_acts_on_are_refused(field, sign):
    with pytest.raises(DetailError, match="control characters") as refused:
        read(field, f"a{sign}b")
    assert str(refused.value).isprintable()


def test_only_the_note_and_the_pictures_may_have_several_lines():
    assert read(Detail.NOTE, "two\r\nlines\tand a tab\n") == "two\nlines\tand a tab"
    assert read(Detail.PICTURES, "a.jpg\nb.jpg") == "a.jpg\nb.jpg"
    for field in (Detail.LABEL, Detail.RESIN, Detail.MOULD, Detail.COLOUR):
        with pytest.raises(DetailError, match="control characters"):
            read(field, "two\nlines")


@given(st.sampled_from(list(Detail)), st.text())
def test_any_text_is_kept_or_refused_in_one_line_and_a_kept_text_is_valid_again(field, text):
    try:
        kept = read(field, text)
    except DetailError as refused:
        assert len(str(refused).splitlines()) == 1 and str(refused).startswith(f"{field}: ")
    else:
        assert read(field, kept) == kept
        if field in TEXTS:
            assert kept == text.replace("\r\n", "\n").strip(" \t\r\n")


# --- mass


@pytest.mark.parametrize("text", ["250 g", "0.25 kg", "8.8oz", "1 lb"])
def test_a_mass_is_kept_as_written(text):
    assert read(Detail.MASS, text) == text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("250 stones", "has an unknown unit; give a mass in g, kg, oz or lb"),
        ("250 mL", "has an unknown unit"),
        ("two cups", "is not a mass"),
        ("0,25 kg", "is not a mass"),
        ("0 g", "is out of range; give more than 0 and at most 1000 kg"),
        ("-5 g", "is out of range; give more than 0 and at most 1000 kg"),
        ("1e999 g", "is too large"),
        ("nan g", "is not a mass"),
    ],
)
def test_text_that_is_not_a_mass_is_refused(text, said):
    with pytest.raises(DetailError, match=f"^mass: '{text}' {said}"):
        read(Detail.MASS, text)


def test_a_pound_matches_nist_sp_811():
    # NIST SP 811 (2008), Appendix B.8: pound (avoirdupois) 4.535 924 E-01 kg, ounce 2.834 952 E-02 kg
    assert MASS.read("1 lb").si == pytest.approx(4.535924e-1, rel=1e-6)
    assert MASS.read("1 oz").si == pytest.approx(2.834952e-2, rel=1e-6)


# --- mixed at


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        # RFC 3339, section 5.8, the examples without a leap second
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50Z"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27Z"),
    ],
)
def test_a_mixing_time_is_kept_in_utc(text, kept):
    assert read(Detail.MIXED_AT, text) == kept


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("21:40", "is not a date and time; give one like"),
        ("yesterday", "is not a date and time"),
        ("2026-02-30T21:40:00Z", "is not a date and time"),
        ("0001-01-01T00:00:00+14:00", "is not a date and time"),
        ("2026-01-01T21:40:00", "names no time zone; end it with Z"),
    ],
)
def test_text_that_is_not_a_time_is_refused(text, said):
    with pytest.raises(DetailError, match="mixed-at: ") as refused:
        read(Detail.MIXED_AT, text)
    assert said in str(refused.value)


@pytest.mark.parametrize("late_s", [-86_400.0, -1200.0, 0.0, 300.0])
def test_mixing_may_be_before_the_fill_or_just_after(late_s):
    check_mixed_at(utc(FILL_UTC_S + late_s), FILL_UTC_S, "the fill")


@pytest.mark.parametrize(
    ("late_s", "said"),
    [
        (301.0, "is 5 min after the fill, at most 5 min is allowed"),
        (7200.0, "is 2 h after the fill, at most 5 min is allowed"),
        (-3 * 86_400.0, "is 72 h before the fill, at most 24 h is allowed"),
    ],
)
def test_mixing_after_the_fill_or_days_before_is_refused(late_s, said):
    with pytest.raises(DetailError) as refused:
        check_mixed_at(utc(FILL_UTC_S + late_s), FILL_UTC_S, "the fill")
    assert str(refused.value).endswith(said)


def utc(utc_s: float) -> str:
    return datetime.fromtimestamp(utc_s, ZoneInfo("UTC")).isoformat()


@pytest.mark.parametrize(
    ("near", "clock", "moment"),
    [
        ("2026-01-01T23:00:00+01:00", "22:40", "2026-01-01T22:40:00+01:00"),
        ("2026-01-01T00:20:00+01:00", "23:50", "2025-12-31T23:50:00+01:00"),  # before midnight
        ("2026-01-01T23:58:00+01:00", "0:01", "2026-01-02T00:01:00+01:00"),  # a clock that is fast
        ("2026-01-01T23:00:00+01:00", "23:40", "2026-01-01T23:40:00+01:00"),  # and not the day before
        # summer time began on 2026-03-29 at 02:00 and ends on 2026-10-25 at 03:00 (Directive 2000/84/EC)
        ("2026-03-29T03:10:00+02:00", "01:50", "2026-03-29T01:50:00+01:00"),
        ("2026-10-25T12:00:00+01:00", "09:00", "2026-10-25T09:00:00+01:00"),
    ],
)
def test_a_time_of_day_means_the_nearest_such_moment(near, clock, moment):
    found = at_clock(clock, datetime.fromisoformat(near).timestamp(), BERLIN)
    assert mixed_utc_s(read(Detail.MIXED_AT, found)) == datetime.fromisoformat(moment).timestamp()


@given(st.integers(0, 23), st.integers(0, 59), st.floats(1.7e9, 1.9e9), st.sampled_from([BERLIN, None]))
def test_a_time_of_day_is_within_about_half_a_day(hour, minute, near_utc_s, tz):
    found = at_clock(f"{hour}:{minute:02d}", near_utc_s, tz)
    late_s = mixed_utc_s(read(Detail.MIXED_AT, found)) - near_utc_s
    assert abs(late_s) <= 45_000.0  # half a day of 25 h, when the clocks go back


@pytest.mark.parametrize("text", ["24:00", "21:60", "21.40", "", "2026-01-01T21:40:00Z", "9:5"])
def test_other_text_is_returned_unchanged(text):
    assert at_clock(text, FILL_UTC_S, BERLIN) == text


@pytest.mark.parametrize(
    ("text", "kept", "flawed"),
    [
        ("good", "good", False),
        (" GOOD ", "good", False),
        ("Flawed", "flawed", True),
        ("flawed:bubbles at the rim ", "flawed: bubbles at the rim", True),
        ("good: one seam: sanded", "good: one seam: sanded", False),
        ("", "", None),
    ],
)
def test_an_outcome_is_good_or_flawed_with_an_optional_remark(text, kept, flawed):
    assert read(Detail.OUTCOME, text) == kept
    assert read(Detail.OUTCOME, kept) == kept
    assert is_flawed(kept) is flawed


@pytest.mark.parametrize("text", ["fine", "flawed - bubbles", "not good", ":", "goodish: x"])
def test_another_outcome_is_refused_listing_the_valid_ones(text):
    with pytest.raises(DetailError, match="give good, or flawed: what is wrong"):
        read(Detail.OUTCOME, text)
