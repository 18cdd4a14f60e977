"""Simulated seasons of a pot that casts clear lantern lenses: the leaks of its batches."""

import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from potvigil.model.ageing import BatchLeak
from potvigil.model.events import NORMAL_95, BatchOpened, Interval, Stage, StageEvent, Verdict
from potvigil.model.maintenance import Care, Part
from potvigil.model.reading import Sample
from potvigil.record.store import Store
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR
from record_night import CLOSED, SUMMARY

DAY_S = 86_400.0
EVERY_S = 2.0 * DAY_S  # a batch every other night
FIRST_UTC_S = 1_767_247_200.0  # 2026-01-01 06:00 UTC
PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR
IN_GAS, ON_WALL, IN_ROOM = 0.02, 0.05, 0.1  # standard error of a rate by the thermometer's place, psi/h


def season(
    leaks_psi_per_h: Sequence[float],
    seed: int | None = 1,
    error_psi_per_h: float | Sequence[float] = IN_GAS,
    scatter: float = 0.02,
    *,
    clock: bool = True,
) -> list[BatchLeak]:
    """Return batches as they would be estimated of pots that leak so. seed None: without error or scatter.

    scatter: from batch to batch, psi/h. NaN in the leaks: a batch without an estimate.
    """
    generator = np.random.default_rng(seed)
    leaks = np.asarray(leaks_psi_per_h, dtype=float)
    errors = np.broadcast_to(error_psi_per_h, leaks.shape)
    seen = leaks if seed is None else leaks + generator.normal(0.0, np.hypot(errors, scatter))
    return [
        _batch(i, float(x), float(error), clock)
        for i, (x, error) in enumerate(zip(seen, errors, strict=True))
    ]


def _batch(number: int, psi_per_h: float, error_psi_per_h: float, clock: bool) -> BatchLeak:
    at_s = number * EVERY_S
    half = NORMAL_95 * error_psi_per_h * PSI_PER_H
    rate = None if np.isnan(psi_per_h) else psi_per_h * PSI_PER_H
    lost = rate is not None and rate - half > 0.1 * PSI_PER_H
    return BatchLeak(
        batch_id=number + 1,
        t_s=at_s,
        utc_s=FIRST_UTC_S + at_s if clock else None,
        rate_pa_per_s=None if rate is None else Interval(rate, rate - half, rate + half),
        established=lost,
        verdict=Verdict.INCOMPLETE if rate is None else Verdict.LEAKED if lost else Verdict.HELD,
    )


def care(part: Part, before_batch: int, text: str = "", by: str = "Ines", *, clock: bool = True) -> Care:
    """Return a care given in the afternoon before a batch, counted from 0."""
    at_s = before_batch * EVERY_S - 0.6 * DAY_S
    return Care(FIRST_UTC_S + at_s if clock else None, at_s, part, text, by)


def wearing(
    sound: int, worn: int, from_psi_per_h: float = 0.1, per_batch_psi_per_h: float = 0.006
) -> list[float]:
    """Return the leaks of a seal that is sound for a while and then wears steadily."""
    return [from_psi_per_h] * sound + [from_psi_per_h + per_batch_psi_per_h * (n + 1) for n in range(worn)]


def keep_season(path: Path, settings_json: str) -> None:
    """Keep twelve batches up to today, each filled in 150 s; the room went from 20 to 11 C the last day."""
    now_s = time.time()
    batches = season([0.2] * 12)
    shift_s = now_s - 7200.0 - batches[-1].utc_s
    with Store.open(path) as store:
        first_utc_s = batches[0].utc_s + shift_s
        store.begin_run(settings_json, "boot", 0.0, first_utc_s - 1e5, None)
        for batch in batches:
            begun_s, utc_s = batch.t_s + 1e5 - 3.6e4, batch.utc_s + shift_s
            number = store.open_batch("lantern", BatchOpened(begun_s, utc_s))
            for stage, after_s in ((Stage.FILLING, 1.0), (Stage.SETTLING, 151.0)):
                store.add_event("lantern", number, StageEvent(begun_s + after_s, None, stage))
            leak = replace(SUMMARY.leak, t_s=batch.t_s + 1e5, rate_pa_per_s=batch.rate_pa_per_s)
            summary = replace(SUMMARY, leak=leak, details={})
            store.close_batch(number, replace(CLOSED, t_s=begun_s + 3.5e4, utc_s=utc_s, summary=summary))
        offset_s = first_utc_s - 1e5  # the run began at 0 on the record's axis
        t_s = now_s - offset_s - 86_700.0
        while t_s < now_s - offset_s:
            ago_h = (now_s - offset_s - t_s) / 3600.0
            store.append("lantern", Sample(t_s, utc_s=t_s + offset_s, room_c=20.0 if ago_h > 12.0 else 11.0))
            t_s += 30.0
        store.flush()
