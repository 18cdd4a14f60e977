"""Every fault of the wires, in one list: how it is made, which alarm is due, what still works.

The faults are made behind the real drivers: on the signal, on the chips' registers, on the bus, in the files
of the 1-Wire probes. `tests/faults/test_wires.py` and `test_storms.py` prove them, `table.py` counts them.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from potvigil.drivers.thermometers.ds18b20 import InlineExecutor
from potvigil.model.events import AlarmId
from potvigil.sim.chips import Device, SimBus
from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import ROOM_PROBE_ID, WALL_PROBE_ID, Night
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR
from rehearsal import Bench

CONVERTER, BAROMETER = 0x48, 0x76
VOLTS_PER_PSI = 0.04  # 100 psi over 0.5 to 4.5 V
SENSOR, THERMOMETER = AlarmId.PRESSURE_SENSOR, AlarmId.THERMOMETER
HANG_S = 1.0  # a transfer on a bus that is held low gives up after the kernel's usual second (from memory)


@dataclass(frozen=True)
class Trouble:
    """One fault. wire: what it is on; alarm: due within so long; None: none required.

    may: alarms allowed but not required. blind: a leak that starts during it cannot be seen
    until it is repaired. remains: what the watch can still do. night: on which it is played.
    """

    name: str
    wire: str
    begin: Callable[["Broken"], None]
    end: Callable[["Broken"], None]
    alarm: AlarmId | None
    within_s: float
    remains: str
    may: frozenset[AlarmId] = frozenset()
    blind: bool = False
    night: str = "sound"
    lasts_s: float = 1800.0


@dataclass(frozen=True)
class Spell:
    """A trouble from at_s until until_s, seconds of the night."""

    trouble: Trouble
    at_s: float
    until_s: float = float("inf")


class Broken(Bench):
    """A bench on which things break, and are mended; taps and wrappers go by the name of the trouble."""

    def __init__(self, night: Night, folder: Path, spells: Sequence[Spell], **options: Any) -> None:
        super().__init__(night, folder, **options)
        self.random = Random(options.get("seed", 0))
        self.sags_v: set[float] = set()
        self.signal: dict[str, Callable[[float], float]] = {}
        self.outside: dict[str, Callable[[float], float]] = {}
        self.probes: dict[str, Callable[[str, float], float | None]] = {}
        self.world.signal_tap = partial(_through, self.signal)
        self.world.barometer_tap = partial(_through, self.outside)
        self.world.probe_tap = self._probe
        self.world.bus = _HangingBus(self, self.world.bus.devices)
        self.executor = self.one_wire = _HangingExecutor()
        self._edges = [(spell.at_s, spell.trouble.begin) for spell in spells]
        self._edges += [(spell.until_s, spell.trouble.end) for spell in spells]
        self._edges.sort(key=lambda edge: -edge[0])  # the next one last

    def _advance(self, boot_s: float) -> None:
        while self._edges and self._edges[-1][0] <= boot_s:
            self._edges.pop()[1](self)
        super()._advance(boot_s)

    def wrap(self, address: int, name: str, wrapper: Callable[[Device], "Wrapped"]) -> None:
        self.world.bus.devices[address] = wrapped = wrapper(self.world.bus.devices[address])
        wrapped.name = name

    def unwrap(self, address: int, name: str) -> None:
        self.world.bus.devices[address] = _without(self.world.bus.devices[address], name)

    def _probe(self, probe_id: str, celsius: float) -> float | None:
        """Each has its turn, faults of a probe before those of its joint; None: it wrote the file itself."""
        for tap in reversed(self.probes.values()):
            shown_c = tap(probe_id, celsius)
            if shown_c is None:
                return None
            celsius = shown_c
        return celsius


class Wrapped:
    """A chip whose answers are corrupted on the way."""

    name = ""

    def __init__(self, chip: Device) -> None:
        self.chip = chip

    def write(self, register: int, data: Sequence[int]) -> None:
        self.chip.write(register, data)

    def read(self, register: int, length: int) -> list[int]:
        return self.chip.read(register, length)


class _Swapped(Wrapped):
    """Low byte first, in the registers named (none: in all)."""

    registers: tuple[int, ...] = ()

    def read(self, register: int, length: int) -> list[int]:
        answer = self.chip.read(register, length)
        return answer[::-1] if not self.registers or register in self.registers else answer


class _ResultSwapped(_Swapped):
    registers = (0,)


class _Browning(Wrapped):
    """A supply that fails at one transfer in twenty: the chip restarts, its registers lost."""

    def __init__(self, chip: Device) -> None:
        super().__init__(chip)
        self.random = Random(0)  # its own, or a trial would depend on those before it

    def read(self, register: int, length: int) -> list[int]:
        if self.random.random() < 0.05:
            innermost = self.chip
            while isinstance(innermost, Wrapped):
                innermost = innermost.chip
            innermost.reset()  # type: ignore[attr-defined]
        return super().read(register, length)


class _HangingBus(SimBus):
    """Held low, each transfer takes its time to fail."""

    def __init__(self, bench: Bench, devices: dict[int, Device]) -> None:
        super().__init__(devices)
        self._bench = bench

    def _answering(self, address: int) -> Device:
        if self.held_low:
            clock = self._bench.clock
            clock.sleep_until(clock.now().boot_s + HANG_S)
        return super()._answering(address)


class _HangingExecutor(Executor):
    """One thread, as in the station: work submitted while it hangs is done once it recovers."""

    def __init__(self) -> None:
        self.hangs = False
        self._waiting: list[tuple[Future[Any], Callable[..., Any], tuple[Any, ...]]] = []

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if not self.hangs:
            return InlineExecutor().submit(fn, *args, **kwargs)
        future: Future[Any] = Future()
        self._waiting.append((future, fn, args))
        return future

    def go_on(self) -> None:
        self.hangs = False
        for future, fn, args in self._waiting:
            done = InlineExecutor().submit(fn, *args)
            error = done.exception()
            if error is None:
                future.set_result(done.result())
            else:
                future.set_exception(error)
        self._waiting.clear()


def _through(taps: dict[str, Callable[[float], float]], value: float) -> float:
    for tap in taps.values():
        value = tap(value)
    return value


def _without(device: Device, name: str) -> Device:
    if not isinstance(device, Wrapped):
        return device
    if device.name == name:
        return device.chip
    device.chip = _without(device.chip, name)
    return device


# --- how each is done -------------------------------------------------------------------------------------


def _on_signal(name: str, make: Callable[[Broken], Callable[[float], float]], **more: Any) -> Trouble:
    def begin(bench: Broken) -> None:
        bench.signal[name] = make(bench)

    return Trouble(name, "pressure", begin, lambda bench: _gone(bench.signal, name), **more)


def _on_barometer(name: str, make: Callable[[Broken], Callable[[float], float]], **more: Any) -> Trouble:
    def begin(bench: Broken) -> None:
        bench.outside[name] = make(bench)

    return Trouble(name, "barometer", begin, lambda bench: _gone(bench.outside, name), **more)


def _on_probe(
    name: str, make: Callable[[Broken], Callable[[str, float], float | None]], **more: Any
) -> Trouble:
    def begin(bench: Broken) -> None:
        bench.probes[name] = make(bench)

    return Trouble(name, "thermometer", begin, lambda bench: _gone(bench.probes, name), **more)


def _on_chip(name: str, wire: str, addresses: Sequence[int], wrapper: type[Wrapped], **more: Any) -> Trouble:
    def begin(bench: Broken) -> None:
        for address in addresses:
            bench.wrap(address, name, wrapper)

    def end(bench: Broken) -> None:
        for address in addresses:
            bench.unwrap(address, name)

    return Trouble(name, wire, begin, end, **more)


def _absent(name: str, wire: str, address: int, **more: Any) -> Trouble:
    return Trouble(
        name,
        wire,
        lambda bench: bench.world.bus.absent.add(address),
        lambda bench: bench.world.bus.absent.discard(address),
        **more,
    )


def _probe_shows(name: str, how: str, **more: Any) -> Trouble:
    """A DS18B20 file as the kernel leaves it; how: a method of the folder."""

    def make(bench: Broken) -> Callable[[str, float], float | None]:
        folder = bench.world._one_wire

        def show(probe_id: str, celsius: float) -> float | None:
            if probe_id != WALL_PROBE_ID:
                return celsius
            getattr(folder, how)(probe_id)
            return None

        return show

    return _on_probe(name, make, **more)


def _gone(taps: dict[str, Any], name: str) -> None:
    taps.pop(name, None)


def _constant(volts: float) -> Callable[[Broken], Callable[[float], float]]:
    return lambda bench: lambda _: volts


def _noise(psi: float) -> Callable[[Broken], Callable[[float], float]]:
    def make(bench: Broken) -> Callable[[float], float]:
        return lambda volts: volts + bench.random.gauss(0.0, psi * VOLTS_PER_PSI)

    return make


def _drift(psi_per_h: float) -> Callable[[Broken], Callable[[float], float]]:
    def make(bench: Broken) -> Callable[[float], float]:
        began_s = bench.now_s
        return lambda volts: volts + psi_per_h * VOLTS_PER_PSI * (bench.now_s - began_s) / SECONDS_PER_HOUR

    return make


def _spikes(bench: Broken) -> Callable[[float], float]:
    """One reading in about a minute is 20 psi astray, up or down: all conversions of it."""
    state = {"until_s": 0.0, "next_s": bench.now_s, "psi": 0.0}

    def tap(volts: float) -> float:
        now_s = bench.now_s
        if now_s >= state["next_s"]:
            state["psi"] = bench.random.choice((-20.0, 20.0))
            state["until_s"], state["next_s"] = now_s + 0.5, now_s + bench.random.uniform(30.0, 90.0)
        return volts + (state["psi"] * VOLTS_PER_PSI if now_s < state["until_s"] else 0.0)

    return tap


def _bursts(bench: Broken) -> Callable[[float], float]:
    """Twenty seconds of 10 psi scatter every three minutes: a motor starts, a plug is touched."""
    began_s = bench.now_s

    def tap(volts: float) -> float:
        loud = (bench.now_s - began_s) % 180.0 < 20.0
        return volts + (bench.random.gauss(0.0, 10.0 * VOLTS_PER_PSI) if loud else 0.0)

    return tap


def _frozen_value(bench: Broken) -> Callable[[float], float]:
    held: list[float] = []

    def tap(value: float) -> float:
        held[:] = held or [value]
        return held[0]

    return tap


def _blocked(bench: Broken) -> Callable[[float], float]:
    """The pressure behind a plug stays; transducer and converter still scatter as they do."""
    return _frozen_value(bench)


def _frozen_probe(bench: Broken) -> Callable[[str, float], float | None]:
    frozen = _frozen_value(bench)
    return lambda probe_id, celsius: frozen(celsius) if probe_id == WALL_PROBE_ID else celsius


def _jumping(bench: Broken) -> Callable[[str, float], float | None]:
    """A bad joint: half of the readings are 5 to 30 C off, with a good checksum."""

    def show(probe_id: str, celsius: float) -> float:
        if probe_id != WALL_PROBE_ID or bench.random.random() < 0.5:
            return celsius
        return celsius + bench.random.choice((-1.0, 1.0)) * bench.random.uniform(5.0, 30.0)

    return show


def _swapped_probes(bench: Broken) -> Callable[[str, float], float | None]:
    """Somebody plugs the two probes back the wrong way round: each shows the other's place."""
    last = {WALL_PROBE_ID: 20.0, ROOM_PROBE_ID: 20.0}
    for probe_id, raw in bench.world._one_wire._raw.items():
        last[probe_id] = raw / 16.0

    def show(probe_id: str, celsius: float) -> float:
        last[probe_id] = celsius
        return last[ROOM_PROBE_ID if probe_id == WALL_PROBE_ID else WALL_PROBE_ID]

    return show


def _set_bus(attribute: str, value: object) -> Callable[[Broken], None]:
    return lambda bench: setattr(bench.world.bus, attribute, value)


def _set_stuck(address: int, stuck: bool) -> Callable[[Broken], None]:
    def act(bench: Broken) -> None:
        chip = bench.world.bus.devices[address]
        while isinstance(chip, Wrapped):
            chip = chip.chip
        chip.stuck = stuck  # type: ignore[attr-defined]

    return act


def _sag(volts: float, begins: bool) -> Callable[[Broken], None]:
    """The lowest of those that hold counts."""

    def act(bench: Broken) -> None:
        (bench.sags_v.add if begins else bench.sags_v.discard)(volts)
        bench.world._sagged_v = min(bench.sags_v, default=None)

    return act


def _reset_once(bench: Broken) -> None:
    for address in (CONVERTER, BAROMETER):
        chip = bench.world.bus.devices[address]
        while isinstance(chip, Wrapped):
            chip = chip.chip
        chip.reset()  # type: ignore[attr-defined]


def _nothing(bench: Broken) -> None:
    pass


def _hang(hangs: bool) -> Callable[[Broken], None]:
    def act(bench: Broken) -> None:
        if hangs:
            bench.one_wire.hangs = True
        else:
            bench.one_wire.go_on()

    return act


_NO_PRESSURE = "nothing of the pressure until it is mended; then all of it, with a leak that began meanwhile"
_ROOM_LEFT = "all, by the room thermometer: a leak is told later"
_ALL = "all"
_LEAKY = frozenset({AlarmId.LEAK, AlarmId.FLOOR_AHEAD})

CATALOGUE: tuple[Trouble, ...] = (
    _absent(
        "converter silent", "pressure", CONVERTER, alarm=SENSOR, within_s=60, remains=_NO_PRESSURE, blind=True
    ),
    Trouble(
        "converter stuck",
        "pressure",
        _set_stuck(CONVERTER, True),
        _set_stuck(CONVERTER, False),
        SENSOR,
        3900,
        "nothing after that; a leak in the hour before it is noticed is seen when mended",
        blind=True,
        lasts_s=7200.0,
    ),
    _on_signal(
        "noisy, 1.5 psi rms", _noise(1.5), alarm=SENSOR, within_s=600, remains=_NO_PRESSURE, blind=True
    ),
    _on_chip(
        "bytes swapped",
        "pressure",
        [CONVERTER],
        _Swapped,
        alarm=SENSOR,
        within_s=60,
        remains=_NO_PRESSURE,
        blind=True,
    ),
    _on_chip(
        "bytes of the result swapped",
        "pressure",
        [CONVERTER],
        _ResultSwapped,
        alarm=SENSOR,
        within_s=600,
        remains=_NO_PRESSURE,
        blind=True,
    ),
    _on_signal(
        "signal too low, 0.1 V", _constant(0.1), alarm=SENSOR, within_s=60, remains=_NO_PRESSURE, blind=True
    ),
    _on_signal(
        "signal too high, 4.9 V", _constant(4.9), alarm=SENSOR, within_s=60, remains=_NO_PRESSURE, blind=True
    ),
    _on_signal(
        "transducer unplugged", _constant(0.004), alarm=SENSOR, within_s=60, remains=_NO_PRESSURE, blind=True
    ),
    Trouble("supply sags to 4.6 V", "supply", _sag(4.6, True), _sag(4.6, False), None, 0, _ALL),
    Trouble(
        "supply sags to 4.3 V",
        "supply",
        _sag(4.3, True),
        _sag(4.3, False),
        SENSOR,
        60,
        _NO_PRESSURE,
        blind=True,
    ),
    _on_signal("transducer drifts down, 0.1 psi/h", _drift(-0.1), alarm=None, within_s=0, remains=_ALL),
    _on_signal(
        "transducer drifts down, 1.5 psi/h",
        _drift(-1.5),
        alarm=None,
        within_s=0,
        remains="told as a leak: one gauge alone cannot tell the two",
        may=_LEAKY,
        lasts_s=10_800.0,
    ),
    _on_signal(
        "transducer drifts up, 3 psi/h",
        _drift(3.0),
        alarm=SENSOR,
        within_s=10_800,
        remains="a leak slower than the drift is hidden until it is noticed",
        blind=True,
        lasts_s=10_800.0,
    ),
    _on_signal(
        "spikes of 20 psi, one a minute",
        _spikes,
        alarm=None,
        within_s=0,
        remains=_ALL,
        may=frozenset({SENSOR}),
    ),
    _on_signal(
        "bursts of 10 psi scatter", _bursts, alarm=None, within_s=0, remains=_ALL, may=frozenset({SENSOR})
    ),
    _on_chip(
        "brown-outs",
        "supply",
        [CONVERTER, BAROMETER],
        _Browning,
        alarm=None,
        within_s=0,
        remains=_ALL,
        may=frozenset({SENSOR}),
    ),
    Trouble("all chips reset once", "supply", _reset_once, _nothing, None, 0, _ALL),
    Trouble(
        "bus held low",
        "bus",
        _set_bus("held_low", True),
        _set_bus("held_low", False),
        SENSOR,
        60,
        _NO_PRESSURE,
        blind=True,
    ),
    Trouble("bus flaky", "bus", _set_bus("fail_every", 7), _set_bus("fail_every", 0), None, 0, _ALL),
    _on_signal(
        "port blocked, ordinary night",
        _blocked,
        alarm=None,
        within_s=0,
        remains="nothing, and it is not told: the pressure need not have moved by more than drift",
        blind=True,
        lasts_s=10_800.0,
    ),
    _on_signal(
        "port blocked",
        _blocked,
        alarm=SENSOR,
        within_s=18_000,
        remains="nothing; told once the thermometers leave no doubt that the gas has moved",
        blind=True,
        night="cold-workshop",
        lasts_s=18_000.0,
    ),
    _probe_shows("thermometer unplugged", "remove", alarm=THERMOMETER, within_s=240, remains=_ROOM_LEFT),
    _probe_shows("thermometer says 85 C", "power_on", alarm=THERMOMETER, within_s=240, remains=_ROOM_LEFT),
    _probe_shows(
        "thermometer's checksum wrong", "bad_crc", alarm=THERMOMETER, within_s=240, remains=_ROOM_LEFT
    ),
    _probe_shows("thermometer's file empty", "empty", alarm=THERMOMETER, within_s=240, remains=_ROOM_LEFT),
    Trouble(
        "1-Wire read hangs",
        "thermometer",
        _hang(True),
        _hang(False),
        THERMOMETER,
        240,
        "all, without thermometers: a leak is told hours later",
    ),
    _on_probe(
        "thermometer stuck",
        _frozen_probe,
        alarm=THERMOMETER,
        within_s=18_000,
        remains=_ROOM_LEFT,
        night="cold-workshop",
        lasts_s=18_000.0,
    ),
    _on_probe("thermometer jumps", _jumping, alarm=THERMOMETER, within_s=600, remains=_ROOM_LEFT),
    _on_probe(
        "thermometers swapped",
        _swapped_probes,
        alarm=None,
        within_s=0,
        remains="all; that they are swapped is not told",
        may=frozenset({THERMOMETER}),
    ),
    _absent("barometer gone", "barometer", BAROMETER, alarm=None, within_s=0, remains=_ALL),
    Trouble(
        "barometer stuck",
        "barometer",
        _set_stuck(BAROMETER, True),
        _set_stuck(BAROMETER, False),
        None,
        0,
        _ALL,
        lasts_s=10_800.0,
    ),
    _on_barometer(
        "barometer off by +100 hPa", lambda bench: lambda pa: pa + 1e4, alarm=None, within_s=0, remains=_ALL
    ),
    _on_barometer(
        "barometer off by -100 hPa", lambda bench: lambda pa: pa - 1e4, alarm=None, within_s=0, remains=_ALL
    ),
)

BY_NAME = {trouble.name: trouble for trouble in CATALOGUE}


def night_of(name: str, leak_psi_per_h: float = 0.0, onset_s: float = 0.0) -> Night:
    """Return a named night, with a leak through a hole on request."""
    night = NIGHTS[name]
    if not leak_psi_per_h:
        return night
    rate_pa_per_s = leak_psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR
    return replace(night, leaks=(Leak(onset_s, LeakLaw.ORIFICE, rate_pa_per_s=rate_pa_per_s),))
