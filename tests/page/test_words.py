"""The exact words of a pot, on hand-made snapshots."""

import re
from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, T_S, UTC_S, alarm, with_alarms
from potvigil.model.events import (
    AlarmId,
    AlarmState,
    Change,
    Cure,
    FloorForecast,
    Interval,
    Priority,
    Stage,
    Verdict,
)
from potvigil.model.pot import Supply
from potvigil.model.reading import Quality
from potvigil.page.views import words
from potvigil.page.views.words import Severity, WallClock
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.silence import LOOK_AT_THE_GAUGE

WALL = WallClock(UTC_S - T_S, UTC)
SOUND = replace(
    HOLDING,
    leak=replace(HOLDING.leak, established=False, rate_pa_per_s=Interval(0.0, -0.01, 0.01), onset_s=None),
    forecast=None,
)


def test_every_alarm_verdict_and_stage_has_words_of_its_own():
    assert set(ALARM_WORDS) == set(AlarmId)
    assert set(words.STAGE_WORDS) == set(Stage)
    assert set(words.VERDICT_WORDS) == set(Verdict)
    texts = [*ALARM_WORDS.values(), *words.STAGE_WORDS.values()]
    assert len(set(texts)) == len(texts)
    assert not any("safe" in text or "!" in text for text in texts)


@pytest.mark.parametrize(
    "leak", [None, alarm(state=AlarmState.RETURNED), alarm(state=AlarmState.SHELVED)], ids=str
)
def test_a_leaking_pot_is_never_green_and_never_holding(leak):
    """Not even while its alarm is still to come, shelved or returned."""
    snapshot = replace(HOLDING, alarms=() if leak is None else (leak,))
    assert "air is being lost" in words.trend(snapshot, LANTERN, "psi")
    assert words.word(snapshot, LANTERN) == ("leak, may not hold", Severity.WARN)
    assert words.word(replace(SOUND, alarms=()), LANTERN) == ("holding", Severity.CALM)


def test_after_the_cure_there_is_no_floor_forecast():
    assert words.forecast(HOLDING, UTC) is not None
    assert words.forecast(replace(HOLDING, cure=replace(HOLDING.cure, progress=1.0)), UTC) is None


def test_the_most_pressing_alarm_gives_the_word():
    high = alarm(AlarmId.FLOOR_AHEAD, priority=Priority.HIGH)
    low = alarm(AlarmId.THERMOMETER)
    assert words.word(with_alarms(high, low), LANTERN) == ("leak: floor ahead", Severity.ALARM)
    seen = replace(high, state=AlarmState.ACKNOWLEDGED)
    assert words.word(with_alarms(seen, low), LANTERN) == ("leak: floor ahead", Severity.ALARM)
    over = replace(high, state=AlarmState.RETURNED)
    assert words.word(replace(SOUND, alarms=(over,)), LANTERN) == ("holding", Severity.WARN)
    shelved = replace(high, state=AlarmState.SHELVED)
    assert words.word(with_alarms(shelved), LANTERN) == ("leak: floor ahead", Severity.WARN)
    shelved = replace(SOUND, alarms=(replace(low, state=AlarmState.SHELVED),))
    assert words.word(shelved, LANTERN) == ("holding", Severity.NOTE)
    assert HOLDING.cure is not None
    late_s, early_s = HOLDING.cure.done_s + 60.0, HOLDING.cure.done_s - 60.0
    holds = replace(with_alarms(alarm()), forecast=FloorForecast(late_s, late_s, None, False, None))
    assert words.word(holds, LANTERN) == ("leak, but it will hold", Severity.WARN)
    unsure = replace(holds, forecast=FloorForecast(late_s, early_s, None, False, None))
    assert words.word(unsure, LANTERN) == ("leak, may not hold", Severity.WARN)
    unknown = replace(holds, forecast=None)
    assert words.word(unknown, LANTERN) == ("leak", Severity.WARN)
    regulated = replace(LANTERN, supply=Supply.REGULATED)
    assert words.word(unknown, regulated) == ("leak, made up by the supply", Severity.WARN)
    assert words.word(unsure, regulated) == ("leak, may not hold", Severity.WARN)  # it no longer supplies air
    assert words.word(replace(SOUND, alarms=()), LANTERN) == ("holding", Severity.CALM)


def test_without_a_reading_nothing_is_calm():
    assert words.word(NOTHING_KNOWN, LANTERN) == ("no reading", Severity.UNKNOWN)
    bad = replace(HOLDING, reading=replace(HOLDING.reading, quality=Quality.BAD), alarms=())
    assert words.word(bad, LANTERN)[1] is Severity.UNKNOWN
    assert words.trend(NOTHING_KNOWN, LANTERN, "psi") == LOOK_AT_THE_GAUGE


def test_a_finished_cure_is_announced_unless_a_high_alarm_is_active():
    done = replace(SOUND, cure=Cure(1.0, T_S - 600.0))
    assert words.word(done, LANTERN) == (words.CURE_DONE, Severity.CALM)
    pressing = replace(done, alarms=(alarm(AlarmId.OVER_PRESSURE, priority=Priority.HIGH),))
    assert words.word(pressing, LANTERN) == ("above the maximum", Severity.ALARM)
    vented = replace(done, stage=Stage.OPEN)
    assert words.word(vented, LANTERN)[0] == "open, empty"


@pytest.mark.parametrize(
    ("total", "cooling", "barometer", "top_up", "trend"),
    [
        (0.0, 0.0, 0.0, 0.0, "Steady: no air loss detected."),
        (-0.04, -0.04, 0.0, 0.0, "Steady: no air loss detected."),
        (-2.0, -1.9, -0.1, 0.0, "Steady: the fall of 2.0 psi is cooling; no air loss detected."),
        (1.0, 1.1, -0.1, 0.0, "Steady: the rise of 1.0 psi is warming; no air loss detected."),
        (
            -0.3,
            -0.1,
            -0.2,
            0.0,
            "Steady: the fall of 0.3 psi is a change in the air pressure outside; no air loss detected.",
        ),
        (3.0, -0.5, 0.0, 3.5, "Steady: the rise of 3.0 psi is air let in; no air loss detected."),
        (-1.0, -0.3, -0.2, 0.0, "Down 1.0 psi since the hold began; no air loss detected."),
    ],
)
def test_a_sound_pots_change_of_pressure_is_explained(total, cooling, barometer, top_up, trend):
    leak = total - cooling - barometer - top_up
    change = Change(*(PSI * part for part in (total, cooling, barometer, leak, top_up)))
    assert words.trend(replace(SOUND, change=change), LANTERN, "psi") == trend


def test_without_a_thermometer_no_cause_is_named():
    bare = replace(SOUND.reading, gas_k=None, wall_k=None, room_k=None)
    change = Change(-2.0 * PSI, -2.0 * PSI, 0.0, 0.0, 0.0)
    trend = words.trend(replace(SOUND, reading=bare, change=change), LANTERN, "psi")
    assert trend == "Down 2.0 psi since the hold began; no air loss detected."


def test_an_old_estimate_is_not_shown():
    old = replace(HOLDING, leak=replace(HOLDING.leak, t_s=T_S - 1000.0))
    assert words.trend(old, LANTERN, "psi") == "Too early to tell whether air is being lost."
    assert words.forecast(old, UTC) is None
    assert words.trend(HOLDING, LANTERN, "psi") == "Falling 1.50 psi/h: air is being lost."
    regulated = replace(LANTERN, supply=Supply.REGULATED)
    assert (
        words.trend(replace(HOLDING, forecast=None), regulated, "psi")
        == "Losing 1.50 psi/h: air is being lost, and the supply makes up for it."
    )


def test_the_cure_is_counted_down():
    # 22:00 UTC and 9 h from now
    assert words.cure(HOLDING, WALL) == "9 h to the end of the cure, about 07:00."
    assert words.cure(HOLDING, WallClock(None, UTC)) == "9 h to the end of the cure."
    warm = replace(HOLDING, cure=Cure(0.1, T_S + 32_400.0, T_S + 30_600.0, T_S + 36_000.0))
    assert words.cure(warm, WALL) == "9 h to the end of the cure, about 07:00 (06:30-08:00)."
    done = replace(HOLDING, cure=Cure(1.0, T_S - 3600.0))
    assert words.cure(done, WALL) == "The cure is done, since 21:00."
    far = replace(HOLDING, cure=Cure(0.1, T_S + 60 * 3600.0))
    assert words.cure(far, WALL) == "60 h to the end of the cure, about Sun 10:00."  # 4 January 2026
    halifax = WallClock(UTC_S - T_S, ZoneInfo("America/Halifax"))  # UTC-4 in winter
    assert words.cure(HOLDING, halifax) == "9 h to the end of the cure, about 03:00."
    assert words.cure(NOTHING_KNOWN, WALL) is None


def test_the_forecast_says_when_and_what_topping_up_would_do():
    forecast = FloorForecast(T_S + 31_380.0, T_S + 25_200.0, T_S + 47_880.0, True, T_S + 32_000.0)
    text = words.forecast(replace(HOLDING, forecast=forecast), UTC)
    assert (
        text == "Falls below the floor about 06:43 (05:00-11:18), before the cure is done. "
        "A top-up now lasts at least until 06:53."
    )
    through = replace(forecast, top_up_until_s=T_S + 40_000.0)
    text = words.forecast(replace(HOLDING, forecast=through), UTC)
    assert (
        text == "Falls below the floor about 06:43 (05:00-11:18), before the cure is done. "
        "A top-up now lasts through the cure."
    )
    later = replace(forecast, before_cure_done=False)
    assert words.forecast(replace(HOLDING, forecast=later), UTC).endswith("after the cure is done.")
    below = FloorForecast(T_S, T_S, T_S, True, None)
    assert words.forecast(replace(HOLDING, forecast=below), UTC) == "The pressure is below the floor."
    for stage in (Stage.OPEN, Stage.FILLING, Stage.VENTING):
        assert words.forecast(replace(HOLDING, forecast=forecast, stage=stage), UTC) is None


def test_a_missing_thermometer_is_shown_as_no_reading():
    assert words.temperatures(HOLDING, LANTERN) == "gas 21.2 °C, room 20.0 °C, contents 31.5 °C"
    gone = replace(HOLDING, reading=replace(HOLDING.reading, gas_k=None, contents_k=None))
    assert words.temperatures(gone, LANTERN) == "gas no reading, room 20.0 °C, contents no reading"
    american = replace(LANTERN, temperature_unit="F")
    assert words.temperatures(HOLDING, american) == "gas 70.2 °F, room 68.0 °F, contents 88.7 °F"


@given(
    stage=st.sampled_from(Stage),
    gauge=st.none() | st.floats(-1e5, 1e6),
    total=st.floats(-5e5, 5e5),
    cooling=st.floats(-5e5, 5e5),
    progress=st.floats(0.0, 1.0),
    done=st.floats(-1e5, 1e6),
    unit=st.sampled_from(["psi", "bar", "kPa"]),
    alarms=st.lists(
        st.tuples(st.sampled_from(AlarmId), st.sampled_from(Priority), st.sampled_from(AlarmState)),
        max_size=4,
    ),
)
@settings(max_examples=300, deadline=None)
def test_every_snapshot_has_words(stage, gauge, total, cooling, progress, done, unit, alarms):
    snapshot = replace(
        HOLDING,
        stage=stage,
        reading=replace(HOLDING.reading, gauge_pa=gauge),
        change=Change(total, cooling, 0.0, total - cooling, 0.0),
        cure=Cure(progress, T_S + done),
        alarms=tuple(alarm(which, priority=each, state=state) for which, each, state in alarms),
    )
    for pot in (LANTERN, None):
        word, level = words.word(snapshot, pot)
        assert word and level in Severity
        for text in (
            words.trend(snapshot, pot, unit),
            words.cure(snapshot, WALL),
            words.forecast(snapshot, UTC),
        ):
            assert text is None or re.fullmatch(r"[A-Z0-9].*\.", text)
            assert "nan" not in (text or "")


# --- words by the stage, the order of the alarms, and limits


@pytest.mark.parametrize(
    ("stage", "sound", "leaking"),
    [
        (Stage.OPEN, None, None),
        (Stage.FILLING, "The pressure is rising.", "The pressure is rising."),
        (Stage.VENTING, "The pressure is being let out.", "The pressure is being let out."),
        (
            Stage.SETTLING,
            "Settling: the air is still cooling from the fill.",
            "Falling 1.50 psi/h: air is being lost.",
        ),
    ],
)
def test_the_trend_follows_the_stage(stage, sound, leaking):
    assert words.trend(replace(SOUND, stage=stage), LANTERN, "psi") == sound
    assert words.trend(replace(HOLDING, stage=stage), LANTERN, "psi") == leaking


def test_a_bad_reading_has_no_trend():
    bad = replace(HOLDING, reading=replace(HOLDING.reading, quality=Quality.BAD))
    unknown = replace(HOLDING, reading=replace(HOLDING.reading, gauge_pa=None))
    for snapshot in (bad, unknown):
        assert words.trend(snapshot, LANTERN, "psi") == LOOK_AT_THE_GAUGE
        assert words.word(snapshot, LANTERN) == ("no reading", Severity.UNKNOWN)


@pytest.mark.parametrize("changes", [{"leak": None}, {"change": None}, {"leak": None, "change": None}])
def test_without_an_estimate_it_is_too_early_to_tell(changes):
    assert words.trend(replace(SOUND, **changes), LANTERN, "psi") == (
        "Too early to tell whether air is being lost."
    )


@pytest.mark.parametrize(
    ("total", "parts", "trend"),
    [
        (-0.11, (-0.11, 0.0, 0.0), "Steady: the fall of 0.1 psi is cooling; no air loss detected."),
        (-0.09, (-0.09, 0.0, 0.0), "Steady: no air loss detected."),
        (0.09, (0.09, 0.0, 0.0), "Steady: no air loss detected."),
        (2.0, (0.9, 0.0, 0.9), "Up 2.0 psi since the hold began; no air loss detected."),
        (2.0, (0.2, 1.0, 0.5), "Steady: the rise of 2.0 psi is a change in the air pressure outside; "
         "no air loss detected."),
        (-2.0, (-0.2, -0.3, -1.2), "Steady: the fall of 2.0 psi is air let in; no air loss detected."),
    ],
)  # fmt: skip
def test_half_a_change_has_to_have_the_cause_that_is_named(total, parts, trend):
    cooling, barometer, top_up = (PSI * part for part in parts)
    change = Change(PSI * total, cooling, barometer, 0.0, top_up)
    assert words.trend(replace(SOUND, change=change), LANTERN, "psi") == trend


def test_with_a_thermometer_in_the_room_it_is_the_room_that_cools():
    room = replace(SOUND.reading, gas_k=None, wall_k=None)
    for total, why in ((-2.0, "fall of 2.0 psi is the room cooling"), (2.0, "rise of 2.0 psi is warming")):
        change = Change(total * PSI, total * PSI, 0.0, 0.0, 0.0)
        trend = words.trend(replace(SOUND, reading=room, change=change), LANTERN, "psi")
        assert trend == f"Steady: the {why}; no air loss detected."


def test_the_first_of_several_alarms_gives_the_word():
    first, second = (
        alarm(each, priority=Priority.HIGH) for each in (AlarmId.BELOW_FLOOR, AlarmId.RAPID_LOSS)
    )
    for one, other in ((first, second), (second, first)):
        assert words.word(with_alarms(one, other), LANTERN)[0] == ALARM_WORDS[one.alarm]
    low, other, leak = (alarm(each) for each in (AlarmId.THERMOMETER, AlarmId.SIGNALS_FAILING, AlarmId.LEAK))
    for snapshot in (SOUND, HOLDING):
        for alarms in ((low, other), (other, low), (low, leak)):
            named = words.word(replace(snapshot, alarms=alarms), LANTERN)
            assert named == (ALARM_WORDS[alarms[0].alarm], Severity.WARN)
    assert words.word(with_alarms(leak, low), LANTERN) == ("leak, may not hold", Severity.WARN)
    assert words.word(replace(SOUND, alarms=(leak, low)), LANTERN) == ("leak", Severity.WARN)
    filling = replace(with_alarms(leak), stage=Stage.FILLING)
    assert words.word(filling, LANTERN) == ("leak", Severity.WARN)
    settling = replace(HOLDING, stage=Stage.SETTLING)
    assert words.word(settling, LANTERN) == ("leak, may not hold", Severity.WARN)


@pytest.mark.parametrize(("progress", "is_done"), [(0.6, False), (0.999, False), (1.0, True), (1.5, True)])
def test_a_cure_is_done_at_its_whole_and_not_before(progress, is_done):
    snapshot = replace(SOUND, cure=Cure(progress, T_S - 600.0 if is_done else T_S + 600.0))
    assert words.is_cure_done(snapshot) is is_done
    assert (words.word(snapshot, LANTERN)[0] == words.CURE_DONE) is is_done
    assert words.cure(snapshot, WALL) == (
        "The cure is done, since 21:50." if is_done else "10 min to the end of the cure, about 22:10."
    )
    assert words.is_cure_done(replace(snapshot, stage=Stage.SETTLING)) is is_done
    assert not words.is_cure_done(replace(snapshot, stage=Stage.VENTING))
    assert not words.is_cure_done(replace(snapshot, cure=None))


def test_the_end_of_a_cure_has_limits_only_where_both_are_known():
    done_s = T_S + 32_400.0
    for early_s, late_s in ((done_s - 60.0, None), (None, done_s + 60.0)):
        cure = Cure(0.1, done_s, early_s, late_s)
        assert words.cure(replace(HOLDING, cure=cure), WALL) == "9 h to the end of the cure, about 07:00."
    done = replace(HOLDING, cure=Cure(1.0, T_S - 60.0))
    assert words.cure(done, WallClock(None, UTC)) == "The cure is done."
    long_ago = replace(HOLDING, cure=Cure(1.0, T_S - 20 * 3600.0))
    assert words.cure(long_ago, WALL) == "The cure is done, since Thu 02:00."


def test_a_top_up_is_advised_only_before_the_end_of_the_cure():
    known = FloorForecast(T_S + 31_380.0, T_S + 25_200.0, None, True, T_S + 32_400.0)
    assert words.forecast(replace(HOLDING, forecast=known), UTC).endswith(" lasts through the cure.")
    sooner = replace(known, top_up_until_s=T_S + 32_399.0)
    assert " lasts at least until 06:5" in words.forecast(replace(HOLDING, forecast=sooner), UTC)
    uncured = replace(HOLDING, cure=None, forecast=known)
    assert " lasts at least until 07:00" in words.forecast(uncured, UTC)
    for useless in (replace(known, top_up_until_s=None), replace(known, before_cure_done=False)):
        assert "top-up" not in words.forecast(replace(HOLDING, forecast=useless), UTC)
    below = replace(HOLDING, forecast=replace(known, crossing_s=T_S - 0.5))
    assert words.forecast(below, UTC) == "The pressure is below the floor."
    ahead = replace(HOLDING, forecast=replace(known, crossing_s=T_S + 0.5))
    assert words.forecast(ahead, UTC).startswith("Falls below the floor")
    settling = replace(HOLDING, forecast=known, stage=Stage.SETTLING)
    assert words.forecast(settling, UTC) is not None


@pytest.mark.parametrize(("earliest_s", "word"), [(-1.0, "may not hold"), (0.0, "but it will hold")])
def test_a_leak_may_not_hold_where_the_floor_may_come_before_the_end_of_the_cure(earliest_s, word):
    done_s = HOLDING.cure.done_s
    forecast = FloorForecast(done_s + 60.0, done_s + earliest_s, None, False, None)
    assert words.word(replace(HOLDING, forecast=forecast), LANTERN)[0] == f"leak, {word}"
    assert words.word(replace(HOLDING, forecast=forecast, cure=None), LANTERN)[0] == "leak"


def test_thermometers_that_are_not_there_are_left_out():
    assert words.temperatures(NOTHING_KNOWN, None) is None
    assert words.temperatures(HOLDING, None) == "gas 21.2 °C, room 20.0 °C, contents 31.5 °C"
    gone = replace(HOLDING, reading=replace(HOLDING.reading, gas_k=None))
    assert words.temperatures(gone, None) == "room 20.0 °C, contents 31.5 °C"
