"""Simulated seasons of a pot that casts clear lantern lenses: what its batches leaked."""

from collections.abc import Sequence

import numpy as np

from potvigil.core.care import Care, Part
from potvigil.core.event import NORMAL_95, Interval, Verdict
from potvigil.core.health import BatchLeak
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

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
