"""A Pi of three pots through rehearsed nights: the real drivers, watch and record, and those who use them."""

import tempfile
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import replace
from pathlib import Path
from random import Random

from potvigil.clock import Instant, ManualClock
from potvigil.commands.rehearsal.side_by_side import SideBySide
from potvigil.model.events import Action, AlarmId, Detail
from potvigil.model.maintenance import Part
from potvigil.model.reading import Sample
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import ADS1115_ADDRESS, Night
from potvigil.upkeep.thinning import thin

POTS = ("lantern", "harbour", "jetty")
DAY_S = 86_400.0
# Nights on the same pot and the same wires, so that one machine's settings fit them all.
PLAYED = tuple(night for night in NIGHTS.values() if night.settings_yaml == NIGHTS["sound"].settings_yaml)
NIGHT_S = max(night.duration_s for night in PLAYED)
# The clock is set so long after a boot, and later found to be so far off.
_CLOCK_SET_S, _CLOCK_OFF_S = 3600.0, 7.0
_NAP_S = 0.05
_STEPS = 24  # of a night: what people do, they do between two


def own(night: Night, pot: str) -> Night:
    """Return a night of PLAYED on the converter and the thermometers of a pot of POTS."""
    number = POTS.index(pot)
    address = ADS1115_ADDRESS + number
    settings = night.settings_yaml.replace(f"0x{ADS1115_ADDRESS:02x}", f"0x{address:02x}")
    probes = tuple(replace(each, probe_id=f"{each.probe_id[:-1]}{number}") for each in night.probes)
    for was, now in zip(night.probes, probes, strict=True):
        settings = settings.replace(was.probe_id, now.probe_id)
    electronics = replace(night.electronics, wires=replace(night.electronics.wires, address=address))
    return replace(night, settings_yaml=settings, probes=probes, electronics=electronics)


def settings_of(workshop: str, sample_period_s: float) -> Settings:
    """Return the settings of a machine that watches POTS, each pot as on the nights PLAYED."""
    each = {
        pot: load_text(
            f"{own(PLAYED[0], pot).settings_yaml}sample_period: {sample_period_s:g} s\n", "rehearsed nights"
        )
        for pot in POTS
    }
    pots = {pot: next(iter(settings.pots.values())) for pot, settings in each.items()}
    return each[POTS[0]].model_copy(update={"workshop": workshop, "pots": pots})


class _Wires:
    """Reads the pots, which are brought to that moment first: at the simulator's pace no second is asked for.

    speed: of the night; kept on average, for a busy machine wakes a sleeper late.
    """

    def __init__(self, pots: SideBySide, speed: float | None) -> None:
        self._pots, self._speed, self._begun_s = pots, speed, time.monotonic()

    def read(self, t_s: float, instant: Instant) -> list[tuple[str, Sample]]:
        if self._speed is not None:
            ahead_s = self._begun_s + instant.boot_s / self._speed - time.monotonic()
            if ahead_s > _NAP_S:
                time.sleep(ahead_s)
        self._pots.advance(instant.boot_s)
        return self._pots.read(t_s, instant)

    def close(self) -> None:
        """Leave the pots open: the watch is begun anew on the same ones."""


class RehearsedPi:
    """One machine and its record. speed: of the nights, None as fast as it goes.

    Its watch takes the nights for real ones, so that it learns of them. Each is a boot that begins without a
    clock; the clock is set after an hour and once more later, and the watch is begun anew in between.
    """

    def __init__(
        self,
        record: Path,
        workshop: str,
        seed: int,
        *,
        sample_period_s: float = 1.0,
        speed: float | None = None,
    ) -> None:
        self.record, self._random, self._speed = record, Random(seed), speed
        self.settings = settings_of(workshop, sample_period_s)
        self._boots = 0

    def play(self, nights: int) -> None:
        """Let so many nights pass, each with another course for each pot."""
        for _ in range(nights):
            self.pass_night([self._random.choice(PLAYED) for _ in POTS], NIGHT_S, self._use)

    def pass_night(
        self, courses: list[Night], until_s: float, use: Callable[[float], None] = lambda utc_s: None
    ) -> None:
        """Let a night pass, or what of it comes before until_s. use: is called between its steps."""
        self._boots += 1
        with tempfile.TemporaryDirectory(prefix="potvigil-night-") as folder:
            seed = self._random.getrandbits(30)
            nights = {pot: own(night, pot) for pot, night in zip(POTS, courses, strict=True)}
            pots = SideBySide(nights, self.settings, Path(folder), seed)
            wires, clock = _Wires(pots, self._speed), ManualClock(0.0, None)
            begun_utc_s = courses[0].start_utc_s + self._boots * DAY_S
            service = self._service(clock, wires)
            for step in range(1, _STEPS + 1):
                service.run(until_s * step / _STEPS)
                at_s = clock.now().boot_s
                if at_s >= _CLOCK_SET_S:
                    off_s = _CLOCK_OFF_S if step > _STEPS // 2 else 0.0
                    clock.set_utc(begun_utc_s + at_s + off_s)
                    use(begun_utc_s + at_s)
                if step == _STEPS // 3:
                    service.stop()
                    service = self._service(clock, wires)
            service.stop()
            pots.close()

    def _service(self, clock: ManualClock, wires: _Wires) -> Service:
        store = Store.open_for_watch(self.record)
        service = Service(self.settings, clock, f"boot-{self._boots}", wires, store)
        service.start()
        return service

    def _use(self, now_utc_s: float) -> None:
        """Do what people and timers do while the watch runs: each by a connection of its own."""
        pot, random = self._random.choice(POTS), self._random
        with closing(Store.open(self.record)) as store:
            match random.randrange(5):
                case 0:
                    store.add_command(pot, Action.ACKNOWLEDGE, now_utc_s, alarm=AlarmId.LEAK, by="Anna")
                case 1:
                    store.add_edits(pot, {Detail.NOTE: f"lens {random.random()}"}, "Ben", now_utc_s)
                case 2:
                    store.add_care(pot, now_utc_s, Part.SEAL, f"new {random.random()}", "Ben", now_utc_s)
                    if random.random() < 0.5:
                        store.remove_care(pot, store.cares(pot)[-1].id)
                case 3:
                    for batch in store.batches(pot, limit=1):
                        if batch.end_t_s is not None:
                            store.edit(batch.id, {Detail.LABEL: f"lens {random.random()}"}, "Anna", now_utc_s)
                case _:
                    with suppress(RecordError):  # held by the watch; the timer comes again
                        thin(self.record, random.uniform(1.0, 8.0) * 3600.0, now_utc_s, rest_s=0.0)
