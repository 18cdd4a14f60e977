"""Keeps what was sent to whom across restarts, in a file beside the record and in the record.

Both are on the card, which may be slow, full or broken: a separate thread writes them, and no message waits
for it. What was sent but not yet written when the process is killed may be sent again.
"""

import json
import logging
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from potvigil.model.events import AlarmId
from potvigil.notifying.schedule import AlarmMark, Book
from potvigil.record.errors import RecordError
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.upkeep.atomic_file import whole_file

FORMAT = 1
RETRY_S = 10.0
# Held in memory while the record cannot be written.
MOST_ROWS = 1000
_LARGEST_BYTES = 1_000_000
_log = logging.getLogger("potvigil")


@dataclass(frozen=True, slots=True)
class Kept:
    """The book of each recipient. At time boot_s of boot boot_id, the record's axis was at t_s."""

    books: Mapping[str, Book] = field(default_factory=dict)
    boot_id: str = ""
    boot_s: float = 0.0
    t_s: float = 0.0

    def offset_s(self, boot_id: str) -> float:
        """Return the least the record's axis can be ahead of the boot clock: it never runs backwards."""
        return self.t_s - self.boot_s if boot_id == self.boot_id else self.t_s


def beside(record: Path) -> Path:
    """Return the path of the file."""
    return Path(f"{record}.told")


def read(path: Path) -> Kept:
    """Return what was kept; an empty Kept if the file is missing or unreadable."""
    try:
        with path.open("rb") as file:
            tree = json.loads(file.read(_LARGEST_BYTES))
        if tree["format"] != FORMAT:
            return Kept()
        books = {str(name): _book(each) for name, each in tree["books"].items()}
        return Kept(books, str(tree["boot_id"]), float(tree["boot_s"]), float(tree["t_s"]))
    except FileNotFoundError:
        return Kept()
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        _log.warning("%s cannot be read (%s): active alarms are sent again", path, error)
        return Kept()


def as_text(kept: Kept) -> str:
    """Return the text that `read` reads."""
    books = {
        name: {
            "marks": [[*key, mark.since_s, mark.sent_s] for key, mark in book.marks.items()],
            "noticed": dict(book.noticed),
        }
        for name, book in kept.books.items()
    }
    rest = {"boot_id": kept.boot_id, "boot_s": kept.boot_s, "t_s": kept.t_s}
    return json.dumps({"format": FORMAT, **rest, "books": books}, ensure_ascii=False)


def _book(tree: Any) -> Book:
    marks = {
        (str(pot_id), AlarmId(alarm)): AlarmMark(float(since_s), float(sent_s))
        for pot_id, alarm, since_s, sent_s in tree["marks"]
    }
    return Book(marks, {str(pot_id): float(t_s) for pot_id, t_s in tree["noticed"].items()})


class Keeper:
    """Writes in a separate thread. record: the database. path: of the file."""

    def __init__(self, record: Path, path: Path) -> None:
        self._record, self._path = record, path
        self._rows: deque[DeliveryRow] = deque(maxlen=MOST_ROWS)
        self._text: str | None = None
        self._news, self._lock = threading.Event(), threading.Lock()
        self._is_ending = False
        self._is_failing = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def keep(self, kept: Kept, rows: Sequence[DeliveryRow]) -> None:
        """Queue these for writing; `kept` replaces an earlier one still unwritten."""
        with self._lock:
            self._text = as_text(kept)
            self._rows.extend(rows)
        self._news.set()

    def close(self, patience_s: float = 2.0) -> None:
        """Write what is left, waiting at most `patience_s`."""
        self._is_ending = True
        self._news.set()
        self._thread.join(patience_s)

    def _run(self) -> None:
        while True:
            self._news.wait()
            self._news.clear()
            if not self._write() and not self._is_ending:
                self._news.wait(RETRY_S)
                self._news.set()
            if self._is_ending and not self._news.is_set():
                return

    def _write(self) -> bool:
        with self._lock:
            text, rows = self._text, tuple(self._rows)
        faults: list[str] = []
        if text is not None:
            try:
                with whole_file(self._path) as file:
                    file.write(text)
                self._has_kept(text)
            except OSError as error:
                faults.append(f"{self._path}: {error.strerror or error}")
        if rows:
            try:
                with Store.open(self._record, create=False) as store:
                    store.add_deliveries(rows)
                self._has_written(rows)
            except RecordError as error:
                faults.append(str(error))
        if faults and not self._is_failing:
            _log.warning("what was sent cannot be saved (%s); retrying", "; ".join(faults))
        self._is_failing = bool(faults)
        return not faults

    def _has_kept(self, text: str) -> None:
        with self._lock:
            if self._text == text:
                self._text = None

    def _has_written(self, rows: Sequence[DeliveryRow]) -> None:
        with self._lock:
            for row in rows:  # rows dropped meanwhile are no longer at the front
                if self._rows and self._rows[0] is row:
                    self._rows.popleft()
