"""A night watched by a separate process, which may be killed: everything real but the wires.

    python tests/night_process.py FOLDER [--from-s 3000] [--speed 60] [--mqtt PORT] ...

Each event is a line `event <kind> <t_s> <what>`, each finished tick `tick <boot_s> <t_s> <standing alarms>`,
written unbuffered, so that whoever kills it knows what was finished. Without --speed the night passes as
fast as it can be watched, on a clock moved by hand; with it on the machine's, so many times as fast. While
there is a file `hang` in FOLDER, a reading of the wires does not end. With --lamp each change of a lamp on a
simulated pin is a line `lamp 0` or `lamp 1`.
"""

import argparse
import os
import signal
import time
from pathlib import Path

from gpiozero.pins.mock import MockFactory, MockPin

from potvigil.clock import Clock, Instant, ManualClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.model.events import AlarmEvent, Event
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import Signals, Wiring, open_pins
from potvigil.record.codec import KINDS
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import World

BOOT = "boot-1"


class QuickClock:
    """The machine's clock, `speed` times as fast, at `from_s` now; it moves the world with it."""

    def __init__(self, world: World, from_s: float, utc_s: float, speed: float) -> None:
        self._world, self._from_s, self._utc_s, self._speed = world, from_s, utc_s, speed
        self._real_s = time.monotonic()

    def now(self) -> Instant:
        boot_s = self._from_s + (time.monotonic() - self._real_s) * self._speed
        self._world.advance(boot_s)
        return Instant(boot_s, self._utc_s + boot_s)

    def sleep_until(self, boot_s: float) -> None:
        time.sleep(max(0.0, (boot_s - self.now().boot_s) / self._speed))


class ToldPin(MockPin):
    def _change_state(self, value: bool) -> bool:
        changed: bool = super()._change_state(value)
        if changed:
            say(f"lamp {int(value)}")
        return changed


def lamp(period_s: float, clock: Clock) -> Signals:
    factory = MockFactory(pin_class=ToldPin)
    return Signals(open_pins(Wiring({Lamp.ALARM: 17}), period_s, lambda: clock.now().boot_s, factory))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--night", default="lost-before-gel")
    parser.add_argument("--from-s", type=float, default=0.0)
    parser.add_argument("--until-s", type=float, default=None)
    parser.add_argument("--period-s", type=float, default=1.0)
    parser.add_argument("--speed", type=float, default=None)
    parser.add_argument("--mqtt", type=int, default=None)
    parser.add_argument("--no-memory", action="store_true", help="keep nothing in memory for the next one")
    parser.add_argument("--lamp", action="store_true")
    args = parser.parse_args()
    folder: Path = args.folder
    night = NIGHTS[args.night]
    settings = load_text(f"{night.settings_yaml}sample_period: {args.period_s:g} s\n", "night")
    world = World(night, folder / f"wires-{os.getpid()}")
    world.advance(args.from_s)
    clock: Clock
    if args.speed is None:
        manual = ManualClock(args.from_s, None, world.advance)
        manual.set_utc(night.start_utc_s + args.from_s)
        clock = manual
    else:
        clock = QuickClock(world, args.from_s, night.start_utc_s, args.speed)
    say("ready")  # what comes before belongs to the simulator
    station = simulated_station(settings, world)
    unwritten = None if args.no_memory else folder / "unwritten"
    store = Store.open_for_watch(folder / "record.db", unwritten=unwritten)

    def hear(_pot_id: str, _batch: int | None, event: Event) -> None:
        what = f"{event.alarm} {event.state}" if isinstance(event, AlarmEvent) else ""
        say(f"event {KINDS[type(event)]} {event.t_s!r} {what}")

    period_s = args.period_s / (args.speed or 1.0)
    live = LiveFile(folder / "live.json", settings.workshop, night.name, period_s)
    link = None if args.mqtt is None else MqttLink("127.0.0.1", args.mqtt)
    signals = lamp(args.period_s, clock) if args.lamp else None
    service = Service(settings, clock, BOOT, station, store, link, night.name, hear, live, signals)
    signal.signal(signal.SIGTERM, lambda *_: service.request_stop())
    tick = service.tick

    def told_tick() -> None:
        while (folder / "hang").exists():
            time.sleep(0.1)
        tick()
        (watch,) = service.watches.values()
        snapshot = watch.snapshot()
        standing = ",".join(f"{alarm.alarm}:{alarm.state}" for alarm in snapshot.alarms)
        say(f"tick {clock.now().boot_s!r} {snapshot.t_s!r} {standing}")

    service.tick = told_tick  # type: ignore[method-assign]
    service.start()
    say("started")
    service.run(args.until_s if args.until_s is not None else night.duration_s)
    service.stop()
    say("stopped")


def say(line: str) -> None:
    os.write(1, f"{line}\n".encode())


if __name__ == "__main__":
    main()
