"""Rhythms, announcements and pins: every figure, every boundary, and when the thread wakes."""

import threading
from types import SimpleNamespace
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from demo_pot import alarm
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, Command, Priority, StandingAlarm
from potvigil.outputs import patterns, signals
from potvigil.outputs.patterns import (
    CALLS,
    CALM,
    HELD,
    LIT,
    PRESSED,
    QUICK,
    SLOW,
    TWICE,
    Lamp,
    Rhythm,
    Show,
    Standing,
    show,
)
from potvigil.outputs.signals import Pins, Signals, Wiring, open_pins

UNSEEN, SEEN, OVER, ASIDE = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED,
    AlarmState.SHELVED,
)
HIGH, MEDIUM, LOW = Priority.HIGH, Priority.MEDIUM, Priority.LOW


# --- rhythms


def test_every_rhythm_is_pinned() -> None:
    assert [(each.period_s, each.on) for each in (CALM, LIT, TWICE, SLOW, QUICK, PRESSED, HELD)] == [
        (4.0, ((0.0, 0.15),)),
        (4.0, ((0.3, 4.0),)),
        (4.0, ((0.0, 0.2), (0.6, 0.8))),
        (2.0, ((0.0, 0.5),)),
        (0.5, ((0.0, 0.25),)),
        (1.0, ((0.0, 1.0),)),
        (0.25, ((0.0, 0.125),)),
    ]
    assert {each: (call.priority, call.lasts_s) for each, call in CALLS.items()} == {
        HIGH: (HIGH, 180.0),
        MEDIUM: (MEDIUM, 60.0),
        LOW: (LOW, 2.0),
    }
    assert {each: (call.burst.period_s, call.burst.on) for each, call in CALLS.items()} == {
        HIGH: (10.0, ((0.0, 0.2), (0.4, 0.6), (0.8, 1.0), (1.8, 2.0), (2.2, 2.4))),
        MEDIUM: (20.0, ((0.0, 0.25), (0.6, 0.85), (1.2, 1.45))),
        LOW: (30.0, ((0.0, 0.25), (0.8, 1.05))),
    }


PAIR = Rhythm("", 4.0, ((0.5, 1.0), (2.0, 2.5)))


@pytest.mark.parametrize(
    ("t_s", "is_on", "edge_s"),
    [
        *((0.0, False, 0.5), (0.5, True, 0.5), (0.75, True, 0.25), (1.0, False, 1.0), (2.25, True, 0.25)),
        *((2.5, False, 1.5), (3.75, False, 0.25), (4.0, False, 0.5), (404.75, True, 0.25)),
    ],
)
def test_a_pulse_includes_its_start_and_excludes_its_end(t_s: float, is_on: bool, edge_s: float) -> None:
    assert (PAIR.is_on(t_s), PAIR.next_edge_s(t_s)) == (is_on, edge_s)


@pytest.mark.parametrize(
    ("t_s", "sounds", "edge_s"),
    [
        (99.75, False, 1.25),  # not begun: only the lamp has an edge
        (100.0, True, 0.25),
        (100.25, False, 0.55),
        (101.0, True, 0.05),
        (101.99, False, 0.01),  # the burst's own next is 28 s away
        (102.0, False, 1.0),
        (130.0, False, 1.0),  # over, though its rhythm would start again
    ],
)
def test_an_announcement_sounds_from_its_start_for_its_length(
    t_s: float, sounds: bool, edge_s: float
) -> None:
    shown = Show({Lamp.ALARM: Rhythm("", 3.0, ((0.0, 1.0),))}, CALLS[LOW], 100.0)
    assert shown.sounds(t_s) is sounds
    lamp_s = shown.lamps[Lamp.ALARM].next_edge_s(t_s)
    if 100.0 <= t_s < 102.0:
        assert shown.next_edge_s(t_s) == pytest.approx(min(lamp_s, CALLS[LOW].burst.next_edge_s(t_s - 100.0)))
    else:
        assert shown.next_edge_s(t_s) == lamp_s


def test_a_dark_signal_has_no_edge() -> None:
    assert Show({}).next_edge_s(5.0) is None
    assert Show({}, CALLS[LOW], 10.0).next_edge_s(9.9) is None
    assert Show({}, CALLS[LOW], 10.0).next_edge_s(10.0) == 0.25
    assert Show({}, CALLS[LOW], 10.0).next_edge_s(12.0) is None
    assert not Show({}).sounds(0.0) and not Show({}).is_lit(Lamp.ALARM, 0.0)


# --- which of them


@pytest.mark.parametrize("state", AlarmState)
@pytest.mark.parametrize("priority", Priority)
def test_each_alarm_has_its_lamp_and_its_rhythm(priority: Priority, state: AlarmState) -> None:
    shown = show([Standing(AlarmId.LEAK, priority, state)], set(Lamp), False, 0.0)
    rhythm = {
        UNSEEN: QUICK if priority is HIGH else SLOW,
        OVER: TWICE,
        AlarmState.NORMAL: CALM,
    }.get(state, LIT)
    lamp = Lamp.CALM if rhythm is CALM else Lamp.ALARM if priority is HIGH else Lamp.NOTE
    assert shown == Show({lamp: rhythm})


@pytest.mark.parametrize(
    ("fitted", "lamp", "there"),
    [
        ({Lamp.CALM, Lamp.NOTE, Lamp.ALARM}, Lamp.CALM, Lamp.CALM),
        ({Lamp.NOTE, Lamp.ALARM}, Lamp.CALM, Lamp.NOTE),
        ({Lamp.ALARM}, Lamp.CALM, Lamp.ALARM),
        ({Lamp.ALARM}, Lamp.NOTE, Lamp.ALARM),
        ({Lamp.CALM, Lamp.ALARM}, Lamp.NOTE, Lamp.ALARM),
        ({Lamp.CALM, Lamp.NOTE}, Lamp.ALARM, Lamp.NOTE),
        ({Lamp.CALM}, Lamp.ALARM, Lamp.CALM),
        ({Lamp.CALM}, Lamp.NOTE, Lamp.CALM),
        (set(), Lamp.ALARM, None),
    ],
)
def test_a_missing_lamp_has_a_stand_in(fitted: set[Lamp], lamp: Lamp, there: Lamp | None) -> None:
    assert patterns._stand_in(lamp, fitted) is there


def test_a_shared_lamp_shows_the_most_urgent_alarm() -> None:
    alarms = [
        Standing(AlarmId.LEAK, LOW, ASIDE),
        Standing(AlarmId.THERMOMETER, LOW, OVER),
        Standing(AlarmId.OVER_PRESSURE, LOW, UNSEEN),
        Standing(AlarmId.FLOOR_AHEAD, HIGH, UNSEEN),
    ]
    found = [show(alarms[:n], {Lamp.ALARM}, False, 0.0).lamps[Lamp.ALARM] for n in range(5)]
    assert found == [CALM, LIT, TWICE, SLOW, QUICK]
    assert show(alarms, set(Lamp), False, 0.0).lamps == {Lamp.ALARM: QUICK, Lamp.NOTE: SLOW}


def called(*alarms: tuple[Priority, float | None], quiet: bool = False, t_s: float = 100.0) -> Any:
    standing = [Standing(AlarmId.LEAK, priority, UNSEEN, announced_s) for priority, announced_s in alarms]
    shown = show(standing, {Lamp.ALARM}, quiet, t_s)
    return None if shown.call is None else (shown.call.priority, shown.called_s)


def test_the_buzzer_sounds_for_the_most_urgent_then_the_oldest_alarm() -> None:
    assert called() is None and called((LOW, None)) is None
    assert called((LOW, 98.1)) == (LOW, 98.1) and called((LOW, 98.0)) is None
    assert called((MEDIUM, 40.5)) == (MEDIUM, 40.5) and called((MEDIUM, 40.0)) is None
    assert called((HIGH, 100.0), t_s=279.9) == (HIGH, 100.0) and called((HIGH, 100.0), t_s=280.0) is None
    assert called((LOW, 99.0), (MEDIUM, 99.5), (HIGH, 99.9)) == (HIGH, 99.9)
    assert called((LOW, 99.0), (MEDIUM, 99.5)) == (MEDIUM, 99.5)
    assert called((HIGH, 90.0), (HIGH, 80.0), (HIGH, 85.0)) == (HIGH, 80.0)
    for state in (SEEN, OVER, ASIDE, AlarmState.NORMAL):
        shown = show([Standing(AlarmId.LEAK, HIGH, state, 100.0)], {Lamp.ALARM}, False, 100.0)
        assert shown.call is None


def test_in_quiet_hours_only_a_high_alarm_or_a_test_sounds() -> None:
    assert called((LOW, 99.0), (MEDIUM, 99.0), quiet=True) is None
    assert called((LOW, 99.0), (HIGH, 99.5), quiet=True) == (HIGH, 99.5)
    test = Standing(AlarmId.TEST, LOW, UNSEEN, 100.0)
    assert show([test], {Lamp.ALARM}, True, 100.0).call is CALLS[LOW]


# --- orders of the loop, commands of the button


class Played:
    """In place of the pins: records what is shown."""

    fitted = frozenset({Lamp.ALARM})

    def __init__(self) -> None:
        self.shown: list[tuple[Show, float]] = []

    def play(self, shown: Show, boot_s: float) -> None:
        self.shown.append((shown, boot_s))


def of(
    alarm_id: AlarmId = AlarmId.LEAK, priority: Priority = LOW, state: AlarmState = UNSEEN
) -> StandingAlarm:
    return alarm(alarm_id, priority=priority, state=state)


def test_an_alarm_sounds_when_first_seen_and_at_every_repeat() -> None:
    news: list[bool] = []
    played = Played()
    shown = Signals(played, on_show=lambda _, is_news: news.append(is_news))  # type: ignore[arg-type]

    def tick(boot_s: float, *alarms: StandingAlarm, pot: str = "lantern") -> tuple[Any, float]:
        shown.show(boot_s, None, {pot: alarms})
        found, at_s = played.shown[-1]
        assert at_s == boot_s
        return None if found.call is None else found.call.priority, found.called_s

    high = of(priority=HIGH)
    assert tick(10.0) == (None, 0.0)
    assert tick(11.0, high) == (HIGH, 11.0)
    assert tick(12.0, high) == (HIGH, 11.0)
    shown.hear("lantern", SimpleNamespace(repeat=True))  # type: ignore[arg-type]
    event = AlarmEvent(0.0, None, AlarmId.LEAK, UNSEEN, HIGH, "", repeat=True)
    shown.hear("lantern", event)
    assert tick(13.0, high) == (HIGH, 13.0)
    assert tick(14.0, high) == (HIGH, 13.0)  # once
    shown.hear("mast", event)
    shown.hear("lantern", AlarmEvent(0.0, None, AlarmId.LEAK, UNSEEN, HIGH, "", repeat=False))
    assert tick(15.0, high) == (HIGH, 13.0)
    assert tick(16.0, of(priority=HIGH, state=SEEN)) == (None, 0.0)
    assert tick(17.0, high) == (HIGH, 17.0)  # raised anew
    assert tick(18.0, high, of(AlarmId.THERMOMETER)) == (HIGH, 17.0)
    assert tick(19.0, high, pot="mast") == (HIGH, 19.0)
    assert news == [False, True, False, False, False, False, False, True, True, True]


@pytest.mark.parametrize(
    ("held_s", "asked"),
    [
        (0.1, ["lantern acknowledge None", "mast acknowledge None"]),
        (2.999, ["lantern acknowledge None", "mast acknowledge None"]),
        (3.0, ["lantern shelve leak", "lantern shelve thermometer"]),
        (9.999, ["lantern shelve leak", "lantern shelve thermometer"]),
        (10.0, []),  # longer than any press
    ],
)
def test_a_short_press_acknowledges_and_a_long_one_shelves_the_low_alarms(
    held_s: float, asked: list[str]
) -> None:
    found: list[tuple[str, Command]] = []
    shown = Signals(None)
    shown.press(0.1)  # before anything is known
    shown.start(lambda pot_id, command: found.append((pot_id, command)))
    standing = {
        "lantern": (
            of(),
            of(AlarmId.THERMOMETER, state=SEEN),
            of(AlarmId.CLOCK_UNSET, state=OVER),
            of(AlarmId.TEST, state=ASIDE),
            of(AlarmId.FLOOR_AHEAD, HIGH),
            of(AlarmId.OVER_PRESSURE, MEDIUM),
        ),
        "mast": (of(AlarmId.FLOOR_AHEAD, HIGH, OVER),),
        "buoy": (of(state=SEEN, priority=MEDIUM), of(AlarmId.TEST, state=ASIDE)),
        "beacon": (),
    }
    shown.show(5.0, None, standing)
    shown.press(held_s)
    assert [f"{pot} {command.action} {command.alarm}" for pot, command in found] == asked
    assert {(command.by, command.t_s) for _, command in found} <= {("button", 0.0)}


def test_without_pins_there_is_no_fault_and_one_lamp_is_assumed() -> None:
    seen: list[Show] = []
    shown = Signals(None, on_show=lambda show, _: seen.append(show))
    shown.show(0.0, None, {})
    assert seen == [Show({Lamp.ALARM: CALM})]
    assert (shown.fault, shown.ways()) == (None, {"lamp": None, "buzzer": None})
    shown.close()
    Signals(None, fitted=set(Lamp), on_show=lambda show, _: seen.append(show)).show(0.0, None, {})
    assert seen[1:] == [Show({Lamp.CALM: CALM})]


# --- pins


LAMP, BUZZER, BUTTON = 17, 16, 26


class Bench:
    """Pins on a clock that is moved by hand, without their thread."""

    def __init__(self, wiring: Wiring, tick_s: float = 1.0) -> None:
        self.now_s = 100.0
        self.factory = MockFactory()
        self.pins = open_pins(wiring, tick_s, lambda: self.now_s, self.factory)

    def on(self, pin: int) -> bool:
        return bool(self.factory.pin(pin).state)

    def step(self, now_s: float) -> float | None:
        self.now_s = now_s
        return self.pins.step()


STEADY = Show({Lamp.ALARM: PRESSED}, CALLS[HIGH], 100.0)


def test_a_shown_state_is_valid_for_two_ticks_and_two_seconds() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP}, BUZZER), tick_s=5.0)
    assert bench.step(99.0) is None and not bench.on(LAMP)  # nothing was shown yet
    bench.pins.play(Show({Lamp.ALARM: LIT}), 100.0)
    assert bench.step(100.5) == pytest.approx(3.5)
    assert bench.on(LAMP)
    assert bench.step(111.75) == pytest.approx(0.25)  # the leave ends before the next edge
    assert bench.on(LAMP)
    assert bench.step(112.0) is None
    assert not bench.on(LAMP)
    bench.factory.close()


def test_the_thread_wakes_at_the_next_edge_of_lamp_buzzer_or_button() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP}, BUZZER, BUTTON), tick_s=60.0)
    bench.pins.play(STEADY, 100.0)
    assert bench.step(100.0) == pytest.approx(0.2) and bench.on(BUZZER)
    assert bench.step(100.2) == pytest.approx(0.2) and not bench.on(BUZZER)
    assert bench.step(102.5) == pytest.approx(0.5)  # of the lamp
    bench.pins._press()
    assert bench.pins._news.is_set()
    assert bench.step(105.4) == pytest.approx(0.6)
    assert bench.on(LAMP)
    assert bench.step(105.5) == pytest.approx(0.125)  # held for three seconds: it flickers
    assert bench.step(105.7) == pytest.approx(0.05) and not bench.on(LAMP)
    bench.factory.close()


def test_the_lamp_answers_a_press_for_ten_seconds_and_the_buzzer_never() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP}, BUZZER, BUTTON), tick_s=60.0)
    dark = Show({Lamp.ALARM: Rhythm("", 100.0, ())})
    held: list[float] = []
    bench.pins.play(dark, 100.0)
    bench.now_s = 100.0
    bench.pins._press()
    looks = [(bench.step(100.0 + s), bench.on(LAMP))[1] for s in (0.0, 1.0, 2.999, 3.0, 3.13, 9.99, 10.0)]
    assert looks == [True, True, True, True, False, False, False]
    assert bench.pins.fault == "button has been pressed for over 10 s"
    assert bench.pins.ways() == {"lamp": None, "buzzer": None}  # they work
    bench.now_s = 112.0
    bench.pins._news.clear()
    bench.pins._release(held.append)
    assert held == [12.0] and bench.pins.fault is None and bench.pins._news.is_set()
    bench.pins._release(held.append)  # a bounce
    assert held == [12.0]
    assert not bench.on(BUZZER)
    bench.factory.close()


def test_a_stalled_signal_thread_is_reported() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP}, BUZZER), tick_s=1.0)
    bench.pins._thread = threading.Thread(target=lambda: None)
    bench.now_s = 1000.0
    assert bench.pins.fault is None  # never started
    bench.pins.start(lambda held_s: None)
    bench.now_s = 1004.0
    assert bench.pins.fault is None
    bench.now_s = 1004.1
    stuck = "lamp and buzzer are no longer driven"
    assert bench.pins.fault == stuck
    assert bench.pins.ways() == {"lamp": f"failing, {stuck}", "buzzer": f"failing, {stuck}"}
    bench.step(1004.1)
    assert bench.pins.fault is None
    bench.pins._thread_fault = "KeyError()"
    assert bench.pins.fault == "lamp and buzzer cannot be driven (KeyError())"
    bench.factory.close()


def test_each_output_has_the_faults_of_its_own_pins_and_is_named_only_if_wired() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP, Lamp.CALM: 5}, None, BUTTON))
    assert bench.pins.ways() == {"lamp": None}
    bench.pins._fail("lamp calm", "does not respond")
    bench.pins._fail("button", "is stuck")
    bench.pins._fail("lamp alarm", "does not respond")
    assert bench.pins.ways() == {"lamp": "failing, lamp calm does not respond, lamp alarm does not respond"}
    assert bench.pins.fault == "button is stuck; lamp alarm does not respond; lamp calm does not respond"
    assert Bench(Wiring(buzzer=BUZZER)).pins.ways() == {"buzzer": None}
    assert Bench(Wiring(button=BUTTON)).pins.ways() == {}


def test_a_pin_is_written_only_on_a_change(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(Wiring(buzzer=BUZZER))
    device = bench.pins._buzzer
    was: list[bool] = []
    monkeypatch.setattr(
        type(device), "value", property(lambda _: bool(was and was[-1]), lambda _, on: was.append(on))
    )
    for on in (False, True, True, False, False):
        bench.pins._set("buzzer", device, on)
    assert was == [True, False]


def test_the_thread_ends_with_the_pins_off() -> None:
    bench = Bench(Wiring({Lamp.ALARM: LAMP}, BUZZER, BUTTON))
    bench.pins.start(lambda held_s: None)
    bench.pins.play(STEADY, 100.0)
    bench.pins.close()
    assert not bench.pins._thread.is_alive()
    assert not bench.on(LAMP) and not bench.on(BUZZER)
    again = open_pins(Wiring({Lamp.ALARM: LAMP}, BUZZER, BUTTON), 1.0, lambda: 0.0, bench.factory)
    assert again.fault is None
    again.close()  # never started


def test_the_timing_of_a_button_is_pinned(monkeypatch: pytest.MonkeyPatch) -> None:
    import gpiozero

    made: list[dict[str, Any]] = []
    monkeypatch.setattr(gpiozero, "Button", lambda pin, **options: made.append({"pin": pin} | options))
    factory = MockFactory()
    pins: Pins = open_pins(Wiring(button=BUTTON), 1.0, lambda: 0.0, factory)
    assert made == [{"pin": BUTTON, "bounce_time": 0.05, "pin_factory": factory}]
    assert pins.ways() == {}
    assert (signals.LONG_PRESS_S, signals.STUCK_S) == (3.0, 10.0)
