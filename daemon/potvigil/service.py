"""The loop: where inputs, core, record and outputs meet. One thread reads, thinks and tells, per sample."""

import logging
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from queue import Empty, Full, Queue

from potvigil.clock import Clock, Instant
from potvigil.core import details
from potvigil.core.again import feed_again
from potvigil.core.answer import answer
from potvigil.core.event import (
    LAST_BATCH,
    Action,
    AlarmId,
    Answer,
    BatchClosed,
    BatchOpened,
    Command,
    EditEvent,
    Event,
    NoteEvent,
    NoteId,
    Outcome,
)
from potvigil.core.reading import Place, Sample
from potvigil.core.watch import PotWatch
from potvigil.inputs.converter import Converter
from potvigil.inputs.ds18b20 import ONE_WIRE_ROOT, THE_ONLY_ONE, find_probes
from potvigil.inputs.i2c import Bus, open_bus
from potvigil.inputs.max31865 import RtdWiring
from potvigil.inputs.ntc import Coefficients, NtcWiring, of_beta
from potvigil.inputs.spi import PinFactory, system_pins
from potvigil.inputs.station import BarometerWiring, PotWiring, Station, Thermometer, open_station
from potvigil.learning import Past
from potvigil.outputs import systemd
from potvigil.outputs.homie import SetCommand
from potvigil.outputs.live import LiveFile
from potvigil.outputs.mqtt import MqttLink, MqttOutput, read_password
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import QuietHours, Signals, Wiring
from potvigil.record.care_due import care_due
from potvigil.record.errors import DamagedRecordError, RecordError
from potvigil.record.rows import TraceRow
from potvigil.record.store import CLOCK_STEP_S, COMMANDS_A_TICK, Store
from potvigil.record.thinning import thinned
from potvigil.settings import MqttSettings, PotSettings, Settings, ThermometerSettings

_log = logging.getLogger("potvigil")

# What went before a batch is fed again with it after a restart, so that the scatter of the reading is known;
# what came after one whose alarms nobody has seen, until they would have returned.
_FEED_BEFORE_S, _FEED_AFTER_S = 120.0, 3600.0
# Fed again in full are the last hours; what is older is fed as means, as a thinned record is: three days in
# full would take minutes on a small Pi. While it lasts the service manager is asked for so much more time.
_FED_IN_FULL_S, _FED_IN_A_ROW, _START_S = 3 * 3600.0, 2000, 60.0
# For so long a watch says that it began a new record in place of a damaged one.
_BEGUN_ANEW_S = 600.0
# So long a test of the alarm waits for the broker to confirm that it was told.
_TOLD_WITHIN_S = 5.0
# A sleep is cut so that a request to stop is heard soon.
_LONGEST_SLEEP_S = 1.0

OnEvent = Callable[[str, int | None, Event], None]  # pot, batch, what happened


class WiringError(ValueError):
    """The settings leave open which device is meant, and what is plugged in does not decide it."""


def open_inputs(
    settings: Settings,
    *,
    bus_opener: Callable[[int], Bus] = open_bus,
    pins: Callable[[], PinFactory] = system_pins,
    one_wire_root: Path = ONE_WIRE_ROOT,
    executor: Executor | None = None,
    sleep: Callable[[float], None] = time.sleep,
) -> Station:
    """Open what the settings name. Raises WiringError where a thermometer's id is needed and not given."""
    pots = [_wiring(pot_id, pot, one_wire_root) for pot_id, pot in settings.pots.items()]
    barometer = None
    if settings.barometer.device is not None:
        wire = settings.barometer
        barometer = BarometerWiring(wire.bus, wire.address, wire.device or "")
    return open_station(
        pots,
        barometer,
        bus_opener=bus_opener,
        pins=pins,
        one_wire_root=one_wire_root,
        executor=executor,
        sleep=sleep,
    )


def mqtt_link(settings: MqttSettings) -> MqttLink:
    """Return how to reach the broker; the password is read from its file. Raises MqttPasswordError."""
    tls = settings.tls
    return MqttLink(
        host=settings.host,
        port=settings.port,
        version=settings.version,
        username=settings.username,
        password=None if settings.password_file is None else read_password(settings.password_file),
        tls=tls is not None,
        ca_file=None if tls is None else tls.ca_file,
        certificate_file=None if tls is None else tls.cert_file,
        key_file=None if tls is None else tls.key_file,
        client_id=settings.client_id,
    )


def signal_wiring(settings: Settings) -> Wiring:
    """Return the pins of lamp, buzzer and button."""
    signals = settings.signals
    if signals is None:
        return Wiring()
    lamps = {} if signals.lamp is None else {Lamp(lamp): pin for lamp, pin in signals.lamp if pin is not None}
    return Wiring(lamps, signals.buzzer, signals.button)


def quiet_hours(settings: Settings) -> QuietHours | None:
    if settings.signals is None or settings.signals.quiet_hours is None:
        return None
    return QuietHours(*settings.signals.quiet_hours, settings.timezone)


class Service:
    """The watch over all pots of a workshop: `start`, then `run` (or `tick` by `tick`), then `stop`.

    rehearsed: which night is rehearsed, None when it is real. on_event is told every event of every pot.
    live: where what is known now is written for the page, None for nowhere. signals: lamp, buzzer and button.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        boot_id: str,
        station: Station,
        store: Store,
        link: MqttLink | None = None,
        rehearsed: str | None = None,
        on_event: OnEvent = lambda pot_id, batch, event: None,
        live: LiveFile | None = None,
        signals: Signals | None = None,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._boot_id = boot_id
        self._station = station
        self._store = store
        self._rehearsed = rehearsed
        self._on_event = on_event
        self._live = live
        self._signals = signals
        pots = settings.core_pots()
        self.watches: dict[str, PotWatch] = {}
        self._pasts: dict[str, Past] = {}
        self.batch_ids: dict[str, int | None] = {}
        # bounded: whoever floods the broker is not to fill the memory
        self._asked: Queue[tuple[str, Command]] = Queue(COMMANDS_A_TICK)
        self._tests: list[tuple[str, Command, float]] = []  # not answered yet; monotonic until when to wait
        self._mqtt: MqttOutput | None = None
        if link is not None:
            self._mqtt = MqttOutput(
                link, settings.workshop, pots.values(), rehearsed is not None, self._hear_mqtt
            )
        self._axis_offset_s = 0.0
        self._start_s = 0.0
        self._utc_less_t_s: float | None = None  # once the wall clock was set
        self._mending: Iterator[None] | None = None
        self._deadline_s = 0.0
        self._stopping = False
        self._watch_afresh()

    def start(self) -> None:
        """Begin a run: take up the open batches where they stood, and connect."""
        now = self._clock.now()
        try:
            self._take_up(now)
        except DamagedRecordError as error:
            self._store.begin_anew(error)
            self._take_up(now)
        except RecordError as error:
            self._store.do_without(error)
            self._take_up(now)
        if self._live is not None:
            self._live.begin(self._axis_offset_s, self._start_s)
        if self._mqtt is not None:
            self._mqtt.start()
        if self._signals is not None:
            self._signals.start(self._ask)
        self._deadline_s = self._clock.now().boot_s
        systemd.ready(f"watching {', '.join(self.watches)}")

    def run(self, until_s: float | None = None) -> None:
        """Tick once per sample period until asked to stop, or until a boot time."""
        while not self._stopping and (until_s is None or self._deadline_s <= until_s):
            self._sleep_until(self._deadline_s)
            if self._stopping:
                break
            self.tick()
            self._deadline_s += self._settings.sample_period_s
            # after a long stall there is nothing to catch up with
            self._deadline_s = max(self._deadline_s, self._clock.now().boot_s)

    def request_stop(self) -> None:
        """Ask the loop to end after the tick at hand; may be called from a signal handler."""
        self._stopping = True

    def tick(self) -> None:
        """Read every pot once, think, tell."""
        now = self._clock.now()
        t_s = now.boot_s + self._axis_offset_s
        with self._store.held():
            self._answer_tests()
            self._take_commands(t_s, now)
            for pot_id, sample in self._station.read(t_s, now):
                self._store.append(pot_id, sample)
                self._tell(pot_id, self.watches[pot_id].feed(sample))
                keep_trace(self._store, self.watches[pot_id], pot_id, t_s)
        self._commit(t_s, now)
        self._watch_clock(now)
        self._watch_signals()
        if self._mqtt is not None or self._live is not None or self._signals is not None:
            snapshots = {pot_id: watch.snapshot() for pot_id, watch in self.watches.items()}
            if self._mqtt is not None:
                self._mqtt.publish(snapshots, self.batch_ids)
            if self._live is not None:
                self._live.write(snapshots, self.batch_ids)
            if self._signals is not None:
                now = self._clock.now()  # after the reading: a call begins with its first pulse
                standing = {pot_id: snapshot.alarms for pot_id, snapshot in snapshots.items()}
                self._signals.show(now.boot_s, now.utc_s, standing)
        systemd.ping_watchdog()

    def stop(self) -> None:
        """End cleanly: nothing that was read is lost, and the broker is told."""
        systemd.stopping()
        if self._mqtt is not None:
            self._mqtt.stop()
        if self._signals is not None:
            self._signals.close()
        self._station.close()
        try:
            self._store.flush()
        finally:
            self._store.close()

    # -- commands ----------------------------------------------------------------------------------

    def _hear_mqtt(self, asked: SetCommand) -> None:
        command = Command(asked.action, 0.0, asked.alarm, asked.text, by="mqtt", field=asked.field)
        self._ask(asked.pot_id, command)  # from the network thread: no more than this

    def _ask(self, pot_id: str, command: Command) -> None:
        try:
            self._asked.put_nowait((pot_id, command))
        except Full:
            _log.warning("%s: more was asked at once than is taken up; ask again", pot_id)

    def _take_commands(self, t_s: float, now: Instant) -> None:
        asked: list[tuple[str, Command]] = []
        with suppress(Empty):
            while len(asked) < COMMANDS_A_TICK:
                asked.append(self._asked.get_nowait())
        unwritten: list[tuple[str, Command]] = []
        try:
            if asked:
                self._store.add_commands(asked, now.utc_s)
        except RecordError:  # heard all the same; the failing record has its own alarm
            unwritten = [(pot_id, replace(command, t_s=t_s)) for pot_id, command in asked]
        try:
            taken = self._store.take_commands(t_s)
        except RecordError:
            taken = []
        for pot_id, command in taken + unwritten:
            watch = self.watches.get(pot_id)
            if watch is None:
                gone = f"the watch has no pot {pot_id} any more; see its settings"
                self._store.answer(command, Answer(Outcome.REFUSED, gone))
                continue
            events = watch.handle(command)
            self._tell(pot_id, events)
            said = answer(command, events, self._settings.timezone)
            if command.action is Action.TEST_ALARM and said.outcome is Outcome.DONE:
                self._tests.append((pot_id, command, time.monotonic() + _TOLD_WITHIN_S))
            else:
                self._store.answer(command, said)

    def _answer_tests(self) -> None:
        """Say of each test of the alarm by which ways it went out; the last tick has sent it."""
        waiting, self._tests = self._tests, []
        for pot_id, command, until_s in waiting:
            heard = None if self._mqtt is None else self._mqtt.has_told(pot_id, AlarmId.TEST)
            if self._mqtt is not None and not heard and time.monotonic() < until_s:
                self._tests.append((pot_id, command, until_s))
                continue
            ways = {} if self._signals is None else self._signals.ways()
            if self._mqtt is not None:
                ways = {"MQTT": None if heard else self._mqtt.fault} | ways
            self._store.answer(command, _of_test(ways))

    def _take_over(self, pot_id: str, batch_id: int, utc_s: float | None) -> None:
        """Ask for what the pot's last batch was made of: as a command, so that a restart feeds it again."""
        try:
            rows = self._store.batches(pot_id, limit=2)
        except RecordError:
            return
        last = next((row for row in rows if row.id < batch_id), None)
        if last is None or (last.rehearsed is None) != (self._rehearsed is None):
            return
        found = {field: text for field in details.TAKEN_OVER if (text := last.details.get(field))}
        try:
            self._store.add_edits(pot_id, found, LAST_BATCH, utc_s)
        except RecordError:  # once more with the next tick
            for field, text in found.items():
                self._ask(pot_id, Command(Action.EDIT, 0.0, text=text, by=LAST_BATCH, field=field))

    # -- record ------------------------------------------------------------------------------------

    def _tell(self, pot_id: str, events: Iterable[Event]) -> None:
        for told in events:
            event = self._dated(told)
            before = self.batch_ids[pot_id]
            after = self.batch_ids[pot_id] = keep_event(self._store, pot_id, before, event)
            self._pasts[pot_id].hear(after, event)
            if isinstance(event, BatchClosed) and before is not None:
                self._pasts[pot_id].keep(before)
            if isinstance(event, BatchOpened) and after is not None:
                self._take_over(pot_id, after, event.utc_s)
            if self._signals is not None:
                self._signals.hear(pot_id, event)
            self._on_event(pot_id, before if after is None else after, event)
            if isinstance(event, BatchOpened):
                self._tell(pot_id, self._care_due(pot_id, event))

    def _care_due(self, pot_id: str, opened: BatchOpened) -> list[NoteEvent]:
        """Return a note for whatever of the pot is to be seen to: who fills it stands beside it."""
        if opened.utc_s is None:
            return []
        try:
            due = care_due(self._store, pot_id, opened.utc_s, self._settings.timezone)
        except RecordError:
            return []
        return [NoteEvent(opened.t_s, opened.utc_s, NoteId.CARE_DUE, text) for text in due]

    def _dated(self, event: Event) -> Event:
        """Return a closing with the batch's begin in the wall time that is known by now."""
        if not isinstance(event, BatchClosed) or self._utc_less_t_s is None:
            return event
        start_s, known_utc_s = event.summary.start_s, event.summary.start_utc_s
        if start_s < self._axis_offset_s:  # in an earlier boot, of which this clock tells nothing
            return event
        begun_utc_s = start_s + self._utc_less_t_s
        if known_utc_s is not None and abs(known_utc_s - begun_utc_s) <= CLOCK_STEP_S:
            return event
        return replace(event, summary=replace(event.summary, start_utc_s=begun_utc_s))

    def _commit(self, t_s: float, now: Instant) -> None:
        text = self._store.begun_anew if t_s < self._start_s + _BEGUN_ANEW_S else None
        try:
            self._store.commit_due(t_s)
            self._mend_times(t_s, now)
        except RecordError as error:
            text = f"The watch goes on, but nothing is being kept: {error}"
        for watch in self.watches.values():
            watch.report(AlarmId.RECORD_FAILING, text)

    def _mend_times(self, t_s: float, now: Instant) -> None:
        """Once the wall clock is set, or was set anew, date what was kept before, a little with each tick."""
        if now.utc_s is None:
            return
        ahead_s, known_s = now.utc_s - t_s, self._utc_less_t_s
        if self._mending is None or known_s is None or abs(ahead_s - known_s) > CLOCK_STEP_S:
            was_set = known_s is not None
            self._mending = self._store.mend_times(self._boot_id, t_s, ahead_s, was_set=was_set)
            self._utc_less_t_s = ahead_s
        try:
            next(self._mending, None)
        except RecordError:
            self._mending = None  # begun again with the next tick that can write
            raise

    def _watch_clock(self, now: Instant) -> None:
        text = None
        if now.utc_s is None:
            text = "This machine's clock is not set: times are counted from now until it is."
        for watch in self.watches.values():
            watch.report(AlarmId.CLOCK_UNSET, text)

    def _watch_signals(self) -> None:
        if self._signals is None:
            return
        fault, text = self._signals.fault, None
        if fault is not None:
            text = (
                f"{fault[:1].upper()}{fault[1:]}. Nobody may see or hear an alarm there. "
                "Check the wires, then try `potvigil alarm test`."
            )
        for watch in self.watches.values():
            watch.report(AlarmId.SIGNALS_FAILING, text)

    def _watch_afresh(self) -> None:
        pots = self._settings.core_pots()
        self.watches = {pot_id: PotWatch(pot) for pot_id, pot in pots.items()}
        self._pasts = {
            pot_id: Past(self._store, pot, self.watches[pot_id], rehearsed=self._rehearsed is not None)
            for pot_id, pot in pots.items()
        }
        self.batch_ids = dict.fromkeys(pots)

    def _take_up(self, now: Instant) -> None:
        """Begin a run, and feed to fresh watches what they must know again."""
        self._axis_offset_s = self._store.begin_run(
            self._settings.as_json(), self._boot_id, now.boot_s, now.utc_s, self._rehearsed
        )
        self._start_s = now.boot_s + self._axis_offset_s
        self._watch_afresh()
        for pot_id, watch in self.watches.items():
            self._feed_again(pot_id, watch)

    def _feed_again(self, pot_id: str, watch: PotWatch) -> None:
        """Feed the open batch, or the last one with alarms nobody has seen, to the watch; tell nothing."""
        row = self._store.latest_unseen_batch(pot_id)
        if row is None:
            return
        until_s = None if row.end_t_s is None else row.end_t_s + _FEED_AFTER_S
        commands = self._store.commands(pot_id, row.start_t_s, until_s)
        closed: BatchClosed | None = None
        samples = self._kept(pot_id, row.start_t_s - _FEED_BEFORE_S, until_s)
        for number, (_, events) in enumerate(feed_again(watch, samples, commands)):
            if number % _FED_IN_A_ROW == 0:
                systemd.starting(_START_S)
            for event in events:
                self._pasts[pot_id].hear(row.id, event)
                if isinstance(event, BatchClosed):
                    closed = event
        if row.end_t_s is None:
            if watch.summary() is not None:
                self.batch_ids[pot_id] = row.id
            elif closed is not None:  # the machine stopped between the last sample and the closing
                self._store.close_batch(row.id, closed)
                self._pasts[pot_id].keep(row.id)

    def _kept(self, pot_id: str, from_s: float, until_s: float | None) -> Iterable[Sample]:
        """Return a pot's samples of the record; means of them where they are old."""
        samples = self._store.samples(pot_id, from_s, until_s)
        last = self._store.last_sample(pot_id)
        if last is None or self._settings.pots[pot_id].supply == "regulated":
            return samples  # the feeds of a regulated supply are steps that no event tells of
        full_from_s = min(last.t_s, last.t_s if until_s is None else until_s) - _FED_IN_FULL_S
        return thinned(samples, self._store.moments(pot_id, from_s), full_from_s)

    def _sleep_until(self, boot_s: float) -> None:
        while not self._stopping:
            now_s = self._clock.now().boot_s
            if now_s >= boot_s:
                return
            self._clock.sleep_until(min(boot_s, now_s + _LONGEST_SLEEP_S))


def _of_test(ways: dict[str, str | None]) -> Answer:
    """Return what became of a test alarm. ways: those that are fitted, with what is wrong with each."""
    said = [
        f"{way}: not configured" if way not in ways else f"{way}: {ways[way] or 'sent'}"
        for way in dict.fromkeys(("MQTT", "lamp", "buzzer", *ways))
    ]
    reaches = bool(ways) and not any(ways.values())
    return Answer(Outcome.DONE if reaches else Outcome.FAILED, "; ".join(said))


def keep_event(store: Store, pot_id: str, batch_id: int | None, event: Event) -> int | None:
    """Write an event to the record; return the number of the batch that is open after it."""
    if isinstance(event, BatchOpened):
        batch_id = store.open_batch(pot_id, event)
    if isinstance(event, EditEvent):
        if batch_id is not None:
            store.add_edit(batch_id, event)
        return batch_id
    store.add_event(pot_id, batch_id, event)
    if isinstance(event, BatchClosed):
        if batch_id is not None:
            store.close_batch(batch_id, event)
        return None
    return batch_id


def keep_trace(store: Store, watch: PotWatch, pot_id: str, t_s: float) -> None:
    """Keep what the watch knows of the open batch, once in a while."""
    if store.trace_due(pot_id, t_s):
        snapshot = watch.snapshot()
        if snapshot.batch_start_s is not None:
            store.append_trace(pot_id, TraceRow.of(snapshot))


def _wiring(pot_id: str, pot: PotSettings, one_wire_root: Path) -> PotWiring:
    wire = pot.transducer
    probes: list[tuple[Place, Thermometer]] = []
    for thermometer in pot.thermometer:
        wired = thermometer_wiring(thermometer, pot)
        if wired is not None:
            probes.append((thermometer.place, wired))
            continue
        rom_id = thermometer.id
        if rom_id is None:
            found = find_probes(one_wire_root)
            if len(found) > 1:
                raise WiringError(
                    f"pots.{pot_id}.thermometer: no id, and {len(found)} probes are plugged in "
                    f"({', '.join(found)}); give id: with one of them"
                )
            if not found:  # the watch goes on; its alarm says that the thermometer is absent
                _log.warning("pots.%s.thermometer: no probe under %s; plug one in", pot_id, one_wire_root)
            rom_id = found[0] if found else THE_ONLY_ONE
        probes.append((thermometer.place, rom_id))
    return PotWiring(
        pot_id,
        converter=_converter(pot),
        channel=wire.channel,
        supply_channel=wire.supply_channel,
        probes=tuple(probes),
    )


def thermometer_wiring(of: ThermometerSettings, pot: PotSettings) -> NtcWiring | RtdWiring | None:
    """Return how a thermistor or platinum thermometer is wired, with what is usual; None for a DS18B20."""
    if of.is_platinum:
        return _platinum(of)
    return _thermistor(of, _converter(pot)) if of.device == "ntc" else None


def _converter(pot: PotSettings) -> Converter:
    wire = pot.transducer
    return Converter(wire.device, wire.bus, wire.address, wire.spi_device, wire.full_scale.si)


def _thermistor(of: ThermometerSettings, converter: Converter) -> NtcWiring:
    supply_v = 3.3 if of.supply is None else of.supply.si
    ranges = (2.048, 4.096, 6.144) if converter.on_i2c else (converter.full_scale_v,)
    full_scale_v = next((each for each in ranges if each >= supply_v), ranges[-1])
    nominal_ohm = 10_000.0 if of.nominal is None else of.nominal.si
    if of.coefficients is not None:
        coefficients = Coefficients(*of.coefficients)
    else:
        assert of.beta is not None  # the settings see to it
        coefficients = of_beta(of.beta.si, nominal_ohm)
    return NtcWiring(
        replace(converter, full_scale_v=full_scale_v),
        of.channel or 0,
        coefficients,
        supply_v,
        of.supply_channel,
        10_000.0 if of.resistor is None else of.resistor.si,
        of.side != "supply",
        by_beta=of.coefficients is None,
    )


def _platinum(of: ThermometerSettings) -> RtdWiring:
    at_0_c_ohm = 1000.0 if of.device == "pt1000" else 100.0
    usual_ohm = 4.3 * at_0_c_ohm  # what the boards carry for either
    reference_ohm = usual_ohm if of.reference_resistor is None else of.reference_resistor.si
    return RtdWiring(of.spi_device or 0, int(of.wires or 2), at_0_c_ohm, reference_ohm)
