"""The page and wording of a pot's health: no more than the batches support, with texts escaped."""

import re
import sys
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from pot_season import DAY_S, FIRST_UTC_S, IN_ROOM, PSI_PER_H, care, season, wearing
from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import Growth, Health, Side
from potvigil.model.events import Interval, Verdict
from potvigil.model.maintenance import Part
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.charts.health_chart import DRAWN, health_chart_svg
from potvigil.reports.health import health_html
from potvigil.reports.pdf import pdf_of, png_of
from potvigil.wording.health import health_lines
from potvigil.wording.quantities import rate
from printed_page import Page

ZONE = ZoneInfo("Europe/Lisbon")
BEARABLE = 1.5 * PSI_PER_H
HOLD_S = 36_000.0
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }} {% raw %} ${x} $\\frac{1}{2}$",
    "</title></style></bdi>&amp;&#0;\x1b[31m\u202e",
    "W" * 10_000,
)
NAN = float("nan")
SEASONS = {
    "none": health([], []),
    "none, but care": health([], [care(Part.SEAL, 0, "new O-ring")], BEARABLE),
    "two": health(season([0.1] * 2), [], BEARABLE),
    "no estimates": health(season([NAN] * 9), [], BEARABLE),
    "alike": health(season([0.1] * 30, None), [], BEARABLE),
    "sound": health(season([0.0] * 33, 2), [care(Part.SEAL, 10)], BEARABLE),
    "wearing": health(season(wearing(30, 50), 1), [], BEARABLE),
    "one night": health(season([0.05] * 39 + [2.2], 3), [], BEARABLE),
    "broken": health(season([0.05] * 30 + [1.7] * 4, 3), [], BEARABLE),
    "mended": health(season(wearing(30, 50) + [0.1] * 12, 5), [care(Part.SEAL, 80, "new O-ring")], BEARABLE),
    "smaller": health(season([0.5] * 25 + [0.1] * 15, 2), [], BEARABLE),
    "no clock": health(season(wearing(30, 50), 1, clock=False), [care(Part.VALVE, 5, clock=False)], BEARABLE),
    "in the room": health(season([0.1] * 40, 6, IN_ROOM), [], BEARABLE),
}


def lines(judged: Health, unit: str = "psi") -> str:
    return "\n".join(health_lines(judged, unit, ZONE, HOLD_S))


def page(judged: Health, **kwargs) -> str:
    given = {"pot_id": "lantern", "workshop": "harbour-models", "labels": {}, "unit": "psi", "tz": ZONE}
    return health_html(judged, **{**given, "hold_s": HOLD_S, **kwargs})


def grown(low: float, value: float, high: float) -> Health:
    """Return a worn pot whose leak grew from 0.10 psi/h by this much, at this pace."""
    now = Interval(0.1 * value * PSI_PER_H, 0.1 * low * PSI_PER_H, 0.1 * high * PSI_PER_H)
    base = Interval(0.1 * PSI_PER_H, 0.09 * PSI_PER_H, 0.11 * PSI_PER_H)
    judged = health(season(wearing(30, 50), 1), [care(Part.SEAL, 5)], BEARABLE)
    regime = replace(judged.regime, baseline_pa_per_s=base)
    return replace(
        judged,
        regimes=(*judged.regimes[:-1], regime),
        now_pa_per_s=now,
        growth=Growth(base, now, Interval(value, low, high)),
        pace=replace(judged.pace, bearable_in_batches=Interval(25.2, 14.6, 61.0)),
    )


# -- wording ----------------------------------------------------------------------------------------


def test_a_doubled_leak_has_its_figures_and_date() -> None:
    # the seal was changed in the afternoon before the sixth batch: 10 January
    text = lines(grown(1.6, 2.1, 2.7))
    assert (
        "The leak has doubled since the seal was changed on 10 January: from 0.10 to 0.21 psi/h "
        "(1.6 to 2.7 times)." in text
    )
    assert "At this pace a 10 h cure will reach the floor in about 25 batches (15 to 61)." in text


@pytest.mark.parametrize(
    ("ratio", "words"),
    [
        (1.4, "has grown by 40 %"),
        (2.4, "has grown 2.4-fold"),
        (3.1, "has trebled"),
        (12.3, "has grown 12-fold"),
    ],
)
def test_growth_in_words(ratio: float, words: str) -> None:
    assert f"The leak {words} since" in lines(grown(0.8 * ratio, ratio, 1.3 * ratio))


def test_the_words_claim_no_more_than_the_chart() -> None:
    for name in ("none", "two", "no estimates", "alike", "sound", "in the room", "one night"):
        text = lines(SEASONS[name])
        assert not re.search(
            r"has (grown|doubled|trebled|quadrupled)|stood out|At this pace|steadily", text
        ), name
    assert "Nothing out of the ordinary" in lines(SEASONS["alike"])
    assert "no leak detected, at most" in lines(SEASONS["sound"])
    assert "made no visible difference" in lines(SEASONS["sound"])


def test_too_few_batches_are_only_counted() -> None:
    assert lines(SEASONS["two"]) == "Too few batches with a leak estimate (2 of 5) to say."
    few = health(season([0.1] * 23), [care(Part.SEAL, 20)])
    assert "Too few batches since the seal was changed on 9 February (3 of 5) to say." in lines(few)
    assert "no finished batch" in lines(SEASONS["none"])


def test_one_bad_night_is_no_trend() -> None:
    judged = SEASONS["one night"]
    text = lines(judged)
    newest = judged.regime.points[-1]
    assert (
        f"The last batch, 40 (20 March), leaked {rate(newest.rate, 'psi')}, far more than the others" in text
    )
    assert "not a trend" in text
    assert "Nothing out of the ordinary" not in text
    later = lines(health(season([0.05] * 39 + [2.2] + [0.05] * 5, 3), []))
    assert "One outlier: batch 40." in later


def test_a_leak_no_batch_tolerates_is_named() -> None:
    assert "A 10 h cure tolerates at most 1.50 psi/h, and the leak is now 1.7" in lines(SEASONS["broken"])


def test_a_repair_is_quantified() -> None:
    change = SEASONS["mended"].seal_change
    before, after = (rate(each.value, "psi") for each in (change.before_pa_per_s, change.after_pa_per_s))
    # the afternoon before the 81st batch, which is of 10 June
    assert (
        f"After the seal was changed on 9 June the leak fell from {before.split()[0]} to {after}."
        in lines(SEASONS["mended"])
    )


def test_another_year_is_shown() -> None:
    judged = health(season([0.1] * 250), [care(Part.SEAL, 30)])
    assert "on 1 March 2026" in lines(judged)


def test_dates_are_in_the_workshops_zone() -> None:
    # 23:36 on 10 January in Lisbon is the 11th in Tokyo
    given = care(Part.SEAL, 5)
    late = replace(given, utc_s=FIRST_UTC_S + 9 * DAY_S + 17.6 * 3600.0)
    judged = health(season([0.1] * 20), [late])
    assert "on 10 January" in "\n".join(health_lines(judged, "psi", ZONE))
    assert "on 11 January" in "\n".join(health_lines(judged, "psi", ZoneInfo("Asia/Tokyo")))


@pytest.mark.parametrize("unit", ["psi", "bar", "kPa"])
@pytest.mark.parametrize("name", SEASONS)
def test_the_words_are_readable(name: str, unit: str) -> None:
    sentences = health_lines(SEASONS[name], unit, ZONE, HOLD_S)
    assert sentences
    for line in sentences:
        assert line[0].isupper()
        assert line.endswith(".")
        assert not re.search(r"!|\bsafe|EWMA|None|nan|inf\b|sigma|regime|-0\.0|\be[+-]\d", line), line
        assert "psi" not in line or unit == "psi"
        assert not re.search(r"tighten", line)


def test_without_a_clock_there_are_no_dates() -> None:
    assert not re.search(r"January|February|March|20\d\d", lines(SEASONS["no clock"]))
    assert "every ten batches" in lines(SEASONS["no clock"])


# -- the page ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SEASONS)
def test_the_page_says_what_the_lines_say_and_fetches_nothing(name: str) -> None:
    html = page(SEASONS[name])
    read = Page(html)
    for line in health_lines(SEASONS[name], "psi", ZONE, HOLD_S):
        assert line in read.text
    assert read.fetched == []
    assert "script" not in read.tags
    assert "url(http" not in html
    assert "replaces no gauge, relief valve or inspection" in read.text
    assert not re.search(r"\bsafe\b", read.text)


def test_batches_and_care_are_listed_newest_first() -> None:
    judged = SEASONS["mended"]
    text = Page(page(judged, labels={92: "lens no. 3", 73: "the oldest listed", 72: "too old"})).text
    assert "2026-06-09 seal new O-ring Ines" in text
    assert text.index("lens no. 3") < text.index("the oldest listed")
    assert "too old" not in text
    assert "72 earlier ones are not listed" in text
    last = judged.batches[-1]
    assert last.verdict in (Verdict.HELD, Verdict.LEAKED)
    assert f"{rate(last.rate_pa_per_s.value, 'psi').split()[0]} (" in text
    assert "no estimate" in Page(page(SEASONS["no estimates"])).text


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_texts_are_escaped(text: str) -> None:
    hostile = [care(Part.SEAL, 10, text, text), care(Part.INSPECTION, 20, text, text)]
    judged = health(season([0.1] * 30), hostile, BEARABLE)
    labels = {batch.batch_id: text for batch in judged.batches}
    html = page(judged, labels=labels, pot_id=text[:40], workshop=text[:40])
    plain = Page(page(judged, labels={}))
    read = Page(html)
    assert read.tags == plain.tags
    assert read.fetched == []
    assert "\x1b" not in html
    assert "\u202e" not in html
    if "{{" in text:
        assert "7 * 7" in read.text
        assert " 49 " not in read.text


def test_a_rehearsal_says_so() -> None:
    assert "Rehearsal" in Page(page(SEASONS["sound"], rehearsed=True)).text
    assert "Rehearsal" not in Page(page(SEASONS["sound"])).text


# -- the chart --------------------------------------------------------------------------------------


def words_of(svg: str) -> list[str]:
    return [re.sub(r"<[^>]+>", "", each) for each in re.findall(r"<text[^>]*>(.*?)</text>", svg, re.S)]


def test_points_out_of_limits_have_their_own_shape_and_name() -> None:
    for name, shown, hidden in (
        (
            "sound",
            ("moving average", "its limits", "first batches"),
            ("lasting change", "single night far above"),
        ),
        (
            "broken",
            ("lasting change", "single night far above", "most a batch can tolerate"),
            ("no estimate",),
        ),
        ("one night", ("single night far above", "2.2"), ("lasting change", "most a batch can tolerate")),
        ("no estimates", ("no estimate",), ("moving average",)),
    ):
        words = words_of(health_chart_svg(SEASONS[name], "psi", ZONE))
        assert set(shown) <= set(words), name
        assert not set(hidden) & set(words), name


def test_care_is_named_on_the_chart() -> None:
    words = words_of(health_chart_svg(SEASONS["mended"], "bar", ZONE))
    assert "seal 9 Jun" in words
    assert "Leak of each batch at the end of its hold, bar/h" in words


def test_only_the_last_of_many_batches_are_drawn() -> None:
    leaks = [0.1] * 3000
    judged = health(season(leaks), [care(Part.SEAL, n) for n in range(100, 3000, 20)], BEARABLE)
    svg = health_chart_svg(judged, "psi", ZONE)
    words = words_of(svg)
    assert f"Leak of each batch at the end of its hold, psi/h, the last {DRAWN} batches" in words
    assert "2801" in words
    assert sum(word.startswith("seal") for word in words) <= 8
    assert len(svg) < 200_000


def test_the_chart_is_deterministic() -> None:
    assert page(SEASONS["mended"]) == page(SEASONS["mended"])


@pytest.mark.parametrize("name", ["none", "mended"])
def test_the_page_becomes_a_pdf(name: str) -> None:
    pdf = pdf_of(page(SEASONS[name]))
    assert pdf.startswith(b"%PDF")
    assert png_of(pdf).startswith(b"\x89PNG")


def test_a_missing_library_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    with pytest.raises(MissingLibraryError, match="jinja2"):
        page(SEASONS["sound"])


def test_the_seasons_match_their_names() -> None:
    assert SEASONS["wearing"].pace is not None
    assert SEASONS["broken"].regime.state is Side.ABOVE
    assert SEASONS["one night"].regime.state is None
    assert SEASONS["smaller"].regime.state is Side.BELOW
    assert SEASONS["in the room"].regime.state is None
