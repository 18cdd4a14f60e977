"""Every sentence of a report to the letter, with one night's figures computed by hand."""

from dataclasses import replace
from typing import Any

import pytest

from demo_pot import PSI, UTC_S
from made_report import BUBBLE, LESS_T_S, NO_DETAILS, POT, RUN, made_report, trace
from potvigil.model.events import (
    LAST_BATCH,
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchClosed,
    BatchOpened,
    Change,
    Cure,
    Detail,
    EditEvent,
    Interval,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.model.pot import Resin, Transducer
from potvigil.model.reading import Place
from potvigil.record.rows import DeliveryRow, EditRow
from potvigil.reports.batch import _flat, _sentence, _Words, file_name
from potvigil.reports.happenings import Happenings, Row
from potvigil.reports.model import Pressed, ReadingGap
from potvigil.reports.pressure_words import Bar, PressureWords
from potvigil.wording.verdict import HELD_ABOVE_MAXIMUM, VERDICT_WORDS


def words(**changes: Any) -> PressureWords:
    return PressureWords(made_report(**changes))


def of_leak(**changes: Any) -> Any:
    assert NO_DETAILS.leak is not None
    return replace(NO_DETAILS, leak=replace(NO_DETAILS.leak, **changes))


# --- the pressure


def test_the_key_facts() -> None:
    assert list(words().facts()) == [
        ("Pressure in the hold", "60.0 → 54.0 psi", "lowest 54.0 psi, floor 45.0 psi"),
        ("Air lost", "0.49 psi/h", "at the end of the hold; 95 %: 0.48 to 0.51 psi/h"),
        ("Cure", "100 %", "10 h 7 min since the fill began"),
        ("Alarms", "1", "leak"),
    ]
    summary = replace(
        NO_DETAILS, lowest_gauge_pa=None, leak=None, alarms=(), cure=Cure(0.256, 0.0), end_s=100.0 + 5400.0
    )
    assert list(words(summary=summary).facts()) == [
        ("Pressure in the hold", "60.0 → 54.0 psi", "floor 45.0 psi"),
        ("Air lost", "not known", "no estimate"),
        ("Cure", "26 %", "1 h 30 min since the fill began"),
        ("Alarms", "none", ""),
    ]
    for unknown in ("hold_start_gauge_pa", "hold_end_gauge_pa"):
        assert next(words(summary=replace(NO_DETAILS, **{unknown: None})).facts())[0] == "Air lost"


HOUR_PSI = PSI / 3600.0
ROSE = {"rate_pa_per_s": Interval(-0.5 * HOUR_PSI, -0.75 * HOUR_PSI, -0.25 * HOUR_PSI), "established": False}
UNSURE = {"rate_pa_per_s": Interval(0.1 * HOUR_PSI, -0.05 * HOUR_PSI, 0.25 * HOUR_PSI), "established": False}


@pytest.mark.parametrize(
    ("summary", "fact", "sentence"),
    [
        (
            NO_DETAILS,
            ("0.49 psi/h", "at the end of the hold; 95 %: 0.48 to 0.51 psi/h"),
            "Air was lost at 0.49 psi/h at the end (95 %: 0.48 to 0.51 psi/h) since about 23:00 (22:55 to "
            "23:05). That is 9.5 (9.2 to 9.8) standard cm³/min (0 °C, 101 325 Pa), as through an ideal hole "
            "of 12 µm.",
        ),
        (
            of_leak(onset_s=Interval(3700.0, 3690.0, 3710.0)),
            ("0.49 psi/h", "at the end of the hold; 95 %: 0.48 to 0.51 psi/h"),
            "Air was lost at 0.49 psi/h at the end (95 %: 0.48 to 0.51 psi/h) since about 23:00 (22:59 to "
            "23:00). That is 9.5 (9.2 to 9.8) standard cm³/min (0 °C, 101 325 Pa), as through an ideal hole "
            "of 12 µm.",
        ),
        (
            of_leak(onset_s=Interval(3710.0, 3705.0, 3715.0)),
            ("0.49 psi/h", "at the end of the hold; 95 %: 0.48 to 0.51 psi/h"),
            "Air was lost at 0.49 psi/h at the end (95 %: 0.48 to 0.51 psi/h) since about 23:00. That is 9.5 "
            "(9.2 to 9.8) standard cm³/min (0 °C, 101 325 Pa), as through an ideal hole of 12 µm.",
        ),
        (
            of_leak(onset_s=None),
            ("0.49 psi/h", "at the end of the hold; 95 %: 0.48 to 0.51 psi/h"),
            "Air was lost at 0.49 psi/h at the end (95 %: 0.48 to 0.51 psi/h). That is 9.5 (9.2 to 9.8) "
            "standard cm³/min (0 °C, 101 325 Pa), as through an ideal hole of 12 µm.",
        ),
        (
            of_leak(**UNSURE),
            ("no leak established", "at most 0.25 psi/h (95 %)"),
            "No leak was established. The estimate at the end is 0.10 psi/h (95 %: −0.05 to 0.25 psi/h).",
        ),
        (
            of_leak(**ROSE),
            ("none", "the pressure rose"),
            "No air was lost: the pressure rose, at the end by 0.25 to 0.75 psi/h.",
        ),
        (
            of_leak(rate_pa_per_s=Interval(-0.1 * HOUR_PSI, -0.2 * HOUR_PSI, 0.0), established=False),
            ("no leak established", "at most 0.00 psi/h (95 %)"),
            "No leak was established. The estimate at the end is −0.10 psi/h (95 %: −0.20 to 0.00 psi/h).",
        ),
        (
            replace(NO_DETAILS, leak=None),
            ("not known", "no estimate"),
            "No leak rate could be estimated.",
        ),
    ],
)
def test_the_air_that_was_lost(summary: Any, fact: tuple[str, str], sentence: str) -> None:
    of = words(summary=summary)
    assert next(each[1:] for each in of.facts() if each[0] == "Air lost") == fact
    assert of.leak() == sentence


def test_the_change_and_its_bars_scaled_to_the_margin_above_the_floor() -> None:
    of = words()
    assert of.change() == (
        "From the hold's start to its end the gauge fell by 6.0 psi: −1.7 psi cooling, −4.3 psi air lost."
    )
    per_psi = 260.0 / 15.0  # from working pressure down to the floor
    assert of.bars() == [
        Bar("cooling", "−1.7", pytest.approx(13.3 * per_psi), pytest.approx(1.7 * per_psi)),
        Bar("barometer down", "0.0", pytest.approx(260.0), 0.0),
        Bar("air lost", "−4.3", pytest.approx(10.7 * per_psi), pytest.approx(4.3 * per_psi)),
        Bar("topped up", "0.0", pytest.approx(260.0), 0.0),
        Bar("gauge, total", "−6.0", pytest.approx(9.0 * per_psi), pytest.approx(6.0 * per_psi), True),
    ]
    rose = Change(5.0 * PSI, 5.0 * PSI, 0.0, 0.0, 0.0)
    bars = words(summary=replace(NO_DETAILS, change=rose)).bars()
    assert (bars[-1].left, bars[-1].wide) == (
        pytest.approx(10.0 * per_psi),
        pytest.approx(5.0 * per_psi),
    )
    fell = Change(-30.0 * PSI, -30.0 * PSI, 0.0, 0.0, 0.0)
    assert words(summary=replace(NO_DETAILS, change=fell)).bars()[-1].wide == pytest.approx(260.0)
    every = Change(20.0 * PSI, 5.0 * PSI, 5.0 * PSI, 5.0 * PSI, 5.0 * PSI)
    bars = words(summary=replace(NO_DETAILS, change=every)).bars()
    assert [(each.left, each.wide) for each in bars] == [(0.0, pytest.approx(65.0))] * 4 + [(0.0, 260.0)]
    unknown = words(summary=replace(NO_DETAILS, change=None))
    assert (unknown.change(), unknown.bars()) == ("The pot was not held long enough to say.", [])
    bare = words(pot=replace(POT, thermometers=frozenset()))
    assert bare.change().endswith(
        " air lost. The cooling is what remains after the other parts: no thermometer was in the gas."
    )


HALF = replace(NO_DETAILS, cure=Cure(0.5, 99_999.0))
CROSSED = replace(NO_DETAILS, floor_crossed_s=7300.0)
GEL = Resin(36_000.0, 2400.0, None, 296.15)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, "The resin needs 10 h under pressure. The cure was done at 07:43."),
        (
            {"resin": GEL, "gel_s": 3700.0},
            "The resin needs 10 h under pressure, gel after 40 min, counted as at 23 °C. By that clock the "
            "resin had gelled at 23:00 and the cure was done at 07:43.",
        ),
        (
            {"resin": GEL, "summary": HALF},
            "The resin needs 10 h under pressure, gel after 40 min, counted as at 23 °C. By that clock the "
            "resin had not gelled. 50 % of the cure was reached when this record ends.",
        ),
        (
            {"summary": HALF},
            "The resin needs 10 h under pressure. 50 % of the cure was reached when this record ends.",
        ),
        (
            {"summary": CROSSED},
            "The resin needs 10 h under pressure. The cure was done at 07:43. The pressure fell below the "
            "floor at 00:00.",
        ),
        (
            {"summary": CROSSED, "resin": GEL, "gel_s": 7300.0},
            "The resin needs 10 h under pressure, gel after 40 min, counted as at 23 °C. By that clock the "
            "resin had gelled at 00:00 and the cure was done at 07:43. The pressure fell below the floor at "
            "00:00, after gel.",
        ),
        (
            {"summary": CROSSED, "resin": GEL, "gel_s": 7301.0},
            "The resin needs 10 h under pressure, gel after 40 min, counted as at 23 °C. By that clock the "
            "resin had gelled at 00:00 and the cure was done at 07:43. The pressure fell below the floor at "
            "00:00, before gel.",
        ),
    ],
)
def test_the_cure(changes: dict[str, Any], sentence: str) -> None:
    assert words(**changes).cure() == sentence


LAW = " (Boyle's law; dissolving and surface tension left out.)"


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"bubble": None}, "The pot was not held, so nothing can be said."),
        (
            {},
            "A bubble 1.00 mm wide at room pressure was pressed to 0.60 mm at 59.5 psi, the pressure at the "
            "hold's start, and had grown back to 0.64 mm (7 % wider) at 54.0 psi, the lowest of the hold. "
            f"That counts only while the resin is liquid; when it gelled is not known here.{LAW}",
        ),
        (
            {"bubble": replace(BUBBLE, lowest=Pressed(59 * PSI, 0.6029))},  # half a per cent is not shown
            "A bubble 1.00 mm wide at room pressure was pressed to 0.60 mm at 59.5 psi, the pressure at the "
            "hold's start. That counts only while the resin is liquid; when it gelled is not known here."
            f"{LAW}",
        ),
        (
            {"bubble": replace(BUBBLE, gel=Pressed(56 * PSI, 0.63)), "gel_s": 3700.0},
            "At gel (23:00) the pot was at 56.0 psi: a bubble 1.00 mm wide at room pressure was 0.63 mm wide "
            "then, against 0.58 mm at the working pressure of 60.0 psi. The pressure lost before gel left it "
            "5 % wider than at the hold's start. What the pressure does after gel widens a bubble less and "
            f"less.{LAW}",
        ),
        (
            {"bubble": replace(BUBBLE, gel=Pressed(59.5 * PSI, 0.6)), "gel_s": 3700.0},
            "At gel (23:00) the pot was at 59.5 psi: a bubble 1.00 mm wide at room pressure was 0.60 mm wide "
            "then, against 0.58 mm at the working pressure of 60.0 psi. What the pressure does after gel "
            f"widens a bubble less and less.{LAW}",
        ),
    ],
)
def test_the_bubble(changes: dict[str, Any], sentence: str) -> None:
    assert words(**changes).bubble() == sentence


# --- what happened


def test_gaps_name_their_cause_and_restarts_of_the_watch_are_listed() -> None:
    again = replace(RUN, id=2, start_t_s=7300.0)
    of = Happenings(
        made_report(
            silences=(ReadingGap(3700.0, 4000.0, "bus error"),),
            runs=(RUN, again, replace(again, start_t_s=10_900.0, gap_known=False)),
            pot=replace(POT, thermometers=frozenset()),
        )
    )
    assert list(of.gaps()) == [
        "No good reading from 23:00 to 23:05 (5 min): bus error.",
        "Temperature: no thermometer is fitted, so cooling and air loss are hard to tell apart.",
        "The watch was started again at 00:00.",
        "The watch was started again at 01:00; how long the machine was off before is not known.",
    ]
    assert list(Happenings(made_report()).gaps()) == []
    silent = tuple(trace(3700.0 + 60.0 * n, gas_k=None) for n in range(5))
    of = Happenings(made_report(traces=silent, pot=replace(POT, thermometers=frozenset({Place.GAS}))))
    assert list(of.gaps()) == [
        "No reading of the gas thermometer from 23:00 to 23:05 (5 min); what the temperature did then is not "
        "known."
    ]


ALARM = AlarmEvent(
    *(3700.0, LESS_T_S + 3700.0, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "Air is lost.")
)


def test_events_are_in_order_below_their_day() -> None:
    events = (
        BatchOpened(100.0, None),
        StageEvent(160.0, None, Stage.FILLING),
        ALARM,
        replace(ALARM, t_s=3701.0, repeat=True),
        replace(ALARM, t_s=3702.0, priority=Priority.HIGH),
        replace(ALARM, t_s=3703.0, state=AlarmState.ACKNOWLEDGED),
        NoteEvent(8000.0, None, NoteId.TOP_UP, "by 3 psi"),
        EditEvent(8001.0, None, Detail.LABEL, "", "x", "anna"),
        BatchClosed(36_500.0, None, NO_DETAILS),
    )
    of = Happenings(made_report(events=events, summary=CROSSED, gel_s=7400.0))
    assert list(of.rows()) == [
        Row("", "", "", day="Thursday 1 January 2026"),
        Row("22:00:00", "batch", "Opened."),
        Row("22:01:00", "stage", "Filling"),
        Row("23:00:00", "leak", "Air is lost.", "△"),
        Row("23:00:02", "leak", "Air is lost.", "▲"),
        Row("23:00:03", "leak", "Acknowledged."),
        Row("", "", "", day="Friday 2 January 2026"),
        Row("00:00:00", "floor", "Below 45.0 psi from here."),
        Row("00:01:40", "cure", "Gel, by the cure clock."),
        Row("00:11:40", "top-up", "by 3 psi"),
        Row("08:06:40", "batch", "Closed."),
    ]


def test_without_a_wall_clock_times_count_from_the_start() -> None:
    of = Happenings(
        made_report(events=(BatchOpened(100.0, None), replace(ALARM, t_s=4180.0)), utc_less_t_s=None)
    )
    assert [(row.time, row.day) for row in of.rows()] == [("0:00 h", ""), ("1:08 h", "")]
    report = made_report(utc_less_t_s=None)
    assert (report.clock(40.0), report.clock(100.0 + 36_000.0)) == ("-0:01 h", "10:00 h")
    assert report.local(5.0) is None
    day_s = 86_400.0
    long = made_report(summary=replace(NO_DETAILS, end_s=100.0 + day_s))
    assert long.clock(3700.0) == "23:00"
    assert made_report(summary=replace(NO_DETAILS, end_s=101.0 + day_s)).clock(3700.0) == "Thu 23:00"


def delivery(
    t_s: float, kind: str = "raised", fault: str | None = None, pot: str | None = "lantern"
) -> DeliveryRow:
    return DeliveryRow(t_s, None, pot, AlarmId.LEAK, "Anna", kind, fault)


def test_notices_are_listed_and_of_failed_tries_only_the_first() -> None:
    tries = (
        delivery(3700.0, fault="refused"),
        delivery(3710.0, fault="refused again"),
        delivery(3720.0),
        delivery(3730.0, "again"),
        delivery(3740.0, "changed"),
        delivery(3750.0, "test"),
        delivery(3760.0, fault="refused"),
        replace(delivery(3770.0, fault="refused"), target="Ben"),
        delivery(3780.0, pot=None),
    )
    assert [(row.time, row.what, row.text) for row in Happenings(made_report(deliveries=tries)).rows()][
        1:
    ] == [
        ("23:00:00", "notice", "Anna was not reached: leak (refused)."),
        ("23:00:20", "notice", "Anna was notified: leak."),
        ("23:00:30", "notice", "Anna was notified again: leak."),
        ("23:00:40", "notice", "Anna was sent the outcome: leak."),
        ("23:00:50", "notice", "Anna was sent a test: leak."),
        ("23:01:00", "notice", "Anna was not reached: leak (refused)."),
        ("23:01:10", "notice", "Ben was not reached: leak (refused)."),
        ("23:01:20", "notice", "Anna was notified: the watch is silent."),
    ]


def test_changes_of_details_name_who_made_them() -> None:
    edits = (
        EditRow(Detail.LABEL, "", "lens", "anna", None, UTC_S),
        EditRow(Detail.LABEL, "lens", "lens, blue", "", None, None),
        EditRow(Detail.NOTE, "two bubbles", "", "ben", None, None),
        EditRow(Detail.RESIN, "clear", "clear", "anna", None, None),
        EditRow(Detail.MIXED_AT, "2026-01-01T21:30:00Z", "2026-01-01T21:40:00Z", "anna", None, None),
    )
    assert list(Happenings(made_report(edits=edits)).edits()) == [
        Row("01 Jan 22:00", "label", "lens (anna)"),
        Row("", "label", "lens, blue (unknown, before: lens)"),
        Row("", "note", "(cleared) (ben, before: two bubbles)"),
        Row("", "resin", "clear (anna)"),
        Row("", "mixed at", "01 Jan 21:40 (anna, before: 01 Jan 21:30)"),
    ]


# --- the page around them


def page(**changes: Any) -> dict[str, Any]:
    return _Words(made_report(**changes)).all()


@pytest.mark.parametrize(
    ("verdict", "sign", "mood"),
    [
        (Verdict.HELD, "●", "held"),
        (Verdict.LEAKED, "▲", "warned"),
        (Verdict.FELL_BELOW_FLOOR, "■", "failed"),
        (Verdict.VENTED_EARLY, "■", "failed"),
        (Verdict.INCOMPLETE, "○", "warned"),
    ],
)
def test_each_verdict_has_a_shape_and_a_colour(verdict: Verdict, sign: str, mood: str) -> None:
    said = page(summary=replace(NO_DETAILS, verdict=verdict))
    assert (said["sign"], said["mood"]) == (sign, mood)
    assert said["reason"] == "Air was lost from 23:00 on; the floor was kept."


def test_a_pot_that_held_above_its_maximum_warns_and_any_other_verdict_stays() -> None:
    above = (BatchAlarm(AlarmId.OVER_PRESSURE, 4900.0, None),)
    held = page(summary=replace(NO_DETAILS, verdict=Verdict.HELD, alarms=above))
    assert (held["sign"], held["mood"], held["verdict"]) == ("▲", "warned", HELD_ABOVE_MAXIMUM)
    fell = page(summary=replace(NO_DETAILS, verdict=Verdict.FELL_BELOW_FLOOR, alarms=above))
    assert (fell["sign"], fell["mood"]) == ("■", "failed")
    assert fell["verdict"] == VERDICT_WORDS[Verdict.FELL_BELOW_FLOOR]


def test_the_head_of_the_page() -> None:
    said = page()
    assert (said["batch"], said["pot"], said["title"], said["unfinished"]) == (7, "lantern", "Batch 7", "")
    assert said["when"] == "Thu 1 January 2026 22:00 to Fri 2 January 2026 08:06, 10 h 7 min"
    assert (said["rehearsed"], said["cast"], said["details"]) == (None, None, [])
    assert said["zone"] == "Times are local, +00:00 from UTC."
    assert said["calibration"] == "The pressure came from a recorded log."
    assert said["chart_words"].endswith("−4.3 psi air lost. 1 alarms.")
    assert (said["bar_wide"], said["versions"]) == (260.0, "1.0")
    one_day = page(summary=replace(NO_DETAILS, end_s=3700.0))
    assert one_day["when"] == "Thu 1 January 2026 22:00 to 23:00, 1 h"
    unknown = page(utc_less_t_s=None)
    assert unknown["when"] == "10 h 7 min; the wall clock was not known"
    assert unknown["zone"] == "Times are counted from the batch's start."
    assert page(settings={"timezone": "Europe/Paris", "workshop": "harbour"})["zone"] == (
        "Times are local (Europe/Paris), +00:00 from UTC."
    )
    twice = page(runs=(RUN, replace(RUN, version="1.1"), RUN))
    assert twice["versions"] == "1.0, 1.1"


def test_a_long_title_is_cut_and_shown_whole_among_the_details() -> None:
    assert page(details={Detail.LABEL: "x" * 90})["title"] == "x" * 90
    assert page(details={Detail.LABEL: "x" * 90})["details"] == []
    long = page(details={Detail.LABEL: "x" * 89 + "  yz"})
    assert long["title"] == "x" * 89 + "…"
    assert long["details"] == [("label", "x" * 89 + " yz")]


def test_details_say_which_came_from_the_last_batch() -> None:
    details = {
        Detail.RESIN: "clear",
        Detail.MOULD: "lens",
        Detail.NOTE: "two bubbles",
        Detail.OUTCOME: "flawed: a bubble",
        Detail.MIXED_AT: "2026-01-01T21:40:00Z",
    }
    edits = (EditRow(Detail.RESIN, "", "clear", LAST_BATCH, None, None),)
    said = page(details=details, edits=edits)
    assert dict(said["details"]) == {
        "resin": "clear (as the last batch)",
        "mould": "lens",
        "mixed at": "01 Jan 21:40",
    }
    assert (said["note"], said["cast"]) == ("two bubbles", ("■", "failed", "The cast is flawed: a bubble."))
    assert page(details={Detail.OUTCOME: "good"})["cast"] == ("●", "held", "The cast is good.")


def test_a_rehearsal_and_a_replay_say_so() -> None:
    assert page(rehearsed="sound")["rehearsed"] == (
        "Rehearsal",
        "A simulated night (sound): no pot, no resin, nothing measured.",
    )
    assert page(rehearsed="replay of log.csv")["rehearsed"] == (
        "Replayed recording",
        "Replayed afterwards from log.csv; it warned nobody.",
    )


def test_an_unfinished_batch_says_why() -> None:
    said = made_report(summary=replace(NO_DETAILS, complete=False))
    assert _Words(said).all()["unfinished"] == (
        "The record ends before the pot was vented: this is the state at 08:06."
    )
    still = replace(said, row=replace(said.row, end_t_s=None))
    assert _Words(still).all()["unfinished"] == "Still open: this is the state at 08:06."


@pytest.mark.parametrize(
    ("zero_pa", "slope", "said"),
    [
        (
            0.0,
            1.0,
            "The transducer was used as delivered; it was not calibrated against the pot's own gauge.",
        ),
        (PSI, 1.0, "The transducer was calibrated: zero 1.0 psi, slope 1 (true over reported)."),
        (0.0, 1.02, "The transducer was calibrated: zero 0.0 psi, slope 1.02 (true over reported)."),
    ],
)
def test_how_the_transducer_was_used(zero_pa: float, slope: float, said: str) -> None:
    transducer = Transducer(volts_per_count=1e-4, span_pa=7e5, zero_pa=zero_pa, slope=slope)
    assert page(pot=replace(POT, transducer=transducer))["calibration"] == said


def test_settings_are_listed_flat_in_the_wording_of_the_file() -> None:
    tree = {"a_b": {"c": 1, "d": [{"x": 1, "y": 2}, "z"]}, "e": None}
    assert list(_flat(tree)) == [("a b, c", "1"), ("a b, d", "1, 2"), ("a b, d", "z"), ("e", "None")]
    assert (_sentence(""), _sentence("air was lost")) == ("", "Air was lost.")
    assert file_name(7, "Lens, ♯2 Ä") == "batch-7-lens-2-a"
    assert file_name(7, "x" * 60) == f"batch-7-{'x' * 32}"
    assert file_name(7, "x" * 31 + " y") == f"batch-7-{'x' * 31}"
