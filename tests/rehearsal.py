"""Rehearse nights through the real drivers, watch and record on a clock moved by hand."""

import shutil
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.drivers.thermometers.ds18b20 import InlineExecutor
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, BatchClosed, BatchSummary, Event
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.outputs.signals import Signals
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.service.notified import Notified
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.sim.world import Night, SensorFault, World

TRUTH_PERIOD_S = 5.0


class Bench:
    """A simulated pot, a record, and one service after the other that watches it.

    `now_s` is the time of the night; boots and services come and go on it, the pot does not notice.
    """

    def __init__(
        self,
        night: Night,
        folder: Path,
        *,
        faults: Iterable[SensorFault] = (),
        seed: int = 0,
        sample_period_s: float = 5.0,
        link: MqttLink | None = None,
        speed: float | None = None,
        live: LiveFile | None = None,
        is_real: bool = False,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.night = night
        self.folder = folder
        self.record = folder / "record.db"
        self.settings: Settings = load_text(
            f"{night.settings_yaml}sample_period: {sample_period_s:g} s\n", f"night {night.name}"
        )
        self.world = World(night, folder, seed=seed)
        self.world.script(*faults)
        self.link = link
        self.speed = speed
        self.live = live
        self.is_real = is_real  # as far as its watch knows
        self.signals: Signals | None = None
        self.executor: Executor = InlineExecutor()  # reads the thermometers
        self.unwritten: Path | None = None  # the spool of samples not yet written
        self.notified: Notified | None = None
        self.now_s = 0.0
        self.heard: list[tuple[str, int | None, Event]] = []
        self.true_rates: list[tuple[float, float]] = []  # second of the night, Pa/s
        self._boot_at_s = 0.0
        self._cuts = 0
        self.clock: ManualClock
        self.store: Store
        self.service: Service

    def begin(self, boot: str = "boot-1", boot_at_s: float = 0.0, utc_known: bool = True) -> Service:
        """Start a service now. boot_at_s: second of the night at which this boot began."""
        self._boot_at_s = boot_at_s
        self.clock = ManualClock(self.now_s - boot_at_s, None, self._advance, self.speed)
        if utc_known:
            self.clock.set_utc(self.night.start_utc_s + self.now_s)
        station = simulated_station(self.settings, self.world, self.executor)
        self.store = Store.open_for_watch(self.record, unwritten=self.unwritten)
        self.service = Service(
            self.settings,
            self.clock,
            boot,
            station,
            self.store,
            self.link,
            None if self.is_real else self.night.name,
            self._hear,
            self.live,
            self.signals,
            self.notified,
        )
        self.service.start()
        return self.service

    def run_until(self, night_s: float | None = None) -> None:
        """Let the service run until this second of the night, or to its end."""
        until_s = self.night.duration_s if night_s is None else night_s
        self.service.run(until_s - self._boot_at_s)

    def power_cut(self) -> None:
        """Abandon the service, and go on with what it has written to the medium so far."""
        self.store.let_go()  # as the kernel does
        self._cuts += 1
        kept = self.folder / f"after-cut-{self._cuts}.db"
        for ending in ("", "-wal"):
            written = Path(f"{self.record}{ending}")
            if written.exists():
                shutil.copyfile(written, f"{kept}{ending}")
        self.record = kept

    def pass_unwatched(self, seconds: float) -> None:
        """Let time pass in which no service runs."""
        self.now_s += seconds
        self.world.advance(self.now_s)

    def _advance(self, boot_s: float) -> None:
        self.now_s = boot_s + self._boot_at_s
        self.world.advance(self.now_s)
        if not self.true_rates or self.now_s - self.true_rates[-1][0] >= TRUTH_PERIOD_S:
            self.true_rates.append((self.now_s, self.world.pot.leak_pa_per_s))

    def _hear(self, pot_id: str, batch: int | None, event: Event) -> None:
        self.heard.append((pot_id, batch, event))

    # -- results -----------------------------------------------------------------------------------

    @property
    def events(self) -> list[Event]:
        return [event for _, _, event in self.heard]

    @property
    def summaries(self) -> list[tuple[int | None, BatchSummary]]:
        """The batches that were closed, and then those that are open, with their numbers."""
        closed = [(batch, event.summary) for _, batch, event in self.heard if isinstance(event, BatchClosed)]
        return closed + [
            (self.service.batch_ids[pot_id], summary)
            for pot_id, watch in self.service.watches.items()
            if (summary := watch.summary()) is not None
        ]

    @property
    def summary(self) -> BatchSummary:
        """The only batch of the night."""
        ((_, summary),) = self.summaries
        return summary

    def true_rate_at(self, night_s: float) -> float:
        """Return the true fall at constant temperature, Pa/s, by the simulated pot; the last up to then."""
        return max(known for known in self.true_rates if known[0] <= night_s)[1]


@dataclass(frozen=True)
class Raised:
    """One alarm as raised, on the record's axis; text: what to do, and why."""

    alarm: AlarmId
    t_s: float
    text: str


def raised(events: Iterable[Event]) -> list[Raised]:
    """Return each alarm that was announced, repeats left out."""
    return [
        Raised(event.alarm, event.t_s, f"{event.do}. {event.text}")
        for event in events
        if isinstance(event, AlarmEvent) and event.state is AlarmState.UNACKNOWLEDGED and not event.repeat
    ]


def texts(bench: Bench) -> list[str]:
    """Return all words shown to a person in the night."""
    told = [event.text for event in bench.events if hasattr(event, "text")]
    return told + [text for _, summary in bench.summaries for text in (summary.reason, summary.note)]


@contextmanager
def watching(bench: Bench, record: Path) -> Iterator[Bench]:
    """Let a service continue a record in a new boot, and tick in a separate thread."""
    begun, enough = threading.Event(), threading.Event()
    failed: list[BaseException] = []

    def watch() -> None:
        try:
            bench.record = record
            bench.pass_unwatched(60.0)
            bench.begin("boot-2", boot_at_s=bench.now_s)
            bench.service.tick()
            begun.set()
            while not enough.wait(0.005):
                bench.run_until(bench.now_s + bench.settings.sample_period_s)
            bench.service.stop()
        except BaseException as error:
            failed.append(error)
            begun.set()

    thread = threading.Thread(target=watch)
    thread.start()
    try:
        begun.wait()
        yield bench
    finally:
        enough.set()
        thread.join()
        if failed:
            raise failed[0]


def rehearse(night: Night, folder: Path, **options: object) -> Bench:
    """Run a whole night under one service and stop it cleanly; options as of Bench."""
    bench = Bench(night, folder, **options)  # type: ignore[arg-type]
    bench.begin()
    bench.run_until()
    bench.service.stop()
    return bench
