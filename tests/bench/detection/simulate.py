"""A drawn night played through: what the sensors say, and the truth."""

from dataclasses import dataclass

import numpy as np
from draw import FILL_AT_S, FLOOR_PA, HOLD_S, MID_HOLD, WORKING_PA, DrawnNight
from numpy.typing import NDArray
from scipy.signal import lfilter

from potvigil.sim.pot import Fill, PotModel, Table
from potvigil.units import PA_PER_PSI, ZERO_CELSIUS_K

STEP_S = 5.0  # five conversions of 1 Hz are averaged into one reading
PROBE_STEP_K = 0.0625  # DS18B20, 12 bit
CONVERTER_STEP_PA = 0.0047 * PA_PER_PSI  # 100 psi over 0.8 of 5 V, ADS1115 at 6.144 V

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Recorded:
    """Readings and truth of one night, a row each STEP_S, to the end of the hold.

    t_s, gauge_pa, ambient_pa, gas_c, wall_c, room_c: as read. true_rate_pa_per_s: fall at constant
    temperature. true_absolute_pa, true_gas_k: of the gas. filled_s: the supply was shut. onset_s: the leak's,
    None for a sound pot; a leak from the start counts from filled_s. crossing_s: when the gauge truly passes
    the floor, also after the hold (None: not within a day).
    """

    night: DrawnNight
    t_s: Floats
    gauge_pa: Floats
    ambient_pa: Floats
    gas_c: Floats
    wall_c: Floats
    room_c: Floats
    true_rate_pa_per_s: Floats
    true_absolute_pa: Floats
    true_gas_k: Floats
    filled_s: float
    onset_s: float | None
    crossing_s: float | None


def simulate(night: DrawnNight) -> Recorded:
    """Play the night. The same night gives the same readings."""
    random = np.random.default_rng(night.seed)
    weather = night.weather
    room = Table(weather.times_s, [night.room_mean_c + ZERO_CELSIUS_K + each for each in weather.swing_c])
    pot = PotModel(
        night.parameters,
        supply=night.supply,
        actions=(Fill(FILL_AT_S, WORKING_PA),),
        leaks=() if night.leak is None else (night.leak,),
        cure=night.cure,
        room_k=lambda t_s: room(t_s) + _heater_k(night, t_s),
        ambient_pa=Table(weather.times_s, weather.ambient_pa),
    )
    end_s = FILL_AT_S + HOLD_S
    rows = []
    filled_s = fed_mol = 0.0
    crossing_s = None
    for tick in range(int(end_s / STEP_S)):
        pot.advance(tick * STEP_S)
        rows.append(
            (
                pot.t_s,
                pot.gauge_pa,
                pot.ambient_pa,
                pot.gas_k,
                pot.wall_k,
                pot.room_k,
                pot.leak_pa_per_s,
                pot.absolute_pa,
            )
        )
        if not filled_s and 0.0 < fed_mol == pot.fed_mol:
            filled_s = pot.t_s
        fed_mol = pot.fed_mol
        if filled_s and crossing_s is None and pot.gauge_pa < FLOOR_PA:
            crossing_s = pot.t_s
    if night.kind == MID_HOLD:
        while crossing_s is None and pot.t_s < 23.5 * 3600.0:
            pot.advance(pot.t_s + 60.0)
            if pot.gauge_pa < FLOOR_PA:
                crossing_s = pot.t_s
    t_s, gauge, ambient, gas_k, wall_k, room_k, rate, absolute = np.array(rows).T
    n = len(t_s)
    sensing = night.sensing

    shown = gauge * (1.0 + sensing.span_error) + sensing.zero_pa + sensing.drift_pa_per_k * (wall_k - 293.15)
    shown += sensing.creep_pa * _wander(random, n, 3 * 3600.0)
    shown += sensing.noise_pa / np.sqrt(STEP_S) * random.standard_normal(n)
    probe_gas = _lagged(gas_k + sensing.gas_wall_share * (wall_k - gas_k), sensing.gas_lag_s)
    probe_wall = _lagged(wall_k + sensing.wall_room_share * (room_k - wall_k), sensing.wall_lag_s)
    probe_room = _lagged(room_k, sensing.room_lag_s) + sensing.draught_k * _wander(random, n, 600.0)
    onset_s = None if night.leak is None else max(night.leak.onset_s, filled_s)
    return Recorded(
        night=night,
        t_s=t_s,
        gauge_pa=_stepped(shown, CONVERTER_STEP_PA / STEP_S),
        ambient_pa=np.round(ambient + sensing.barometer_offset_pa + random.standard_normal(n)),
        gas_c=_stepped(probe_gas + sensing.gas_offset_k - ZERO_CELSIUS_K, PROBE_STEP_K),
        wall_c=_stepped(probe_wall + sensing.wall_offset_k - ZERO_CELSIUS_K, PROBE_STEP_K),
        room_c=_stepped(probe_room + sensing.room_offset_k - ZERO_CELSIUS_K, PROBE_STEP_K),
        true_rate_pa_per_s=rate,
        true_absolute_pa=absolute,
        true_gas_k=gas_k,
        filled_s=filled_s,
        onset_s=onset_s,
        crossing_s=crossing_s,
    )


def _heater_k(night: DrawnNight, t_s: float) -> float:
    heater = night.heater
    if heater is None:
        return 0.0
    phase = t_s / heater.period_s % 1.0
    cycle = heater.cycle_k * (4.0 * abs(phase - 0.5) - 1.0)
    after_s = t_s - heater.step_at_s
    step = heater.step_k * (1.0 - np.exp(-after_s / heater.step_decay_s)) if after_s > 0.0 else 0.0
    return cycle + float(step)


def _lagged(values: Floats, lag_s: float) -> Floats:
    share = STEP_S / (lag_s + STEP_S)
    lagged, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])
    return lagged


def _wander(random: np.random.Generator, n: int, time_constant_s: float) -> Floats:
    """An Ornstein-Uhlenbeck process of unit variance."""
    keep = float(np.exp(-STEP_S / time_constant_s))
    kicks = random.standard_normal(n)
    kicks[1:] *= np.sqrt(1.0 - keep * keep)
    return lfilter([1.0], [1.0, -keep], kicks)


def _stepped(values: Floats, step: float) -> Floats:
    return np.round(values / step) * step
