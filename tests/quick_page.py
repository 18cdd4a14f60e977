"""A page over an hour that nobody simulated: a record written by hand, and what the watch would have left."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from starlette.testclient import TestClient

from demo_pot import T_S, UTC_S, alarm, with_alarms
from potvigil.commands.page import _rigs_of, pots_of
from potvigil.model.events import BatchClosed, BatchOpened, Detail, EditEvent, Snapshot, Stage, StageEvent
from potvigil.model.reading import Sample
from potvigil.outputs.live import LiveFile
from potvigil.page.frame import PageConfig
from potvigil.page.server import Page
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from record_night import SUMMARY

SETTINGS = """
workshop: harbour-models
timezone: UTC
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: {hold: 10 h, gel: 1 h}
"""
LESS_S = UTC_S - T_S  # Unix time less the record's axis


def quick_record(path: Path, settings: str = SETTINGS) -> Path:
    """Write a closed batch 1 (100 to 700 s) and an open batch 2 from 1000 s, read each 10 s up to 5000 s."""
    with Store.open(path) as store:
        store.begin_run(load_text(settings, "settings").as_json(), "boot", 0.0, LESS_S, None)
        store.open_batch("lantern", BatchOpened(100.0, LESS_S + 100.0))
        summary = replace(SUMMARY, start_s=100.0, end_s=700.0, details={})
        store.close_batch(1, BatchClosed(700.0, LESS_S + 700.0, summary))
        store.open_batch("lantern", BatchOpened(1000.0, LESS_S + 1000.0))
        store.add_edit(2, EditEvent(1000.0, LESS_S + 1000.0, Detail.LABEL, "", "lens 2", "anna"))
        for t_s, stage in ((1010.0, Stage.FILLING), (1400.0, Stage.HOLDING)):
            store.add_event("lantern", 2, StageEvent(t_s, LESS_S + t_s, stage))
        for t_s in range(1000, 5001, 10):
            store.append("lantern", Sample(float(t_s), LESS_S + t_s, gauge_pa=4e5 - t_s, gas_c=21.0))
    return path


@contextmanager
def quick_page(
    folder: Path, snapshots: Mapping[str, Snapshot] | None = None, **config: object
) -> Iterator[TestClient]:
    """Show the page of `folder/record.db`, heard of a moment ago; the client follows no redirects.

    snapshots: what the watch knows, a lantern that leaks unless said; an empty mapping: no watch.
    """
    record, live = folder / "record.db", folder / "live.json"
    if not record.exists():
        quick_record(record)
    snapshots = {"lantern": with_alarms(alarm())} if snapshots is None else snapshots
    if snapshots:
        speak(live, snapshots)
    page = Page(PageConfig(record, live, pots_of, _rigs_of, folder / "reports", **config))
    (folder / "reports").mkdir(exist_ok=True)
    try:
        with TestClient(page.app, "http://localhost", follow_redirects=False) as client:
            client.page = page
            yield client
    finally:
        page.close()


def speak(live: Path, snapshots: Mapping[str, Snapshot], workshop: str = "harbour-models") -> None:
    """Leave what the watch knows, as it does each second."""
    file = LiveFile(live, workshop, None, 1.0)
    file.begin(0.0, 0.0)
    file.write(snapshots, {"lantern": 2})
