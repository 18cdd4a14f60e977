"""Lamp, buzzer and button on the pins of the machine, through gpiozero.

At each tick the loop says what to show (`Signals.show`), and a thread moves the pins to that rhythm. Each
such order is valid for little more than two ticks: when the loop hangs it expires and the lamp goes dark,
even while somebody presses the button. The loop itself never touches a pin and never waits for one. A failing
pin is logged once and retried at each change; the others go on. Faults stay known, so that the watch can
report them by the outputs that work.
"""

import logging
import threading
import time
import warnings
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from potvigil.extras import how_to_install
from potvigil.model.events import Action, AlarmEvent, AlarmState, Command, Event, Priority, StandingAlarm
from potvigil.model.quiet_hours import QuietHours
from potvigil.model.who import BUTTON
from potvigil.outputs.patterns import HELD, PRESSED, Lamp, Rhythm, Show, Standing, show

LONG_PRESS_S = 3.0
# Longer than any press: the button or its wire is shorted, and must not hide the alarms.
STUCK_S = 10.0
# Contacts bounce for some milliseconds; common practice.
_BOUNCE_S = 0.05
# The lamp may go on for two ticks and this, so that a slow reading does not darken it.
_GRACE_S = 2.0

_log = logging.getLogger("potvigil")

Ask = Callable[[str, Command], None]  # pot, command to its watch
StandingOf = Mapping[str, Sequence[StandingAlarm]]  # by pot


@dataclass(frozen=True, slots=True)
class Wiring:
    """Which pins, by their BCM numbers; None for what is not fitted."""

    lamps: Mapping[Lamp, int] = field(default_factory=dict)
    buzzer: int | None = None
    button: int | None = None


class Signals:
    """Decides, tick by tick, what is shown, and what a press of the button does.

    pins: None where nothing is wired and the signals are only printed. on_show: called at each tick with what
    is shown, and whether an alarm has just been announced for the first time.
    """

    def __init__(
        self,
        pins: "Pins | None",
        quiet_hours: QuietHours | None = None,
        fitted: Collection[Lamp] = (Lamp.ALARM,),
        on_show: Callable[[Show, bool], None] = lambda shown, is_news: None,
    ) -> None:
        self._pins = pins
        self._quiet_hours = quiet_hours
        self._fitted = fitted if pins is None else pins.fitted
        self._on_show = on_show
        self._announced: dict[tuple[str, str], float] = {}
        self._again: set[tuple[str, str]] = set()
        self._standing: StandingOf = {}
        self._ask: Ask = lambda pot_id, command: None

    def start(self, ask: Ask) -> None:
        """Start. ask: called with the commands of the button, from a separate thread."""
        self._ask = ask
        if self._pins is not None:
            self._pins.start(self.press)

    def hear(self, pot_id: str, event: Event) -> None:
        """Take an event: a repeated alarm sounds again."""
        if isinstance(event, AlarmEvent) and event.repeat:
            self._again.add((pot_id, event.alarm.value))

    def show(self, boot_s: float, utc_s: float | None, standing: StandingOf) -> None:
        """Show these alarms from now on; one seen for the first time is announced."""
        before, self._announced = self._announced, {}
        again, self._again = self._again, set()
        self._standing = standing
        alarms = []
        for pot_id, of_pot in standing.items():
            for each in of_pot:
                announced_s = None
                if each.state is AlarmState.UNACKNOWLEDGED:
                    key = pot_id, each.alarm.value
                    announced_s = boot_s if key in again else before.get(key, boot_s)
                    self._announced[key] = announced_s
                alarms.append(Standing(each.alarm, each.priority, each.state, announced_s))
        quiet = self._quiet_hours is not None and self._quiet_hours.hold(utc_s)
        shown = show(alarms, self._fitted, quiet, boot_s)
        self._on_show(shown, not self._announced.keys() <= before.keys())
        if self._pins is not None:
            self._pins.play(shown, boot_s)

    def press(self, held_s: float) -> None:
        """Take a press of the button: short acknowledges all, long shelves the active low alarms."""
        for pot_id, alarms in self._standing.items():
            if held_s < LONG_PRESS_S:
                if any(each.state in _UNSEEN for each in alarms):
                    self._ask(pot_id, Command(Action.ACKNOWLEDGE, 0.0, by=BUTTON))
            elif held_s < STUCK_S:
                for each in alarms:
                    if each.priority is Priority.LOW and each.state in _TRUE:
                        self._ask(pot_id, Command(Action.SHELVE, 0.0, each.alarm, by=BUTTON))

    def ways(self) -> dict[str, str | None]:
        """Return lamp and buzzer where they are fitted, each with its fault."""
        return dict.fromkeys(("lamp", "buzzer")) if self._pins is None else self._pins.ways()

    @property
    def fault(self) -> str | None:
        """What is wrong with lamps, buzzer and button; None for nothing."""
        return None if self._pins is None else self._pins.fault

    def close(self) -> None:
        """Turn everything off: the watch has ended."""
        if self._pins is not None:
            self._pins.close()


_UNSEEN = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)
_TRUE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


class Pins:
    """The open pins and the thread that moves them. Made by `open_pins`; clock: boot time, s.

    faults: why wired devices could not be opened.
    """

    def __init__(
        self,
        lamps: dict[Lamp, Any],
        buzzer: Any | None,
        button: Any | None,
        tick_s: float,
        clock: Callable[[], float],
        faults: Mapping[str, str],
    ) -> None:
        self.fitted = frozenset(lamps)
        self._wired = {*map(_name_of, lamps), *faults} | ({"buzzer"} if buzzer is not None else set())
        self._faults = dict(faults)  # by name; written by the thread, copied by the loop
        self._lamps = lamps
        self._buzzer = buzzer
        self._button = button
        self._leave_s = 2.0 * tick_s + _GRACE_S
        self._clock = clock
        self._wanted = (Show({}), float("-inf"))  # with the boot time until which it may be shown
        self._pressed_s: float | None = None
        self._thread_fault: str | None = None
        self._moved_s = float("-inf")  # when the thread last set all pins
        self._news = threading.Event()
        self._is_closing = False
        self._thread = threading.Thread(target=self._run, name="signals", daemon=True)

    def start(self, on_press: Callable[[float], None]) -> None:
        """Start to move the pins. on_press: called with how long the button was held, s."""
        if self._button is not None:
            self._button.when_pressed = self._press
            self._button.when_released = lambda: self._release(on_press)
        self._moved_s = self._clock()
        self._thread.start()

    def ways(self) -> dict[str, str | None]:
        """Return lamp and buzzer where they are wired, each with its fault."""
        faults, stuck = self._faults.copy(), self._stuck
        ways: dict[str, str | None] = {}
        for way, names in (("lamp", [*map(_name_of, Lamp)]), ("buzzer", ["buzzer"])):
            wrong = [stuck] if stuck else [f"{name} {faults[name]}" for name in names if name in faults]
            if self._wired.intersection(names):
                ways[way] = f"failing, {', '.join(wrong)}" if wrong else None
        return ways

    @property
    def fault(self) -> str | None:
        """What is wrong with lamps, buzzer and button; None for nothing."""
        faults, stuck = self._faults.copy(), self._stuck
        return stuck or "; ".join(f"{name} {why}" for name, why in sorted(faults.items())) or None

    def play(self, wanted: Show, boot_s: float) -> None:
        """Show this from now on, for two ticks and a little."""
        self._wanted = wanted, boot_s + self._leave_s
        self._news.set()

    def close(self) -> None:
        """Turn everything off and release the pins."""
        self._is_closing = True
        self._news.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        self._dark()
        for device in (*self._lamps.values(), self._buzzer, self._button):
            if device is not None:
                device.close()

    def step(self) -> float | None:
        """Set every pin as it should be now; return seconds until the next change, None for never."""
        now_s = self._moved_s = self._clock()
        wanted, until_s = self._wanted
        if now_s >= until_s:
            self._dark()
            return None
        felt = self._felt(now_s)
        for lamp, device in self._lamps.items():
            self._set(
                _name_of(lamp), device, wanted.is_lit(lamp, now_s) if felt is None else felt.is_on(now_s)
            )
        self._set("buzzer", self._buzzer, wanted.sounds(now_s))
        edges_s = (wanted.next_edge_s(now_s), None if felt is None else felt.next_edge_s(now_s))
        return min([until_s - now_s, *(edge_s for edge_s in edges_s if edge_s is not None)])

    # -- within ------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._is_closing:
            self._news.clear()  # before looking, so that nothing new is missed
            try:
                again_s = self.step()
                self._thread_fault = None
            except Exception as error:  # whatever it is: if the thread ended, lamp and buzzer would be off
                again_s = None
                if self._thread_fault is None:
                    _log.error("signals: lamp and buzzer cannot be driven (%r); tried again each tick", error)
                self._thread_fault = repr(error)
            self._news.wait(again_s)

    @property
    def _stuck(self) -> str | None:
        """Why the thread does not move the pins; None where it does, or was never started."""
        if self._thread_fault is not None:
            return f"lamp and buzzer cannot be driven ({self._thread_fault})"
        if self._thread.ident is not None and self._clock() - self._moved_s > self._leave_s:
            return "lamp and buzzer are no longer driven"
        return None

    def _dark(self) -> None:
        for lamp, device in self._lamps.items():
            self._set(_name_of(lamp), device, False)
        self._set("buzzer", self._buzzer, False)

    def _set(self, name: str, device: Any | None, on: bool) -> None:
        if device is None:
            return
        try:
            if bool(device.value) != on:
                device.value = on
                self._faults.pop(name, None)
        except Exception as error:  # the libraries beneath gpiozero share no error class
            self._fail(name, f"does not respond ({error})")

    def _fail(self, name: str, why: str) -> None:
        if name not in self._faults:
            _log.warning("signals: %s %s; check its wire", name, why)
        self._faults[name] = why

    def _press(self) -> None:
        self._pressed_s = self._clock()
        self._news.set()

    def _release(self, on_press: Callable[[float], None]) -> None:
        pressed_s, self._pressed_s = self._pressed_s, None
        self._faults.pop("button", None)
        self._news.set()
        if pressed_s is not None:
            on_press(self._clock() - pressed_s)

    def _felt(self, now_s: float) -> Rhythm | None:
        """Return what the lamps show while the button is pressed."""
        pressed_s = self._pressed_s
        if pressed_s is None:
            return None
        held_s = now_s - pressed_s
        if held_s >= STUCK_S:
            self._fail("button", f"has been pressed for over {STUCK_S:g} s")
            return None
        return HELD if held_s >= LONG_PRESS_S else PRESSED


def boot_time_s() -> float:
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def open_pins(
    wiring: Wiring, tick_s: float, clock: Callable[[], float] = boot_time_s, factory: Any | None = None
) -> Pins:
    """Open what is wired. What cannot be opened is logged in one line and left out: the watch goes on.

    tick_s: time between two ticks of the loop. factory: of gpiozero; None for the machine's own.
    """
    lamps: dict[Lamp, Any] = {}
    buzzer = button = None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # gpiozero tells every library that it does without
            import gpiozero

            if factory is None:
                gpiozero.Device.ensure_pin_factory()
    except Exception as error:
        _log.warning(
            "signals: no pins on this machine (%s); install lgpio: %s; and let its user join the "
            "group gpio; the watch goes on without lamp, buzzer and button",
            error,
            how_to_install("signals"),
        )
        wired = [*map(_name_of, wiring.lamps)]
        wired += [each for each in ("buzzer", "button") if getattr(wiring, each) is not None]
        return Pins(lamps, buzzer, button, tick_s, clock, dict.fromkeys(wired, "has no pin on this machine"))

    faults: dict[str, str] = {}

    def output(pin: int) -> Any:
        return gpiozero.DigitalOutputDevice(pin, pin_factory=factory)

    def input_(pin: int) -> Any:
        return gpiozero.Button(pin, bounce_time=_BOUNCE_S, pin_factory=factory)

    for lamp, pin in wiring.lamps.items():
        if (device := _opened(_name_of(lamp), pin, output, faults)) is not None:
            lamps[lamp] = device
    if wiring.buzzer is not None:
        buzzer = _opened("buzzer", wiring.buzzer, output, faults)
    if wiring.button is not None:
        button = _opened("button", wiring.button, input_, faults)
    return Pins(lamps, buzzer, button, tick_s, clock, faults)


def _name_of(lamp: Lamp) -> str:
    return f"lamp {lamp}"


def _opened(name: str, pin: int, opener: Callable[[int], Any], faults: dict[str, str]) -> Any | None:
    try:
        return opener(pin)
    except Exception as error:  # as in Pins._set
        _log.warning(
            "signals: %s on GPIO %d cannot be used (%s); stop whatever else uses the pin, or give another; "
            "the watch goes on without it",
            *(name, pin, error),
        )
        faults[name] = f"cannot use GPIO {pin} ({error})"
        return None
