"""Reads from the record what is known of a pot before a pour."""

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

from potvigil.diagnosis.pot_health import health
from potvigil.model.ageing import BatchLeak
from potvigil.model.events import Stage, StageEvent
from potvigil.model.reading import Sample
from potvigil.planning.pot_history import ROOM_K, SoFar
from potvigil.record.errors import MissingRecordError
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.store import Store
from potvigil.units import celsius_to_kelvin

_BATCHES = 3
_DAY_S, _EVERY_S, _WINDOW_S = 86_400.0, 900.0, 60.0
_LEAST_SEEN = 0.75  # of the points of a night that must have a reading
_FRESH_S = 1800.0


def so_far(path: Path, pot_id: str, start: datetime) -> SoFar:
    """Return what a record knows; nothing where there is none yet. Rehearsed batches do not count."""
    try:
        store = Store.open_read_only(path)
    except MissingRecordError:
        return SoFar()
    with store:
        if pot_id not in store.pots():
            return SoFar()
        rows = [row for row in store.leaks(pot_id) if row.rehearsed is None]
        cares = [row.care for row in store.cares(pot_id)]
        batches = [
            BatchLeak(row.batch_id, row.t_s, row.utc_s, row.rate_pa_per_s, row.established, row.verdict)
            for row in rows
        ]
        run = store.last_run()
        real = run is not None and run.rehearsed is None
        room_k, night = _room(store, pot_id, start.timestamp()) if real else (None, None)
        return SoFar(
            leaks_pa_per_s=tuple(r.rate_pa_per_s for r in rows if r.rate_pa_per_s is not None)[-_BATCHES:],
            leak_now_pa_per_s=health(batches, cares).now_pa_per_s,
            fills_s=tuple(_fills(store, pot_id))[::-1],
            room_k=room_k,
            night=night,
        )


def _fills(store: Store, pot_id: str) -> Iterator[float]:
    """Yield how long the fills of the last batches took, newest first."""
    real = [row for row in store.listed(Wanted(pot_id=pot_id, limit=4 * _BATCHES)) if row.rehearsed is None]
    for row in real[:_BATCHES]:
        stages = [event for event in store.events(row.id) if isinstance(event, StageEvent)]
        begun = next((event.t_s for event in stages if event.stage is Stage.FILLING), None)
        ended = next((event.t_s for event in stages if event.stage is Stage.SETTLING), None)
        if begun is not None and ended is not None and ended > begun:
            yield ended - begun


def _room(
    store: Store, pot_id: str, start_utc_s: float
) -> tuple[float | None, tuple[tuple[float, ...], tuple[float, ...]] | None]:
    """Return the room's temperature now, K, and over the day before the start; None where unknown."""
    offset_s = store.utc_less_t_s(pot_id, float("inf"))
    if offset_s is None:
        return None, None
    start_t_s = start_utc_s - offset_s
    last = store.last_sample(pot_id)
    room_k = None if last is None or abs(last.t_s - start_t_s) >= _FRESH_S else _room_k(last)
    seen = []
    marks = int(_DAY_S / _EVERY_S)
    for mark in range(marks):
        t_s = start_t_s - _DAY_S + mark * _EVERY_S
        sample = next(store.samples(pot_id, t_s, t_s + _WINDOW_S), None)
        kelvin = None if sample is None else _room_k(sample)
        if kelvin is not None:
            seen.append((mark * _EVERY_S, kelvin))
    if len(seen) < _LEAST_SEEN * marks:
        return room_k, None
    times_s, kelvins = zip(*seen, strict=True)
    return room_k, (times_s, kelvins)


def _room_k(sample: Sample) -> float | None:
    kelvin = None if sample.room_c is None else celsius_to_kelvin(sample.room_c)
    return kelvin if kelvin is not None and ROOM_K[0] <= kelvin <= ROOM_K[1] else None
