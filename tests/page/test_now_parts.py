"""The live state part by part: a pot, its alarms, times, and which live file counts."""

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, T_S, UTC_S, alarm, with_alarms
from potvigil.live_reader import Live, LivePot
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    Cure,
    Priority,
    StandingAlarm,
)
from potvigil.model.reading import Sample
from potvigil.page.views import words
from potvigil.page.views.held import HELD_S, Held
from potvigil.page.views.now import (
    ASK_AGAIN_S,
    CARE_S,
    Now,
    live_pot,
    no_data,
    silent_pot,
    standing_of,
)
from potvigil.page.views.now import alarm as shown_alarm
from potvigil.page.views.strip import strip
from potvigil.page.views.words import Severity, WallClock
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from quick_page import quick_record

WALL = WallClock(UTC_S - T_S, UTC)
WITHDRAWN = (
    *("pressure", "pressure_pa", "corrected", "trend", "stage", "stage_word", "cure", "cure_progress"),
    *("forecast", "temperatures", "do"),
)


def pot_now(snapshot=HOLDING, pot=LANTERN, held=None, batch=2):
    return live_pot("lantern", LivePot(batch, snapshot, ()), pot, UTC, held or Held())


# --- a pot


def test_every_field_of_a_holding_pot() -> None:
    assert pot_now() == {
        "id": "lantern",
        "batch": 2,
        "label": "Lens 3, ♯2",
        "alarms": [],
        "word": "leak, may not hold",
        "do": None,
        "level": "warn",
        "sign": "▲",
        "pressure": "59.5 psi",
        "pressure_pa": 59.5 * PSI,
        "corrected": "59.8 psi",
        "trend": "Falling 1.50 psi/h: air is being lost.",
        "stage": "holding",
        "stage_word": "holding",
        "cure": "9 h to the end of the cure, about 07:00.",
        "cure_progress": 0.1,
        "cure_done": False,
        "forecast": words.forecast(HOLDING, UTC),
        "temperatures": "gas 21.2 °C, room 20.0 °C, contents 31.5 °C",
    }


def test_a_pot_with_little_data_has_no_figures() -> None:
    bare = pot_now(NOTHING_KNOWN, None, batch=None)
    assert (bare["pressure"], bare["pressure_pa"], bare["corrected"]) == (None, None, None)
    assert (bare["cure"], bare["cure_progress"], bare["cure_done"]) == (None, None, False)
    assert (bare["word"], bare["level"], bare["batch"]) == ("no reading", "unknown", None)
    unset = pot_now(HOLDING, None)
    assert unset["pressure"] == "59.5 psi"  # psi where no settings say otherwise
    assert pot_now(replace(HOLDING, cure=Cure(0.123456, T_S)))["cure_progress"] == 0.1235


@pytest.mark.parametrize(
    ("which", "trend", "forecast"),
    [
        (AlarmId.LEAK, False, True),
        (AlarmId.FLOOR_AHEAD, False, False),
        (AlarmId.SUPPLY_MASKING, False, True),
        (AlarmId.RAPID_LOSS, False, True),
        (AlarmId.VENTED_EARLY, False, True),
        (AlarmId.BELOW_FLOOR, True, False),
        (AlarmId.THERMOMETER, True, True),
    ],
)
def test_the_page_does_not_repeat_what_an_alarm_says(which, trend, forecast) -> None:
    pot = pot_now(with_alarms(alarm(which)))
    assert (pot["trend"] is not None, pot["forecast"] is not None) == (trend, forecast)
    over = pot_now(with_alarms(alarm(which, state=AlarmState.RETURNED)))
    assert over["trend"] and over["forecast"]  # a returned alarm covers nothing


def test_pressure_and_sentences_are_held_long_enough_to_read() -> None:
    held = Held()
    assert pot_now(held=held)["pressure"] == "59.5 psi"
    near = replace(HOLDING.reading, gauge_pa=59.57 * PSI)
    assert pot_now(replace(HOLDING, reading=near), held=held)["pressure"] == "59.5 psi"
    far = replace(HOLDING.reading, gauge_pa=59.59 * PSI)
    assert pot_now(replace(HOLDING, reading=far), held=held)["pressure"] == "59.6 psi"
    soon = replace(HOLDING, t_s=T_S + 1.0, corrected_gauge_pa=50 * PSI)
    assert pot_now(soon, held=held)["corrected"] == "59.8 psi"
    later = replace(HOLDING, t_s=T_S + HELD_S, corrected_gauge_pa=50 * PSI)
    assert pot_now(later, held=held)["corrected"] == "50.0 psi"
    held.forget()
    assert pot_now(replace(HOLDING, reading=near), held=held)["pressure"] == "59.6 psi"
    held.forget()
    assert pot_now(replace(HOLDING, corrected_gauge_pa=40 * PSI), held=held)["corrected"] == "40.0 psi"


def test_a_silent_watch_shows_only_its_alarms() -> None:
    state = silent_pot("lantern", LivePot(2, with_alarms(alarm()), ()), UTC, "03:30")
    assert {key: state[key] for key in WITHDRAWN} == dict.fromkeys(WITHDRAWN)
    assert (state["word"], state["level"], state["sign"]) == ("no data since 03:30", "unknown", "○")
    assert (state["cure_done"], state["batch"], state["label"]) == (False, 2, "Lens 3, ♯2")
    assert [each["old"] for each in state["alarms"]] == [True]
    assert [each["old"] for each in pot_now(with_alarms(alarm()))["alarms"]] == [False]
    assert no_data(None)["word"] == "no data"


# --- an alarm


def test_every_field_of_an_alarm() -> None:
    standing = alarm(do="Look at\x1b the lid", by_s=T_S + 3600.0, since_s=T_S - 100.0004)
    assert shown_alarm(standing, WALL, T_S, False) == {
        "alarm": "leak",
        "word": "leak",
        "level": "warn",
        "sign": "▲",
        "priority": "low",
        "state": "unacknowledged",
        "state_words": "not acknowledged",
        "since_s": T_S - 100.0,
        "since": "21:58",
        "do": "Look at\ufffd the lid by 23:00",
        "left_s": 3600.0,
        "text": "Air is being lost at 1.5 psi/h since 21:30.",
        "old": False,
        "is_new": True,
        "is_so": True,
    }
    timeless = shown_alarm(alarm(state=AlarmState.ACKNOWLEDGED), WallClock(None, UTC), T_S, True)
    assert (timeless["since"], timeless["left_s"]) == ("2 min ago", None)
    assert (timeless["is_new"], timeless["old"]) == (False, True)
    long_ago = shown_alarm(alarm(since_s=T_S - 70_000.0), WALL, T_S, False)
    assert long_ago["since"] == "Thu 02:33"


LEVELS = {
    # state: level if high, level if low, active if high, active if low
    AlarmState.UNACKNOWLEDGED: (Severity.ALARM, Severity.WARN, True, True),
    AlarmState.ACKNOWLEDGED: (Severity.ALARM, Severity.WARN, True, True),
    AlarmState.RETURNED: (Severity.WARN, Severity.NOTE, False, False),
    AlarmState.SHELVED: (Severity.WARN, Severity.NOTE, True, False),
}


@pytest.mark.parametrize("state", LEVELS)
def test_an_alarms_level_follows_from_state_and_priority(state) -> None:
    high_level, low_level, high_so, low_so = LEVELS[state]
    for priority, level, is_so in ((Priority.HIGH, high_level, high_so), (Priority.LOW, low_level, low_so)):
        standing = alarm(state=state, priority=priority)
        assert (words.alarm_level(standing), words.is_active(standing)) == (level, is_so)
    for note in (AlarmId.TEST, AlarmId.CLOCK_UNSET):
        assert words.alarm_level(alarm(note, state=state, priority=Priority.HIGH)) is Severity.NOTE


def test_the_most_urgent_active_alarm_says_what_to_do() -> None:
    low = alarm(AlarmId.THERMOMETER, do="Look at its wire")
    high = alarm(AlarmId.RAPID_LOSS, priority=Priority.HIGH, do="Look at the lid")
    assert pot_now(with_alarms(low, high))["do"] == "Look at the lid"
    assert pot_now(with_alarms(low, replace(high, state=AlarmState.RETURNED)))["do"] == "Look at its wire"
    assert pot_now(with_alarms(replace(high, state=AlarmState.RETURNED)))["do"] is None


def test_a_recorded_alarm_stands_as_of_its_latest_event() -> None:
    event = AlarmEvent(5.0, 6.0, AlarmId.LEAK, AlarmState.SHELVED, Priority.HIGH, "text")
    assert standing_of(replace(event, until_utc_s=7.0, do="do", by_s=8.0)) == StandingAlarm(
        AlarmId.LEAK, Priority.HIGH, AlarmState.SHELVED, 5.0, 6.0, "text", 7.0, "do", 8.0
    )  # fmt: skip


@pytest.mark.parametrize(
    ("t_s", "now_s", "text"),
    [
        (T_S, None, "22:00"),
        (T_S + 64_800.0, T_S, "16:00"),
        (T_S + 64_801.0, T_S, "Fri 16:00"),
        (T_S - 64_800.0, T_S, "04:00"),
        (T_S - 64_860.0, T_S, "Thu 03:59"),
        (T_S + 9e5, None, "08:00"),
    ],
)
def test_a_time_over_eighteen_hours_away_shows_its_day(t_s, now_s, text) -> None:
    assert WALL.clock(t_s, now_s) == text
    assert WallClock(None, UTC).clock(t_s, now_s) == ""


# --- all of it


class FakeReader:
    """A live-file reader with a fixed state. silent: the file is too old."""

    def __init__(self, live=None, silent=False) -> None:
        self.live, self.silent = live, silent

    def read(self):
        return self.live, self.silent or self.live is None


def live(snapshot=HOLDING, **changes) -> Live:
    known = Live("harbour-models", None, 1, 1.0, 0.0, 0.0, {"lantern": LivePot(2, snapshot, ())})
    return replace(known, **changes)


def pots_of(settings_json):
    return load_text(settings_json, "settings of a run").core_pots()


@pytest.fixture
def clock(monkeypatch):
    """A clock moved by the test: monotonic and Unix seconds."""
    now = {"monotonic": 1000.0, "unix": UTC_S + 60.0}
    monkeypatch.setattr("potvigil.page.views.now.time.monotonic", lambda: now["monotonic"])
    monkeypatch.setattr("potvigil.page.views.now.time.time", lambda: now["unix"])
    return now


@pytest.fixture
def opened(tmp_path):
    """Return a function that opens a record and counts its calls in `times`."""
    path = quick_record(tmp_path / "record.db")
    opened = []

    def open_store():
        opened.append(1)
        return Store.open_read_only(path)

    open_store.path, open_store.times = path, opened
    return open_store


def test_a_live_watch_is_shown_in_full(clock, opened) -> None:
    now = Now(FakeReader(live()), opened, pots_of)
    state = now.state()
    assert (state["silent"], state["since"], state["now"]) == (False, None, "22:00:00")
    assert (state["workshop"], state["rehearsed"], state["unit"]) == ("harbour-models", None, "psi")
    assert state["zone"] == "UTC+00:00"
    assert state["pots"] == [pot_now() | {"care": None}]
    assert state["strip"] == strip(state["pots"], None, None, words.local(UTC_S, UTC))
    assert now.live_of("lantern").snapshot == HOLDING and now.live_of("mast") is None
    last, is_silent, pots = now.heard()
    assert last == live() and not is_silent and set(pots) == {"lantern"}


def test_a_silent_watch_is_shown_with_last_contact_and_advice(clock, opened) -> None:
    now = Now(FakeReader(live(), silent=True), opened, pots_of)
    state = now.state()
    assert (state["silent"], state["since"], state["now"]) == (True, "22:00", "22:01:00")
    assert state["strip"]["do"].endswith("gauge, then see whether the watch is running")
    assert state["pots"][0]["word"] == "no data since 22:00"
    assert now.live_of("lantern") is None


def test_a_rehearsal_has_a_clock_of_its_own(clock, opened) -> None:
    clock["unix"] = UTC_S + 1e7
    rehearsed = live(rehearsed="sound")
    with Store.open(opened.path, create=False) as store:
        store._db.execute("UPDATE run SET rehearsed = 'sound'", ())
    for silent in (False, True):
        state = Now(FakeReader(rehearsed, silent), opened, pots_of).state()
        assert (state["now"], state["rehearsed"], state["silent"]) == ("22:00:00", "sound", silent)
    assert state["since"] == "22:00"
    assert state["strip"]["do"] == "The rehearsal has ended or paused: nothing here is current"


def test_a_missing_wall_clock_is_reported(clock, opened) -> None:
    state = Now(FakeReader(live(replace(HOLDING, utc_s=None))), opened, pots_of).state()
    assert state["now"] == "clock not set" and state["strip"]["as_of"] == "clock not set"
    silent = Now(FakeReader(live(replace(HOLDING, utc_s=None)), True), opened, pots_of).state()
    assert silent["since"] is None and silent["pots"][0]["word"] == "no data"


def test_without_a_watch_pots_and_alarms_come_from_the_record(clock, opened) -> None:
    with Store.open(opened.path, create=False) as store:
        low, state = Priority.LOW, AlarmState.UNACKNOWLEDGED
        store.add_event("lantern", 2, AlarmEvent(4000.0, UTC_S - 1000.0, AlarmId.LEAK, state, low, "Air."))
    state = Now(FakeReader(), opened, pots_of).state()
    (pot,) = state["pots"]
    assert (state["silent"], state["since"], state["workshop"]) == (True, "22:00", "harbour-models")
    assert (pot["id"], pot["batch"], pot["label"]) == ("lantern", 2, "lens 2")
    assert pot["word"] == "no data since 22:00"
    assert "since" not in pot and pot["pressure"] is None
    (standing,) = pot["alarms"]
    assert (standing["alarm"], standing["old"], standing["since"]) == ("leak", True, "21:43")
    with Store.open(opened.path, create=False) as store:
        store._db.execute("UPDATE sample SET utc_s = NULL", ())
        store._db.execute("UPDATE batch SET end_t_s = 5000.0 WHERE id = 2", ())
    bare = Now(FakeReader(), opened, pots_of).state()
    assert (bare["since"], bare["pots"][0]["batch"], bare["pots"][0]["label"]) == (None, None, "")
    assert Now(FakeReader(), opened, lambda _: {}).state()["pots"] == []  # no settings


def test_the_live_file_of_another_record_is_ignored(clock, opened) -> None:
    for other in (live(workshop="castle-models"), live(rehearsed="sound")):
        now = Now(FakeReader(other), opened, pots_of)
        assert now.state()["silent"] is True and now.live_of("lantern") is None
    now = Now(FakeReader(live(run=50.0)), opened, pots_of)  # another run: shown, but not part of this record
    assert now.state()["silent"] is False and now.live_of("lantern") is None
    close = Now(FakeReader(live(run=0.9)), opened, pots_of)
    close.state()
    assert close.live_of("lantern") is not None
    apart = Now(FakeReader(live(run=1.0)), opened, pots_of)
    apart.state()
    assert apart.live_of("lantern") is None


def test_a_record_is_reread_at_intervals_until_the_run_is_known(clock, opened) -> None:
    reader = FakeReader(live(run=50.0))
    now = Now(reader, opened, pots_of)
    now._care_again_s = float("inf")
    now.state()
    reads = len(opened.times)
    clock["monotonic"] += ASK_AGAIN_S - 0.1
    now.state()
    assert len(opened.times) == reads
    clock["monotonic"] += 0.1
    now.state()
    assert len(opened.times) == reads + 1
    reader.live = live()
    clock["monotonic"] += ASK_AGAIN_S
    now.state()
    for _ in range(3):
        clock["monotonic"] += 100.0
        now.state()
    assert len(opened.times) == reads + 2  # it is known now
    assert ASK_AGAIN_S == 5.0


def test_an_unreadable_record_leaves_known_data_in_place(clock, opened) -> None:
    now = Now(FakeReader(live(run=50.0)), opened, pots_of)
    assert now.state()["unit"] == "psi"
    opened.path.write_bytes(b"gone")
    clock["monotonic"] += 100.0
    assert now.state()["pots"][0]["word"] == "leak, may not hold"
    assert now.state()["zone"] == "UTC+00:00"
    fresh = Now(FakeReader(), opened, pots_of).state()
    assert (fresh["pots"], fresh["workshop"], fresh["unit"]) == ([], "", "psi")


def test_care_due_is_read_once_a_minute(clock, opened) -> None:
    now = Now(FakeReader(live()), opened, pots_of)
    assert now.state()["pots"][0]["care"] is None
    with Store.open(opened.path, create=False) as store:
        store.add_care("lantern", 1.5e9, "seal", "ring", "anna", 1.5e9, due_utc_s=1.6e9)
    clock["monotonic"] += CARE_S - 1.0
    assert now.state()["pots"][0]["care"] is None
    clock["monotonic"] += 1.0
    assert now.state()["pots"][0]["care"].startswith("Overdue since 13 September 2020: the seal")
    assert CARE_S == 60.0


def test_held_figures_are_forgotten_after_silence(clock, opened) -> None:
    reader = FakeReader(live())
    now = Now(reader, opened, pots_of)
    assert now.state()["pots"][0]["pressure"] == "59.5 psi"
    reader.live = live(replace(HOLDING, reading=replace(HOLDING.reading, gauge_pa=59.57 * PSI)))
    assert now.state()["pots"][0]["pressure"] == "59.5 psi"
    reader.silent = True
    now.state()
    reader.silent = False
    assert now.state()["pots"][0]["pressure"] == "59.6 psi"


def test_pots_are_listed_most_urgent_first(clock, opened) -> None:
    calm = replace(HOLDING, pot_id="mast", leak=None, forecast=None)
    both = {"mast": LivePot(None, calm, ()), "lantern": LivePot(2, HOLDING, ())}
    state = Now(FakeReader(live(pots=both)), opened, pots_of).state()
    assert [each["id"] for each in state["pots"]] == ["lantern", "mast"]
    assert state["strip"]["pot"] == "lantern"


def test_every_pot_of_the_settings_is_shown_from_the_record_as_of_the_newest_reading(clock, opened) -> None:
    with Store.open(opened.path, create=False) as store:
        for pot_id, utc_s in (("mast", UTC_S + 30.0 * 60.0), ("beacon", UTC_S + 3600.0)):
            store.append(pot_id, Sample(9000.0, utc_s, gauge_pa=1e5))
        low = Priority.LOW
        for pot_id, which in (("lantern", AlarmId.LEAK), ("mast", AlarmId.THERMOMETER)):
            event = AlarmEvent(4000.0, None, which, AlarmState.ACKNOWLEDGED, low, "Seen.")
            store.add_event(pot_id, None, event)

    def two(settings_json):
        (pot,) = pots_of(settings_json).values()
        return {"lantern": pot, "mast": pot}

    clock["unix"] = UTC_S + 7200.0
    state = Now(FakeReader(), opened, two).state()
    assert (state["since"], state["now"]) == ("22:30", "00:00:00")
    assert {each["id"]: [one["alarm"] for one in each["alarms"]] for each in state["pots"]} == {
        "lantern": ["leak"],
        "mast": ["thermometer"],
    }
    by_id = {each["id"]: each for each in state["pots"]}
    assert by_id["lantern"]["alarms"][0]["since"] == "0 s ago"  # the wall clock was not set
    assert (by_id["mast"]["batch"], by_id["mast"]["label"]) == (None, "")
    assert {each["word"] for each in state["pots"]} == {"no data since 22:30"}


def test_a_time_is_told_to_a_thousandth_of_a_second() -> None:
    standing = alarm(since_s=T_S - 100.1256, by_s=T_S + 60.5)
    shown = shown_alarm(standing, WALL, T_S, False)
    assert (shown["since_s"], shown["left_s"]) == (round(T_S - 100.1256, 3), 60.5)
    assert shown["since_s"] not in (round(T_S - 100.1256, 2), round(T_S - 100.1256, 4))


def test_a_silent_watch_of_yesterday_is_shown_with_its_day(clock, opened) -> None:
    clock["unix"] = UTC_S + 64_801.0
    silent = Now(FakeReader(live(), silent=True), opened, pots_of).state()
    assert silent["since"] == "Thu 22:00" and silent["pots"][0]["word"] == "no data since Thu 22:00"
    recorded = Now(FakeReader(), opened, pots_of).state()
    assert recorded["since"] == "Thu 22:00"


def test_units_and_zone_are_those_of_the_first_pot(clock, opened) -> None:
    tokyo = replace(LANTERN, pressure_unit="bar", tz=ZoneInfo("Asia/Tokyo"))
    state = Now(FakeReader(live()), opened, lambda _: {"lantern": tokyo, "mast": LANTERN}).state()
    assert (state["unit"], state["zone"], state["now"]) == (*("bar", "Asia/Tokyo, UTC+09:00", "07:00:00"),)
    assert state["pots"][0]["pressure"] == "4.10 bar"
    assert state["pots"][0]["cure"].endswith("about 16:00.")


def test_care_that_cannot_be_read_stays_as_known(clock, opened) -> None:
    with Store.open(opened.path, create=False) as store:
        store.add_care("lantern", 1.5e9, "seal", "ring", "anna", 1.5e9, due_utc_s=1.6e9)
    now = Now(FakeReader(live()), opened, pots_of)
    care = now.state()["pots"][0]["care"]
    assert care.startswith("Overdue")
    opened.path.write_bytes(b"gone")
    clock["monotonic"] += CARE_S
    assert now.state()["pots"][0]["care"] == care


def test_a_live_state_is_of_this_record_only_while_its_run_is_the_last(clock, opened) -> None:
    for run, is_known in ((-0.9, True), (0.9, True), (-1.0, False), (2.0, False)):
        now = Now(FakeReader(live(run=run)), opened, pots_of)
        now.state()
        assert (now.live_of("lantern") is not None) is is_known
    reader = FakeReader(live())
    now = Now(reader, opened, pots_of)
    now.state()
    reader.silent = True
    assert now.live_of("lantern") is None and now.heard()[:2] == (live(), True)
    reader.live, reader.silent = None, False
    assert now.live_of("lantern") is None and now.heard()[:2] == (None, True)
