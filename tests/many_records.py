"""Records of several workshops in one studio, and the page of all of them."""

import json
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from uuid import UUID

from sqlalchemy import Engine, text
from starlette.testclient import TestClient

from postgres import Postgres
from potvigil.commands.page import pots_of
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchOpened,
    Detail,
    EditEvent,
    Interval,
    Priority,
    Stage,
    StageEvent,
)
from potvigil.model.maintenance import Part
from potvigil.page.many.site import ManyPage
from potvigil.page.many.studio_ground import ManyConfig
from potvigil.record.rows import TraceRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.studio.preparing import MACHINE, READER, admit
from potvigil.studio.reading import StudioReader
from potvigil.studio.shipper import Shipper
from record_night import SUMMARY
from shipped import identity

HOUR_S = 3600.0
SETTINGS = """
workshop: {workshop}
units: {{pressure: {unit}}}
timezone: Europe/London
page: {{names: [{workshop}.example]}}
pots:
  {pot}:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {{place: wall}}
    supply: shut
    cure: {{hold: 10 h}}
"""


def kept(
    path: Path,
    workshop: str,
    pot: str,
    *,
    ago_s: float = 0.0,
    unit: str = "psi",
    alarm: AlarmId | None = None,
    is_open: bool = True,
    leaks: bool = False,
    label: str = "lenses, blue",
    rehearsed: str | None = None,
) -> Path:
    """Write a record whose pot has held for an hour until `ago_s` ago, and has one earlier batch."""
    settings = load_text(SETTINGS.format(workshop=workshop, pot=pot, unit=unit), "settings")
    now_utc_s = time.time() - ago_s
    with Store.open(path) as store:
        less_s = now_utc_s - 2.0 * HOUR_S
        store.begin_run(settings.as_json(), "boot", 0.0, less_s, rehearsed)
        before = store.open_batch(pot, BatchOpened(10.0, less_s + 10.0))
        store.add_edit(before, EditEvent(10.0, less_s + 10.0, Detail.LABEL, "", f"{label}, first", "Anna"))
        summary = replace(SUMMARY, pot_id=pot, start_s=10.0, start_utc_s=less_s + 10.0, end_s=600.0)
        store.close_batch(before, BatchClosed(600.0, less_s + 600.0, summary))
        store.add_care(pot, less_s, Part.SEAL, "new seal", "Ben", less_s)
        if is_open:
            batch = store.open_batch(pot, BatchOpened(HOUR_S, less_s + HOUR_S))
            store.add_edit(batch, EditEvent(HOUR_S, less_s + HOUR_S, Detail.LABEL, "", label, "Anna"))
            for at_s, stage in ((HOUR_S, Stage.FILLING), (HOUR_S + 240.0, Stage.HOLDING)):
                store.add_event(pot, batch, StageEvent(at_s, less_s + at_s, stage))
        if alarm is not None:
            at_s = 2.0 * HOUR_S - 600.0
            store.add_event(pot, batch if is_open else None, raised(alarm, at_s, less_s))
        for second in range(int(HOUR_S), int(2.0 * HOUR_S) + 1, 5):
            fall = 0.004 * (second - HOUR_S) if leaks else 0.0
            store.append(pot, _sample(float(second), less_s, 14_000.0 - 4.0 * fall))
        if is_open:
            for minute in range(5, 61):
                store.append_trace(pot, trace(HOUR_S + 60.0 * minute, leaks))
    return path


def raised(alarm: AlarmId, at_s: float, less_s: float, priority: Priority = Priority.HIGH) -> AlarmEvent:
    why = "Air is being lost, and at this rate the floor is passed before the cure is done."
    return AlarmEvent(
        at_s, at_s + less_s, alarm, AlarmState.UNACKNOWLEDGED, priority, why, do="Top up", by_s=at_s + 5400.0
    )


def _sample(t_s: float, less_s: float, count: float):
    from potvigil.model.reading import Sample

    return Sample(t_s, t_s + less_s, transducer_count=count, wall_c=21.0)


def trace(t_s: float, leaks: bool) -> TraceRow:
    rate = Interval(1.9, 1.7, 2.1) if leaks else Interval(0.02, -0.05, 0.09)
    floor = (t_s + 9000.0, t_s + 8000.0, t_s + 10_000.0) if leaks else (None, None, None)
    return TraceRow(
        t_s, Stage.HOLDING, 4e5, 4.01e5, None, 294.15, None, None, rate, leaks, *floor, 0.12, t_s + 30_000.0
    )


class Studio:
    """A studio's database with machines and readers admitted as needed."""

    def __init__(self, postgres: Postgres) -> None:
        self.postgres = postgres
        self._machine: Engine | None = None

    def ship(self, record: Path) -> UUID:
        """Ship a record as its workshop's Pi would, and return its number."""
        if self._machine is None:
            password = admit(self.postgres.owner(), "any-pi", MACHINE, ["*"])
            self._machine = self.postgres.address("any-pi", password).engine()
        with Store.open_read_only(record) as store:
            run = store.last_run()
        assert run is not None
        workshop = json.loads(run.settings_json)["workshop"]
        Shipper(record, self._machine, workshop, by_the_minute=False, pictures=True).ship()
        return UUID(identity(record))

    def heard(self, record: UUID, ago_s: float) -> None:
        """Set how long ago something of a record came."""
        with self.postgres.owner().begin() as connection:
            connection.execute(
                text("UPDATE potvigil.record SET seen = now() - :ago * interval '1 second' WHERE id = :r"),
                {"ago": ago_s, "r": record},
            )

    def reader(self, name: str, *workshops: str) -> StudioReader:
        password = admit(self.postgres.owner(), name, READER, workshops)
        return StudioReader(self.postgres.address(name, password).reading_engine())

    @contextmanager
    def shown(self, name: str, *workshops: str, **config: object) -> Iterator[TestClient]:
        """Show the page to who may see these workshops; the client follows no redirects."""
        page = ManyPage(page_config(self.reader(name, *workshops), **config))
        try:
            with TestClient(page.app, "http://localhost", follow_redirects=False) as client:
                yield client
        finally:
            page.close()
            shutil.rmtree(page.ground.config.folder)


def page_config(reader: StudioReader, **more: object) -> ManyConfig:
    """Return the configuration of a page of all records, in a folder of its own."""
    folder = Path(tempfile.mkdtemp(prefix="potvigil-many-"))
    usual = {"pots_of": pots_of, "settings": folder / "none.yaml", "folder": folder}
    return ManyConfig(reader, **usual | more)
