"""What the sensors say of a played night, and the truth beside it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from draw import DrawnNight
from numpy.typing import NDArray
from scipy.signal import lfilter
from vessel import Truth

from potvigil.units import PA_PER_PSI, ZERO_CELSIUS_K

PROBE_STEP_K = 0.0625  # DS18B20, 12 bit
CONVERTER_STEP_PA = 0.0047 * PA_PER_PSI  # 100 psi over 0.8 of 5 V, ADS1115 at 6.144 V

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Recorded:
    """Readings and truth of one night, a row each step, to the end of the hold.

    t_s, gauge_pa, ambient_pa, gas_c, wall_c, room_c, contents_c: as read. true_rate_pa_per_s: fall at
    constant temperature. true_absolute_pa, true_gas_k: of the gas. filled_s: the supply was shut. onset_s:
    the leak's, None for a sound pot; a leak from the start counts from filled_s. crossing_s: when the gauge
    truly passes the floor, for leaks also after the hold (None: not within a day). cured_j: heat of the resin
    by the end of the hold, J.
    """

    night: DrawnNight
    t_s: Floats
    gauge_pa: Floats
    ambient_pa: Floats
    gas_c: Floats
    wall_c: Floats
    room_c: Floats
    contents_c: Floats
    true_rate_pa_per_s: Floats
    true_absolute_pa: Floats
    true_gas_k: Floats
    true_room_k: Floats
    filled_s: float
    onset_s: float | None
    crossing_s: float | None
    cured_j: float

    @property
    def step_s(self) -> float:
        """Time from one reading to the next, s."""
        return float(self.t_s[1] - self.t_s[0])


def read(nights: Sequence[DrawnNight], truth: Truth, step_s: float) -> list[Recorded]:
    """Let the sensors read the nights; conversions of 1 Hz are averaged into one reading a step."""
    return [_read_one(night, truth, at, step_s) for at, night in enumerate(nights)]


def _read_one(night: DrawnNight, truth: Truth, at: int, step_s: float) -> Recorded:
    random = np.random.default_rng(night.seed)
    sensing = night.sensing
    rows = len(truth.t_s)
    ambient_pa, room_k = truth.ambient_pa[:, at], truth.room_k[:, at]
    gas_k, wall_k = truth.seen_gas_k[:, at], truth.seen_wall_k[:, at]
    gauge_pa = truth.absolute_pa[:, at] - ambient_pa
    conversions = max(step_s, 1.0)

    drift_pa = sensing.drift_pa_per_k * (truth.transducer_k[:, at] - 293.15)
    shown = gauge_pa * (1.0 + sensing.span_error) + sensing.zero_pa + drift_pa
    shown += sensing.creep_pa * _wander(random, rows, 3 * 3600.0, step_s)
    shown += sensing.noise_pa / np.sqrt(conversions) * random.standard_normal(rows)
    probe_gas = _lagged(gas_k + sensing.gas_wall_share * (wall_k - gas_k), sensing.gas_lag_s, step_s)
    probe_wall = _lagged(wall_k + sensing.wall_room_share * (room_k - wall_k), sensing.wall_lag_s, step_s)
    probe_room = _lagged(room_k, sensing.room_lag_s, step_s)
    probe_room += sensing.draught_k * _wander(random, rows, 600.0, step_s)
    probe_contents = _lagged(truth.seen_contents_k[:, at], sensing.contents_lag_s, step_s)
    filled_s, crossing_s = float(truth.filled_s[at]), float(truth.crossing_s[at])
    return Recorded(
        night=night,
        t_s=truth.t_s,
        gauge_pa=_stepped(shown, CONVERTER_STEP_PA / conversions),
        ambient_pa=np.round(ambient_pa + sensing.barometer_offset_pa + random.standard_normal(rows)),
        gas_c=_celsius(probe_gas + sensing.gas_offset_k),
        wall_c=_celsius(probe_wall + sensing.wall_offset_k),
        room_c=_celsius(probe_room + sensing.room_offset_k),
        contents_c=_celsius(probe_contents + sensing.contents_offset_k),
        true_rate_pa_per_s=truth.leak_pa_per_s[:, at].copy(),
        true_absolute_pa=truth.absolute_pa[:, at].copy(),
        true_gas_k=truth.gas_k[:, at].copy(),
        true_room_k=room_k.copy(),
        filled_s=filled_s,
        onset_s=None if night.leak is None else max(night.leak.onset_s, filled_s),
        crossing_s=None if np.isnan(crossing_s) else crossing_s,
        cured_j=float(truth.cure_j[at]),
    )


def _lagged(values: Floats, lag_s: float, step_s: float) -> Floats:
    share = step_s / (lag_s + step_s)
    lagged, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])
    return lagged


def _wander(random: np.random.Generator, rows: int, time_constant_s: float, step_s: float) -> Floats:
    """An Ornstein-Uhlenbeck process of unit variance."""
    keep = float(np.exp(-step_s / time_constant_s))
    kicks = random.standard_normal(rows)
    kicks[1:] *= np.sqrt(1.0 - keep * keep)
    return lfilter([1.0], [1.0, -keep], kicks)


def _celsius(kelvin: Floats) -> Floats:
    return _stepped(kelvin - ZERO_CELSIUS_K, PROBE_STEP_K)


def _stepped(values: Floats, step: float) -> Floats:
    return np.round(values / step) * step
