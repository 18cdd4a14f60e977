"""Compares a record with its copy in the studio, row by row; and a record that keeps changing."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

from sqlalchemy import Engine

from potvigil.model.events import (
    Action,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Detail,
    EditEvent,
    Stage,
    StageEvent,
)
from potvigil.model.maintenance import Part
from potvigil.record.database import Database
from potvigil.record.identity import identity_of
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.studio.shipper import Shipper
from potvigil.studio.tables import OF_A_RECORD, key_of
from potvigil.upkeep.thinning import thin
from record_night import POT, SUMMARY, UTC_S, alarm, night, sample

WORKSHOP = "harbour-models"


def identity(record: Path) -> str:
    with closing(Database.open_read_only(record)) as db:
        return str(identity_of(db).record)


def rows_here(record: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of the record, by table."""
    with closing(Database.open_read_only(record)) as db:
        return {
            table: db.rows(
                f"SELECT {', '.join(_columns(table))} FROM {table} ORDER BY {', '.join(key_of(table))}"
            )
            for table in OF_A_RECORD
        }


def rows_there(engine: Engine, record: str) -> dict[str, list[tuple[Any, ...]]]:
    """Every row the studio has of that record, by table."""
    with engine.connect() as connection:
        return {
            table: [
                tuple(row)
                for row in connection.exec_driver_sql(
                    f"SELECT {', '.join(_columns(table))} FROM potvigil.{table} WHERE record = %s "
                    f"ORDER BY {', '.join(key_of(table))}",
                    (record,),
                )
            ]
            for table in OF_A_RECORD
        }


def _columns(table: str) -> list[str]:
    return [column.name for column in OF_A_RECORD[table].columns if column.name != "record"]


def differing(record: Path, engine: Engine, shipped_as: str | None = None) -> dict[str, int]:
    """How many rows of each table are missing, too many or other there; only tables that differ."""
    here, there = rows_here(record), rows_there(engine, shipped_as or identity(record))
    counts = {table: len(set(here[table]) ^ set(there[table])) for table in here}
    counts |= {table: abs(len(here[table]) - len(there[table])) + counts[table] for table in here}
    return {table: count for table, count in counts.items() if count}


def shipper(record: Path, engine: Engine, *, by_the_minute: bool = False) -> Shipper:
    return Shipper(record, engine, WORKSHOP, by_the_minute=by_the_minute, pictures=True)


def short_record(path: Path, seconds: int) -> Path:
    """Make a record of one run and so many seconds of POT."""
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for each in night(seconds):
            store.append(POT, each)
    return path


class Life:
    """A record to which, from a seed, everything happens that a watch, its users and its upkeep do."""

    def __init__(self, path: Path, seed: int, pots: tuple[str, ...] = (POT, "harbour")) -> None:
        self.path, self._random, self._pots = path, Random(seed), pots
        self._t_s = dict.fromkeys(pots, 0.0)
        self._batches: list[int] = []
        self._open: dict[str, int] = {}
        self._boot = 0
        self._begin()

    def _begin(self) -> None:
        self._boot += 1
        at_s = max(self._t_s.values())
        self._store = Store.open(self.path)
        began_s = at_s + self._store.begin_run("{}", f"boot-{self._boot}", at_s, None, None)
        self._t_s = {pot: max(t_s, began_s) for pot, t_s in self._t_s.items()}

    def close(self) -> None:
        self._store.close()

    def steps(self, count: int) -> Iterator[None]:
        """Make so many changes, one at a time."""
        deeds = (
            *([self._read] * 6),
            *(self._trace, self._open_or_close, self._event, self._edit, self._care, self._teach, self._ask),
            *(self._thin, self._mend, self._restart),
        )
        for _ in range(count):
            self._random.choice(deeds)()
            self._store.flush()
            yield

    def _pot(self) -> str:
        return self._random.choice(self._pots)

    def _read(self) -> None:
        pot = self._pot()
        for _ in range(self._random.randrange(1, 900)):
            self._t_s[pot] += 1.0
            fields = {"wall_c": 20.0 + self._random.randrange(4) / 16, "utc_s": None}
            self._store.append(pot, sample(self._t_s[pot], **fields))

    def _trace(self) -> None:
        pot = self._pot()
        for minute in range(self._random.randrange(1, 40)):
            at_s = self._t_s[pot] + 60.0 * minute
            row = TraceRow(at_s, Stage.HOLDING, 4e5, *(None,) * 6, False, *(None,) * 5)
            self._store.append_trace(pot, row)
        self._t_s[pot] += 2400.0

    def _open_or_close(self) -> None:
        pot = self._pot()
        t_s = self._t_s[pot]
        if pot in self._open:
            self._store.close_batch(self._open.pop(pot), BatchClosed(t_s, None, SUMMARY))
        else:
            self._open[pot] = self._store.open_batch(pot, BatchOpened(t_s, None))
            self._batches.append(self._open[pot])

    def _event(self) -> None:
        pot = self._pot()
        self._store.add_event(pot, self._open.get(pot), StageEvent(self._t_s[pot], None, Stage.HOLDING))
        happened = alarm(self._t_s[pot], self._random.choice(list(AlarmState)))
        self._store.add_event(pot, self._open.get(pot), happened)

    def _edit(self) -> None:
        if self._batches:
            number, t_s = self._random.choice(self._batches), max(self._t_s.values())
            new = f"lens \N{GREEK SMALL LETTER ALPHA} {self._random.random()}"
            self._store.add_edit(number, EditEvent(t_s, None, Detail.NOTE, "", new, "Anna"))

    def _care(self) -> None:
        pot = self._pot()
        self._store.add_care(pot, UTC_S, Part.SEAL, f"new {self._random.random()}", "Ben", UTC_S)
        if self._random.random() < 0.5:
            self._store.remove_care(pot, self._store.cares(pot)[-1].id)

    def _teach(self) -> None:
        if self._batches:
            self._store.add_taught(
                self._random.choice(self._batches), self._random.randrange(1, 9), {"uptake": (0.1, 0.02)}
            )

    def _ask(self) -> None:
        pot = self._pot()
        self._store.add_command(pot, Action.ACKNOWLEDGE, UTC_S, alarm=AlarmId.LEAK, by="Anna")
        self._store.take_commands(self._t_s[pot])

    def _thin(self) -> None:
        self._store.flush()
        thin(self.path, self._random.randrange(3600, 20000), UTC_S + max(self._t_s.values()), rest_s=0.0)

    def _mend(self) -> None:
        to_s = max(self._t_s.values()) + 1.0
        ahead_s = UTC_S + self._random.randrange(5)
        for _ in self._store.mend_times(f"boot-{self._boot}", to_s, ahead_s, was_set=True):
            pass

    def _restart(self) -> None:
        self._store.close()
        self._begin()
