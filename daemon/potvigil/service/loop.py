"""The loop: where drivers, watch, record and outputs meet. One thread reads, thinks and reports a sample."""

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import replace
from queue import Empty, Full, Queue
from typing import TYPE_CHECKING, Protocol

from potvigil.clock import Clock, Instant
from potvigil.history.care_due import care_due
from potvigil.history.learning import Past
from potvigil.model import batch_details
from potvigil.model.events import (
    LAST_BATCH,
    Action,
    AlarmId,
    Answer,
    BatchClosed,
    BatchOpened,
    Command,
    Event,
    NoteEvent,
    NoteId,
    Outcome,
)
from potvigil.model.reading import Sample
from potvigil.model.who import MQTT
from potvigil.outputs import systemd
from potvigil.outputs.broker.homie_set import SetCommand
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.outputs.signals import Signals
from potvigil.record.errors import DamagedRecordError, RecordError
from potvigil.record.store import Store
from potvigil.record.tables.commands import COMMANDS_A_TICK
from potvigil.record.tables.runs import CLOCK_STEP_S
from potvigil.service.alarm_tests import AlarmTests
from potvigil.service.guarded_watch import GuardedWatch
from potvigil.service.keeping import keep_event, keep_trace
from potvigil.service.notified import Notified
from potvigil.service.restart import resume_batch
from potvigil.settings.schema import Settings
from potvigil.watch.alarm_states import ConditionWords
from potvigil.wording import failing
from potvigil.wording.answer import answer

if TYPE_CHECKING:
    from potvigil.outputs.broker.mqtt import MqttOutput

_log = logging.getLogger("potvigil")
# How long the watch reports that it started a new record in place of a damaged one.
_BEGUN_ANEW_S = 600.0
# Sleeps are cut short so that a request to stop is noticed soon.
_LONGEST_SLEEP_S = 1.0
_CLOCK_UNSET = ConditionWords(
    "Set this machine's clock", "The clock is not set: until it is, alarms say in how long, not at what time."
)

OnEvent = Callable[[str, int | None, Event], None]  # pot, batch, what happened


class Source(Protocol):
    """What each tick reads: a station, or several side by side in a rehearsal."""

    def read(self, t_s: float, instant: Instant) -> list[tuple[str, Sample]]: ...

    def close(self) -> None: ...


class Service:
    """The watch over all pots of a workshop: `start`, then `run` (or `tick` by `tick`), then `stop`.

    rehearsed: the night rehearsed, None when it is real. on_event: called with every event of every pot.
    live: where the current state is written for the page, None for nowhere. signals: lamp, buzzer and button.
    notified: the notifier's status, None where none is configured.
    """

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        boot_id: str,
        station: Source,
        store: Store,
        link: MqttLink | None = None,
        rehearsed: str | None = None,
        on_event: OnEvent = lambda pot_id, batch, event: None,
        live: LiveFile | None = None,
        signals: Signals | None = None,
        notified: Notified | None = None,
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
        self._notified = notified
        pots = settings.core_pots()
        self.watches: dict[str, GuardedWatch] = {}
        self._pasts: dict[str, Past] = {}
        self.batch_ids: dict[str, int | None] = {}
        # bounded: a flood of commands must not fill the memory
        self._asked: Queue[tuple[str, Command]] = Queue(COMMANDS_A_TICK)
        self._mqtt: MqttOutput | None = None
        if link is not None:
            from potvigil.outputs.broker import mqtt  # loads its library only where it is used

            self._mqtt = mqtt.MqttOutput(
                link, settings.workshop, pots.values(), rehearsed is not None, self._on_mqtt
            )
        self._tests = AlarmTests(self._mqtt, signals, notified)
        self._axis_offset_s = 0.0
        self._start_s = 0.0
        self._lost_reported = 0  # of Store.dropped_samples
        self._utc_less_t_s: float | None = None  # once the wall clock was set
        self._mending: Iterator[None] | None = None
        self._deadline_s = 0.0
        self._stopping = False
        self._make_watches()

    def start(self) -> None:
        """Start a run: continue the open batches where they were, and connect."""
        now = self._clock.now()
        try:
            self._begin_run(now)
        except DamagedRecordError as error:
            self._store.begin_anew(error)
            self._begin_run(now)
        except RecordError as error:
            self._store.do_without(error)
            self._begin_run(now)
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
            # missed ticks are not made up after a long stall
            self._deadline_s = max(self._deadline_s, self._clock.now().boot_s)

    def request_stop(self) -> None:
        """Ask the loop to end after the current tick; may be called from a signal handler."""
        self._stopping = True

    def tick(self) -> None:
        """Read every pot once, think, report."""
        now = self._clock.now()
        t_s = now.boot_s + self._axis_offset_s
        with self._store.held():
            self._answer_tests()
            self._take_commands(t_s, now)
            for pot_id, sample in self._station.read(t_s, now):
                self._store.append(pot_id, sample)
                self._deliver(pot_id, self.watches[pot_id].feed(sample))
                keep_trace(self._store, self.watches[pot_id].snapshot, pot_id, t_s)
        self._commit(t_s, now)
        self._watch_clock(now)
        self._watch_signals()
        self._watch_notifier()
        if self._mqtt is not None or self._live is not None or self._signals is not None:
            snapshots = {pot_id: watch.snapshot() for pot_id, watch in self.watches.items()}
            if self._mqtt is not None:
                self._mqtt.publish(snapshots, self.batch_ids)
            if self._live is not None:
                self._live.write(snapshots, self.batch_ids, self._mqtt.state if self._mqtt else None)
            if self._signals is not None:
                now = self._clock.now()  # after the reading: an announcement starts with its first pulse
                standing = {pot_id: snapshot.alarms for pot_id, snapshot in snapshots.items()}
                self._signals.show(now.boot_s, now.utc_s, standing)
        systemd.ping_watchdog()

    def stop(self) -> None:
        """Stop cleanly: write all readings, and announce the end to the broker."""
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

    def _on_mqtt(self, asked: SetCommand) -> None:
        command = Command(asked.action, 0.0, asked.alarm, asked.text, by=asked.by or MQTT, field=asked.field)
        self._ask(asked.pot_id, command)  # on the network thread, so only queued

    def _ask(self, pot_id: str, command: Command) -> None:
        try:
            self._asked.put_nowait((pot_id, command))
        except Full:
            _log.warning("%s: too many requests at once; try again", pot_id)

    def _take_commands(self, t_s: float, now: Instant) -> None:
        asked: list[tuple[str, Command]] = []
        with suppress(Empty):
            while len(asked) < COMMANDS_A_TICK:
                asked.append(self._asked.get_nowait())
        unwritten: list[tuple[str, Command]] = []
        try:
            if asked:
                self._store.add_commands(asked, now.utc_s)
        except RecordError:  # carried out all the same; the failing record has its own alarm
            unwritten = [(pot_id, replace(command, t_s=t_s)) for pot_id, command in asked]
        try:
            taken = self._store.take_commands(t_s)
        except RecordError:
            taken = []
        for pot_id, command in taken + unwritten:
            watch = self.watches.get(pot_id)
            if watch is None:
                gone = f"the watch no longer has a pot {pot_id}; see its settings"
                self._store.answer(command, Answer(Outcome.REFUSED, gone))
                continue
            events = watch.handle(command)
            self._deliver(pot_id, events)
            result = answer(command, events, self._settings.timezone)
            if self._mqtt is not None and result.outcome is Outcome.DONE:
                self._mqtt.reflect(pot_id, command)
            if command.action is Action.TEST_ALARM and result.outcome is Outcome.DONE:
                self._tests.add(pot_id, command)
            else:
                self._store.answer(command, result)

    def _answer_tests(self) -> None:
        """Report which outputs each test alarm reached; the last tick sent it."""
        for command, result in self._tests.answers(lambda pot_id: self.watches[pot_id].snapshot().alarms):
            self._store.answer(command, result)

    def _take_over(self, pot_id: str, batch_id: int, utc_s: float | None) -> None:
        """Carry over details of the pot's last batch, as commands, so that a restart replays them."""
        try:
            rows = self._store.batches(pot_id, limit=2)
        except RecordError:
            return
        last = next((row for row in rows if row.id < batch_id), None)
        if last is None or (last.rehearsed is None) != (self._rehearsed is None):
            return
        found = {field: text for field in batch_details.TAKEN_OVER if (text := last.details.get(field))}
        try:
            self._store.add_edits(pot_id, found, LAST_BATCH, utc_s)
        except RecordError:  # retried at the next tick
            for field, text in found.items():
                self._ask(pot_id, Command(Action.EDIT, 0.0, text=text, by=LAST_BATCH, field=field))

    # -- record ------------------------------------------------------------------------------------

    def _deliver(self, pot_id: str, events: Iterable[Event]) -> None:
        for each in events:
            event = self._dated(each)
            before = self.batch_ids[pot_id]
            after = self.batch_ids[pot_id] = keep_event(self._store, pot_id, before, event)
            self._pasts[pot_id].hear(after, event)
            if isinstance(event, BatchClosed) and before is not None:
                self._pasts[pot_id].keep(before)
            if isinstance(event, BatchOpened) and after is not None:
                self._take_over(pot_id, after, event.utc_s)
            if self._signals is not None:
                self._signals.hear(pot_id, event)
            if self._mqtt is not None:
                self._mqtt.hear(pot_id, event)
            self._on_event(pot_id, before if after is None else after, event)
            if isinstance(event, BatchOpened):
                self._deliver(pot_id, self._care_due(pot_id, event))

    def _care_due(self, pot_id: str, opened: BatchOpened) -> list[NoteEvent]:
        """Return notes of maintenance that is due, since whoever fills the pot is beside it."""
        if opened.utc_s is None:
            return []
        try:
            due = care_due(self._store, pot_id, opened.utc_s, self._settings.timezone)
        except RecordError:
            return []
        return [NoteEvent(opened.t_s, opened.utc_s, NoteId.CARE_DUE, text) for text in due]

    def _dated(self, event: Event) -> Event:
        """Return a BatchClosed with the batch's start in the wall time known by now."""
        if not isinstance(event, BatchClosed) or self._utc_less_t_s is None:
            return event
        start_s, known_utc_s = event.summary.start_s, event.summary.start_utc_s
        if start_s < self._axis_offset_s:  # in an earlier boot, which this clock cannot date
            return event
        begun_utc_s = start_s + self._utc_less_t_s
        if known_utc_s is not None and abs(known_utc_s - begun_utc_s) <= CLOCK_STEP_S:
            return event
        return replace(event, summary=replace(event.summary, start_utc_s=begun_utc_s))

    def _commit(self, t_s: float, now: Instant) -> None:
        words: ConditionWords | None = None
        anew = self._store.begun_anew
        if anew is not None and t_s < self._start_s + _BEGUN_ANEW_S:
            words = ConditionWords("Check the record", anew)
        try:
            self._store.commit_due(t_s)
            self._mend_times(t_s, now)
        except RecordError as error:
            words = ConditionWords(
                "Find out why the record cannot be written",
                f"Nothing is being recorded: {error}. The pot is still monitored, and alarms still work."
                f"{failing.being_lost(self._lost)}",
            )
        else:
            self._note_lost(t_s, now)
        self._report(AlarmId.RECORD_FAILING, words)

    @property
    def _lost(self) -> int:
        """How many readings were lost since that was last reported."""
        return self._store.dropped_samples - self._lost_reported

    def _note_lost(self, t_s: float, now: Instant) -> None:
        """Once the record can be written again, note for each pot how many readings were lost."""
        if self._lost:
            note = NoteEvent(t_s, now.utc_s, NoteId.READINGS_LOST, failing.were_lost(self._lost))
            self._lost_reported = self._store.dropped_samples
            for pot_id in self.watches:
                self._deliver(pot_id, [note])

    def _mend_times(self, t_s: float, now: Instant) -> None:
        """Whenever the wall clock is set, correct the times kept before, a little at each tick."""
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
            self._mending = None  # started again at the next tick that can write
            raise

    def _watch_clock(self, now: Instant) -> None:
        self._report(AlarmId.CLOCK_UNSET, _CLOCK_UNSET if now.utc_s is None else None)

    def _watch_signals(self) -> None:
        if self._signals is None:
            return
        fault, words = self._signals.fault, None
        if fault is not None:
            words = ConditionWords(
                "Check the wires of lamp and buzzer, then try `potvigil alarm test`",
                f"{fault[:1].upper()}{fault[1:]}. An alarm may not be seen or heard there.",
            )
        self._report(AlarmId.SIGNALS_FAILING, words)

    def _watch_notifier(self) -> None:
        if self._notified is not None:
            self._report(AlarmId.NOTIFY_FAILING, self._notified.fault_words())

    def _report(self, alarm: AlarmId, words: ConditionWords | None) -> None:
        """Report a fault shared by all pots to the watch of each."""
        for watch in self.watches.values():
            watch.report(alarm, words)

    def _make_watches(self) -> None:
        pots = self._settings.core_pots()
        self.watches = {pot_id: GuardedWatch(pot) for pot_id, pot in pots.items()}
        self._pasts = {
            pot_id: Past(self._store, pot, self.watches[pot_id], rehearsed=self._rehearsed is not None)
            for pot_id, pot in pots.items()
        }
        self.batch_ids = dict.fromkeys(pots)

    def _begin_run(self, now: Instant) -> None:
        """Begin a run in the record, and replay to new watches what they need to know."""
        self._axis_offset_s = self._store.begin_run(
            self._settings.as_json(), self._boot_id, now.boot_s, now.utc_s, self._rehearsed
        )
        self._start_s = now.boot_s + self._axis_offset_s
        self._make_watches()
        for pot_id, watch in self.watches.items():
            resume_batch(self._store, self._settings, self._pasts, self.batch_ids, pot_id, watch)

    def _sleep_until(self, boot_s: float) -> None:
        while not self._stopping:
            now_s = self._clock.now().boot_s
            if now_s >= boot_s:
                return
            self._clock.sleep_until(min(boot_s, now_s + _LONGEST_SLEEP_S))
