"""The notifier: reads the watch's state once a second, and sends whatever is due."""

import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path

from potvigil.clock import Clock
from potvigil.live_reader import LiveReader
from potvigil.model.events import AlarmId
from potvigil.notifying import status
from potvigil.notifying.hearing import Hearing
from potvigil.notifying.heartbeat import Heartbeat
from potvigil.notifying.keeper import Keeper, Kept
from potvigil.notifying.line import Line, Sent
from potvigil.notifying.message import Notification, Send, compose
from potvigil.notifying.schedule import THE_WATCH, Book, Due, NoticeKind, Situation, due
from potvigil.notifying.targets import Target, Targets
from potvigil.record.rows import DeliveryRow

LOOK_S = 1.0
_log = logging.getLogger("potvigil")


@dataclass(frozen=True, slots=True)
class Dispatch:
    """A message, the alarms in it, and the situation it was composed in."""

    message: Notification
    found: tuple[Due, ...]
    now: Situation


class Notifier:
    """Call `look` every LOOK_S. targets: called at each look for the present ones.

    kept: what was sent before. status_file: where the notifier's status is written, None for nowhere. link:
    to the page. tz: of times in messages, None for the machine's own zone. boot_id: of this boot.
    """

    def __init__(
        self,
        targets: Targets,
        reader: LiveReader,
        hearing: Hearing,
        keeper: Keeper,
        kept: Kept,
        clock: Clock,
        boot_id: str,
        *,
        status_file: Path | None = None,
        heartbeat: Heartbeat | None = None,
        link: str | None = None,
        tz: tzinfo | None = None,
    ) -> None:
        self._targets, self._reader, self._hearing = targets, reader, hearing
        self._keeper, self._clock, self._boot_id = keeper, clock, boot_id
        self._status_file, self._heartbeat = status_file, heartbeat
        self._link, self._tz = link, tz
        self._books: dict[str, Book] = dict(kept.books)
        self._lines: dict[str, Line[Dispatch]] = {}
        self._sends: dict[str, Send] = {}
        # the new alarms in the last message to each target
        self._tried: dict[str, frozenset[tuple[str, AlarmId, float]]] = {}
        self._trials: dict[str, status.Trial] = {}
        self._last_status: tuple[object, ...] = ()
        self._status_due_s = float("-inf")

    def look(self) -> None:
        """Take the results of earlier messages, and send what is due."""
        at = self._clock.now()
        live, _ = self._reader.read()
        now = self._hearing.take(live, at)
        targets = self._targets()
        rows: list[DeliveryRow] = []
        for target in targets:
            rows += self._look_at(target, now)
        for gone in self._lines.keys() - {target.recipient.name for target in targets}:
            del self._lines[gone]
        if self._heartbeat is not None:
            self._heartbeat.look(now)
        if rows:
            self._keeper.keep(Kept(dict(self._books), self._boot_id, at.boot_s, now.t_s), rows)
        self._write_status(now, at.boot_s)

    @property
    def is_busy(self) -> bool:
        """Whether a message is being sent."""
        return any(line.is_busy for line in self._lines.values())

    def _look_at(self, target: Target, now: Situation) -> Iterator[DeliveryRow]:
        name = target.recipient.name
        self._sends[name] = target.send
        line = self._lines.get(name)
        if line is None:
            line = self._lines[name] = Line(lambda outgoing: self._sends[name](outgoing.message))
            self._tried[name] = frozenset()
        sent = line.take()
        if sent is not None:
            yield from self._take(name, sent)
        book = self._books[name] = self._books.get(name, Book()).at(now)
        if not line.is_free:
            return
        found = due(target.recipient, book, now)
        news = frozenset(_key(each) for each in found if each.kind in (NoticeKind.RAISED, NoticeKind.TEST))
        if found and (not line.is_resting or news - self._tried[name]):
            self._tried[name] = news
            line.start(Dispatch(compose(found, now, self._tz, self._link), found, now))

    def _take(self, name: str, sent: Sent[Dispatch]) -> Iterator[DeliveryRow]:
        outgoing, fault = sent.what, sent.fault
        if fault is None:
            self._books[name] = self._books.get(name, Book()).with_sent(outgoing.found, outgoing.now.t_s)
        else:
            _log.warning("%s was not notified (%s); retrying: %s", name, fault, outgoing.message.title)
        for each in outgoing.found:
            alarm = each.alarm.alarm
            pot_id = None if each.pot_id == THE_WATCH else each.pot_id
            if alarm is AlarmId.TEST:
                before = self._trials.get(each.pot_id)
                is_same = before is not None and before.since_s == each.alarm.since_s
                results = before.told if before is not None and is_same else {}
                self._trials[each.pot_id] = status.Trial(each.alarm.since_s, {**results, name: fault})
            yield DeliveryRow(outgoing.now.t_s, outgoing.now.utc_s, pot_id, alarm, name, each.kind, fault)

    def _write_status(self, now: Situation, boot_s: float) -> None:
        if self._status_file is None:
            return
        faults = {name: line.fault for name, line in self._lines.items()}
        beat = None if self._heartbeat is None else self._heartbeat.fault
        state = (faults, beat, dict(self._trials))
        if state == self._last_status and boot_s < self._status_due_s:
            return
        written = status.Status(time.clock_gettime(time.CLOCK_BOOTTIME), *state)
        try:
            status.write(self._status_file, written)
        except OSError as error:
            if self._last_status != (None,):
                _log.warning("%s cannot be written (%s)", self._status_file, error.strerror or error)
            self._last_status = (None,)
            return
        self._last_status, self._status_due_s = state, boot_s + status.WRITTEN_EVERY_S


def _key(found: Due) -> tuple[str, AlarmId, float]:
    return found.pot_id, found.alarm.alarm, found.alarm.since_s
