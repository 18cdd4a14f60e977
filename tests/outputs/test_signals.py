"""Lamp, buzzer and button on gpiozero's mock pins: whole histories on a clock moved by hand."""

import threading
import time
from collections.abc import Iterator
from datetime import time as clock_time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from gpiozero.pins.mock import MockFactory

from demo_pot import alarm
from potvigil.cli import main
from potvigil.commands import watch
from potvigil.model.events import Action, AlarmEvent, AlarmId, AlarmState, Command, Priority
from potvigil.model.quiet_hours import QuietHours
from potvigil.outputs.patterns import Lamp, Show
from potvigil.outputs.signals import STUCK_S, Pins, Signals, Wiring, boot_time_s, open_pins
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.watch.alarm_states import AlarmBook, ConditionWords
from rehearsal import Bench

LAMP, NOTE_LAMP, CALM_LAMP, BUZZER, BUTTON = 17, 22, 5, 16, 26
WIRING = Wiring({Lamp.ALARM: LAMP}, BUZZER, BUTTON)
TICK_S = 1.0
STEP_S = 0.05
UTC_S = 1_767_304_800.0  # 2026-01-01 22:00 UTC
FLOOR, LEAK = AlarmId.FLOOR_AHEAD, AlarmId.LEAK


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    made = MockFactory()
    yield made
    made.close()


def by_hand(pins: Pins) -> Pins:
    """Leave the pins to callers of `step`: no thread moves them."""
    pins._thread = threading.Thread(target=lambda: None)
    play = pins.play

    def play_at_once(wanted: Show, boot_s: float) -> None:
        play(wanted, boot_s)
        pins.step()

    pins.play = play_at_once  # type: ignore[method-assign]
    return pins


class Bedside:
    """What a caster sees and hears from bed: an alarm book, the signals, pins looked at 20 times a second."""

    def __init__(
        self, factory: MockFactory, quiet: QuietHours | None = None, wiring: Wiring = WIRING
    ) -> None:
        self.now_s = 0.0
        self.factory = factory
        self.book = AlarmBook()
        self.conditions: dict[AlarmId, str | None] = {}
        self.asked: list[Command] = []
        self.pins = by_hand(open_pins(wiring, TICK_S, lambda: self.now_s, factory))
        self.signals = Signals(self.pins, quiet)
        self.signals.start(lambda pot_id, command: self.asked.append(command))

    def tick(self) -> None:
        events = []
        for command in self.asked:
            if command.action is Action.ACKNOWLEDGE:
                events += self.book.acknowledge(self.now_s, None, command.alarm)
            elif command.alarm is not None:
                events += self.book.shelve(self.now_s, None, command.alarm, 3600.0)
        self.asked.clear()
        events += self.book.update(
            self.now_s,
            None,
            {alarm: text and ConditionWords("", text) for alarm, text in self.conditions.items()},
        )
        for event in events:
            self.signals.hear("lantern", event)
        self.signals.show(self.now_s, UTC_S + self.now_s, {"lantern": self.book.standing()})

    def go(self, seconds: float, *, ticking: bool = True) -> dict[int, list[bool]]:
        """Let time pass; return for each pin whether it was on, look by look."""
        looks: dict[int, list[bool]] = {LAMP: [], BUZZER: []}
        for i in range(round(seconds / STEP_S)):
            if ticking and i % round(TICK_S / STEP_S) == 0:
                self.tick()
            self.pins.step()
            for pin, seen in looks.items():
                seen.append(bool(self.factory.pin(pin).state))
            self.now_s = round(self.now_s + STEP_S, 6)
        return looks

    def sounded(self, seconds: float) -> int:
        """Let time pass; return how many pulses the buzzer gave."""
        return rises(self.go(seconds)[BUZZER])

    def press(self, seconds: float) -> list[bool]:
        """Hold the button; return how the lamp looked meanwhile."""
        self.factory.pin(BUTTON).drive_low()
        looks = self.go(seconds)[LAMP]
        self.factory.pin(BUTTON).drive_high()
        return looks

    @property
    def states(self) -> dict[AlarmId, AlarmState]:
        return {each.alarm: each.state for each in self.book.standing()}


def rises(looks: list[bool]) -> int:
    return sum(after and not before for before, after in zip([False, *looks], looks, strict=False))


def test_on_a_calm_night_the_lamp_beats_and_the_buzzer_is_silent(factory: MockFactory) -> None:
    looks = Bedside(factory).go(60.0)
    assert rises(looks[LAMP]) == 15
    assert sum(looks[LAMP]) / len(looks[LAMP]) < 0.05
    assert not any(looks[BUZZER])


def test_a_high_alarm_sounds_repeats_at_growing_intervals_and_stops_when_acknowledged(
    factory: MockFactory,
) -> None:
    """watch/alarm_states.py: again after 10, 20, 40, then every 60 min; calls of five pulses for 3 min."""
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    assert bed.sounded(30.0) == 0  # its on-delay
    assert bed.sounded(180.0) == 18 * 5
    assert bed.states == {FLOOR: AlarmState.UNACKNOWLEDGED}
    assert bed.sounded(390.0) == 0
    heard = [bed.sounded(60.0) > 0 for _ in range(75)]  # from minute 10 on
    calls = [minute for minute, on in enumerate(heard) if on and not (minute and heard[minute - 1])]
    assert calls == [0, 20, 60]  # 10, 30 and 70 min after the first
    assert rises(bed.go(60.0)[LAMP]) == 120
    bed.press(0.3)
    bed.go(2.0)
    assert bed.states == {FLOOR: AlarmState.ACKNOWLEDGED}
    looks = bed.go(7200.0)
    assert not any(looks[BUZZER])
    assert 0.9 < sum(looks[LAMP]) / len(looks[LAMP]) < 1.0  # not the lamp: the alarm is still active


def test_a_press_during_a_burst_ends_it_at_the_next_tick(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    bed.go(30.2)
    bed.press(0.3)
    bed.go(1.0)
    assert not any(bed.go(300.0)[BUZZER])


def test_an_alarm_that_came_and_went_is_shown_until_acknowledged(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    bed.go(40.0)
    bed.conditions[FLOOR] = None
    bed.go(601.0)  # its off-delay
    assert bed.states == {FLOOR: AlarmState.RETURNED}
    looks = bed.go(600.0)
    assert rises(looks[LAMP]) == 2 * 150 and not any(looks[BUZZER])
    bed.press(0.3)
    bed.go(2.0)
    assert bed.states == {}
    assert rises(bed.go(60.0)[LAMP]) == 15


def test_a_long_press_shelves_the_low_alarms_and_leaves_the_high_one(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.conditions |= {FLOOR: "passes the floor", AlarmId.THERMOMETER: "is absent"}
    bed.go(121.0)
    felt = bed.press(4.0)
    bed.go(2.0)
    assert bed.states == {FLOOR: AlarmState.UNACKNOWLEDGED, AlarmId.THERMOMETER: AlarmState.SHELVED}
    # the lamp answers the press: lit, and after three seconds flickering, to show when to release
    assert all(felt[2:58])
    assert rises(felt[62:]) >= 3
    bed.go(3600.0)
    assert bed.states[AlarmId.THERMOMETER] is AlarmState.UNACKNOWLEDGED  # a shelving has an end


def test_a_press_with_nothing_to_acknowledge_does_nothing(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.go(5.0)
    for seconds in (0.3, 4.0):
        bed.press(seconds)
        assert bed.asked == []


def test_a_shorted_button_is_reported_once_and_hides_no_alarm(
    factory: MockFactory, caplog: pytest.LogCaptureFixture
) -> None:
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    bed.go(31.0)
    bed.press(STUCK_S)
    assert rises(bed.go(1.0)[LAMP]) == 2
    bed.factory.pin(BUTTON).drive_low()
    bed.go(STUCK_S + 1.0)
    looks = bed.go(60.0)
    assert rises(looks[LAMP]) == 120
    assert [record.getMessage() for record in caplog.records] == [
        "signals: button has been pressed for over 10 s; check its wire"
    ]
    assert bed.signals.fault == "button has been pressed for over 10 s"
    bed.factory.pin(BUTTON).drive_high()
    assert bed.asked == [] and bed.signals.fault is None


def test_a_hung_loop_darkens_the_lamp_even_when_the_button_is_pressed(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    bed.go(40.0)
    bed.go(2.0 * TICK_S + 2.0, ticking=False)
    for pressed in (False, True):
        if pressed:
            factory.pin(BUTTON).drive_low()
        looks = bed.go(60.0, ticking=False)
        assert not any(looks[LAMP]) and not any(looks[BUZZER])


def test_a_slow_reading_does_not_break_the_rhythm(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.go(10.0)
    assert rises(bed.go(40.0)[LAMP]) == 10
    looks = []
    for _ in range(14):  # a tick every 3 s in place of every second
        bed.tick()
        looks += bed.go(3.0, ticking=False)[LAMP]
    assert rises(looks) in (10, 11)


def test_quiet_hours_leave_a_low_alarm_to_the_lamp_until_they_end(factory: MockFactory) -> None:
    quiet = QuietHours(clock_time(22, 0), clock_time(22, 5), ZoneInfo("UTC"))
    bed = Bedside(factory, quiet)
    bed.conditions[LEAK] = "air is lost"
    assert bed.sounded(299.0) == 0
    assert bed.states == {LEAK: AlarmState.UNACKNOWLEDGED}
    assert rises(bed.go(60.0)[LAMP]) == 30
    assert bed.sounded(320.0) == 2  # announced again ten minutes after it was raised
    bed.conditions[FLOOR] = "passes the floor"
    bed.now_s = 86_400.0 - UTC_S % 86_400.0 + 22 * 3600.0  # ten in the evening again
    bed.go(31.0)
    assert bed.sounded(100.0) >= 45  # never silenced


def test_quiet_hours_go_past_midnight_in_the_workshops_own_time() -> None:
    quiet = QuietHours(clock_time(22, 0), clock_time(7, 0), ZoneInfo("Europe/Lisbon"))
    january = UTC_S  # 22:00 UTC, 22:00 in Lisbon
    july = 1_782_939_600.0  # 2026-07-01 21:00 UTC, 22:00 in Lisbon
    for ten_pm in (january, july):
        held = [quiet.hold(ten_pm + hours * 3600.0) for hours in (-0.01, 0.0, 3.0, 8.99, 9.0, 12.0)]
        assert held == [False, True, True, True, False, False]
    assert not quiet.hold(None)


def test_active_alarms_sound_again_at_once_after_a_restart(factory: MockFactory) -> None:
    bed = Bedside(factory)
    standing = (alarm(FLOOR, priority=Priority.HIGH, since_s=-30_000.0),)
    bed.signals.show(0.0, None, {"lantern": standing})
    bed.pins.step()
    assert bed.factory.pin(BUZZER).state


def test_each_of_three_lamps_has_its_own_meaning(factory: MockFactory) -> None:
    wiring = Wiring({Lamp.CALM: CALM_LAMP, Lamp.NOTE: NOTE_LAMP, Lamp.ALARM: LAMP}, None, None)
    pins = open_pins(wiring, TICK_S, lambda: 0.0, factory)
    for standing, expected in (((), CALM_LAMP), ((alarm(LEAK),), NOTE_LAMP)):
        Signals(pins).show(0.0, None, {"lantern": standing})
        pins.step()
        assert [pin for pin in (CALM_LAMP, NOTE_LAMP, LAMP) if factory.pin(pin).state] == [expected]


def test_after_the_end_all_lamps_are_off_and_pins_released(factory: MockFactory) -> None:
    bed = Bedside(factory)
    bed.conditions[FLOOR] = "passes the floor"
    bed.go(30.1)
    bed.signals.close()
    open_pins(WIRING, TICK_S, lambda: 0.0, factory)  # would be in use else
    assert not factory.pin(LAMP).state and not factory.pin(BUZZER).state


# -- faults ----------------------------------------------------------------------------------------


def said(caplog: pytest.LogCaptureFixture) -> list[str]:
    lines = [record.getMessage() for record in caplog.records]
    assert all("\n" not in line for line in lines)
    return lines


def test_a_machine_without_pins_is_reported_in_one_line_and_the_watch_goes_on(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    import gpiozero

    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    pins = open_pins(WIRING, TICK_S)
    (line,) = said(caplog)
    assert "install lgpio" in line and "the watch goes on without lamp, buzzer and button" in line
    signals = Signals(pins)
    signals.start(lambda pot_id, command: None)
    signals.show(0.0, None, {"lantern": (alarm(),)})
    gone = dict.fromkeys(("lamp alarm", "buzzer", "button"), "has no pin on this machine")
    assert signals.fault == "; ".join(f"{name} {why}" for name, why in sorted(gone.items()))
    assert None not in signals.ways().values()
    signals.close()


def test_a_busy_pin_is_reported_in_one_line_and_the_others_work(
    factory: MockFactory, caplog: pytest.LogCaptureFixture
) -> None:
    import gpiozero

    taken = gpiozero.DigitalOutputDevice(BUZZER, pin_factory=factory)
    bed = Bedside(factory)
    (line,) = said(caplog)
    assert line.startswith("signals: buzzer on GPIO 16 cannot be used")
    assert line.endswith("; the watch goes on without it")
    assert rises(bed.go(60.0)[LAMP]) == 15
    assert bed.signals.fault is not None and bed.signals.fault.startswith("buzzer cannot use GPIO 16 (")
    assert bed.signals.ways().keys() == {"lamp", "buzzer"} and bed.signals.ways()["lamp"] is None
    taken.close()


def test_a_failing_pin_is_reported_once_and_recovers(
    factory: MockFactory, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    bed = Bedside(factory)
    pin = factory.pin(LAMP)

    def broken(value: float) -> None:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(pin, "_set_state", broken)
        bed.go(20.0)
        assert bed.signals.fault == "lamp alarm does not respond ([Errno 5] Input/output error)"
        assert bed.signals.ways() == {"lamp": f"failing, {bed.signals.fault}", "buzzer": None}
    assert len(said(caplog)) == 1 and "check its wire" in said(caplog)[0]
    assert rises(bed.go(60.0)[LAMP]) == 15
    assert bed.signals.fault is None and bed.signals.ways() == {"lamp": None, "buzzer": None}


@pytest.mark.parametrize(
    "wiring",
    [
        Wiring(buzzer=BUZZER),
        Wiring(buzzer=BUZZER, button=BUTTON),
        Wiring({Lamp.CALM: CALM_LAMP}, BUZZER),
        Wiring({Lamp.ALARM: LAMP}),
        Wiring(button=BUTTON),
        Wiring(),
    ],
    ids=lambda wiring: "-".join(
        [*wiring.lamps, *(each for each in ("buzzer", "button") if getattr(wiring, each))]
    ),
)
def test_each_fitted_device_works_alone(factory: MockFactory, wiring: Wiring) -> None:
    """A calm hour first: nothing that is to be shown has an edge then."""
    bed = Bedside(factory, wiring=wiring)
    assert not any(bed.go(60.0)[BUZZER])
    bed.conditions[FLOOR] = "passes the floor"
    looks = bed.go(90.0)
    assert rises(looks[BUZZER]) == (0 if wiring.buzzer is None else 30)
    assert any(looks[LAMP]) == (LAMP in wiring.lamps.values())


# -- for real ----------------------------------------------------------------------------------------


def test_the_thread_moves_the_pins_and_stops_when_the_loop_does(factory: MockFactory) -> None:
    pins = open_pins(WIRING, 0.2, boot_time_s, factory)
    signals = Signals(pins)
    signals.start(lambda pot_id, command: None)
    standing = {"lantern": (alarm(FLOOR, priority=Priority.HIGH),)}
    try:
        factory.pin(LAMP).clear_states()
        factory.pin(BUZZER).clear_states()
        for _ in range(10):
            signals.show(boot_time_s(), None, standing)
            time.sleep(0.2)
        flashes = sum(bool(state.state) for state in factory.pin(LAMP).states)
        assert 3 <= flashes <= 6  # two a second
        assert sum(bool(state.state) for state in factory.pin(BUZZER).states) in (3, 4)  # three, and two
        time.sleep(2.0 * 0.2 + 2.0 + 0.3)
        factory.pin(LAMP).clear_states()
        time.sleep(0.6)
        assert [bool(state.state) for state in factory.pin(LAMP).states] == [False]
    finally:
        signals.close()


def test_the_thread_survives_any_error(
    factory: MockFactory, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    pins = open_pins(Wiring(buzzer=BUZZER), 0.05, boot_time_s, factory)
    looks, seen = iter([KeyError("no such lamp")] * 3), threading.Event()
    step = pins.step

    def stepped() -> float | None:
        for error in looks:
            raise error
        seen.set()
        return step()

    monkeypatch.setattr(pins, "step", stepped)
    signals = Signals(pins)
    signals.start(lambda pot_id, command: None)
    standing = {"lantern": (alarm(FLOOR, priority=Priority.HIGH),)}
    try:
        while not seen.wait(0.01):
            signals.show(boot_time_s(), None, standing)
        deadline_s = boot_time_s() + 60.0
        while not factory.pin(BUZZER).state and boot_time_s() < deadline_s:
            signals.show(boot_time_s(), None, standing)
            time.sleep(0.01)
        assert factory.pin(BUZZER).state
    finally:
        signals.close()
    (said,) = [record.getMessage() for record in caplog.records if "cannot be driven" in record.getMessage()]
    assert "no such lamp" in said and "tried again" in said


def test_a_night_is_shown_and_the_button_acknowledges_through_the_record(
    tmp_path: Path, factory: MockFactory
) -> None:
    """The seal gives way in the evening; the caster presses the button; the record knows who it was."""
    ahead_s = 0.0
    bench = Bench(NIGHTS["lost-before-gel"], tmp_path)
    pins = by_hand(open_pins(WIRING, 5.0, lambda: bench.clock.now().boot_s + ahead_s, factory))
    bench.signals = Signals(pins)
    bench.begin()

    def flashes() -> int:
        nonlocal ahead_s
        looks = []
        for i in range(80):  # four seconds
            ahead_s = i * STEP_S
            pins.step()
            looks.append(bool(factory.pin(LAMP).state))
        ahead_s = 0.0
        return rises(looks)

    bench.run_until(2390.0)
    assert flashes() == 1
    bench.run_until(3600.0)
    assert flashes() == 8
    factory.pin(BUTTON).drive_low()
    factory.pin(BUTTON).drive_high()
    bench.run_until(3610.0)
    acknowledged = [
        event
        for event in bench.events
        if isinstance(event, AlarmEvent) and event.state is AlarmState.ACKNOWLEDGED
    ]
    assert [event.alarm for event in acknowledged] == [FLOOR]
    assert flashes() <= 2
    bench.service.stop()
    assert not factory.pin(LAMP).state
    with Store.open_read_only(bench.record) as store:
        (command,) = (each for each in store.commands("lantern", 0.0) if each.action is Action.ACKNOWLEDGE)
    assert (command.by, command.alarm) == ("button", None)


@pytest.mark.parametrize("fault", ["pin", "raises", "hangs"])
def test_failing_lamp_and_buzzer_are_reported_by_the_other_outputs(
    tmp_path: Path, factory: MockFactory, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    bench = Bench(NIGHTS["sound"], tmp_path)
    pins = by_hand(open_pins(WIRING, 5.0, lambda: bench.clock.now().boot_s, factory))
    bench.signals = Signals(pins)
    bench.begin()

    def broken(value: float) -> None:
        raise OSError(5, "Input/output error")

    def standing() -> dict[AlarmId, AlarmState]:
        return {each.alarm: each.state for each in bench.service.watches["lantern"].snapshot().alarms}

    bench.run_until(900.0)
    with monkeypatch.context() as patch:
        if fault == "pin":
            patch.setattr(factory.pin(LAMP), "_set_state", broken)
        elif fault == "raises":
            patch.setattr(pins, "_thread_fault", "KeyError('no such lamp')")
            patch.setattr(pins, "step", lambda: None)
        else:
            patch.setattr(pins, "step", lambda: None)
        bench.run_until(925.0)
        assert standing() == {}
        bench.run_until(1200.0)
        assert standing() == {AlarmId.SIGNALS_FAILING: AlarmState.UNACKNOWLEDGED}
    bench.run_until(1200.0 + 620.0)
    assert standing() == {AlarmId.SIGNALS_FAILING: AlarmState.RETURNED}
    told = next(each for each in bench.events if isinstance(each, AlarmEvent))
    words = {
        "pin": "Lamp alarm does not respond",
        "raises": "cannot be driven",
        "hangs": "are no longer driven",
    }
    assert words[fault] in told.text and "alarm test" in told.do
    bench.service.stop()


# -- the verbs -------------------------------------------------------------------------------------


def test_a_rehearsal_prints_what_lamp_and_buzzer_would_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rehearse", "vented-early", "--record", str(tmp_path / "record.db")]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if "lamp:" in line]
    assert lines[0].endswith("lamp: calm")
    assert lines[1].endswith("lamp: quick flashing; buzzer: three and two pulses every 10 s for 3 min")
    assert len(lines) == 2  # its repeats are not printed again


def test_a_watch_without_pins_still_has_its_signals_and_one_without_signals_has_none(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    import gpiozero

    monkeypatch.setattr(gpiozero.Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    text = NIGHTS["sound"].settings_yaml
    assert watch._signals(load_text(text, "night")) is None
    wired = load_text(f"{text}signals: {{lamp: 17, buzzer: 16, quiet_hours: 22:00-07:00}}\n", "night")
    signals = watch._signals(wired)
    assert signals is not None and len(said(caplog)) == 1
    signals.start(lambda pot_id, command: None)
    signals.show(0.0, UTC_S, {"lantern": (alarm(FLOOR, priority=Priority.HIGH),)})
    signals.close()
