"""What the sensors of an odd night say of it, and the settings and samples its watch is given."""

from collections.abc import Iterator

import numpy as np
from night import HOUR, PSI, Night
from play import Floats, Truth
from scipy.signal import lfilter

from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Sample
from potvigil.settings.loading import load_text
from potvigil.units import ZERO_CELSIUS_K

BEGIN_UTC_S = 1_768_075_200.0
LAG_S = {"gas": 40.0, "wall": 70.0, "room": 200.0}


def pot_of(night: Night, places: tuple[Place, ...]) -> Pot:
    """Return the pot as its settings describe it."""
    probes = [f"{{place: {place}, id: 28-{at:012x}}}" for at, place in enumerate(places, 1)]
    contents = ""
    if night.said_contents is not None:
        contents = f"    contents_volume: {1e3 * night.contents_m3 * night.said_contents:.3g} L\n"
    cure = f"hold: {night.hold}" if night.resin is None else f"resin: {night.resin}"
    text = f"""\
workshop: odd
timezone: UTC
pots:
  odd:
    internal_volume: {1e3 * night.volume_m3 * night.said_volume:.4g} L
{contents}    maximum_pressure: {night.psi * 4 / 3:.4g} psi
    working_pressure: {night.psi:g} psi
    floor_pressure: {0.75 * night.psi:g} psi
    thermometer: {f"[{', '.join(probes)}]" if probes else "{place: none}"}
    supply: {night.supply}
    cure: {{{cure}}}
{night.transducer}{"barometer: {device: bmp280}" if night.has_barometer else "barometer: {altitude: 0 m}"}
"""
    return load_text(text, "the odd pot").core_pots()["odd"]


def samples_of(night: Night, truth: Truth, places: tuple[Place, ...], seed: int) -> Iterator[Sample]:
    """Yield what is read with thermometers at those places."""
    random = np.random.default_rng(seed)
    rows, step_s = len(truth.t_s), night.step_s
    t_s = truth.t_s + night.jitter_s * random.uniform(-0.5, 0.5, rows)
    own_pa = truth.absolute_pa if night.absolute else truth.absolute_pa - truth.outside_pa
    warm_k = truth.side_k - 293.15
    own_pa = own_pa * (1.0 + night.span_error) + night.zero_pa + night.drift_pa_per_k * warm_k
    own_pa += night.hysteresis_pa * np.tanh(_lagged(warm_k, 2 * HOUR, step_s) - warm_k)
    own_pa += night.hum_pa * np.sin(2 * np.pi * t_s / night.hum_s)
    if night.sag_pa:
        own_pa -= night.sag_pa * _busy(random, rows, step_s)
    noise = random.standard_normal((rows, 4)) * night.noise_pa
    own_pa = (np.round((own_pa[:, None] + noise) / night.count_pa) * night.count_pa).mean(axis=1)
    outside_pa = np.round(truth.outside_pa + 40.0 + random.standard_normal(rows))
    at = {
        "gas": truth.gas_k + 0.05 * (truth.side_k - truth.gas_k),
        "wall": truth.base_k if night.wall_on_base else truth.side_k,
        "room": truth.room_k,
    }
    at["gas"] = at["gas"] + night.gas_sees_mould * (truth.mould_k - at["gas"])
    at["wall"] = at["wall"] + night.wall_sees_room * (truth.room_k - at["wall"])
    read: dict[str, Floats] = {}
    for place in places:
        kelvin = _lagged(at[place], LAG_S[place], step_s) + night.offsets_k.get(place, 0.0)
        celsius = np.round((kelvin - ZERO_CELSIUS_K) / night.probe_k) * night.probe_k
        if night.probe_every_s:  # read less often, the last value stands
            every = max(int(night.probe_every_s / step_s), 1)
            celsius = celsius[(np.arange(rows) // every) * every]
        read[f"{place}_c"] = celsius
    for row in range(rows):
        now_s = float(t_s[row])
        if any(begin <= now_s < begin + length for begin, length in night.pauses):
            continue
        utc_s = BEGIN_UTC_S + now_s + sum(step for at_s, step in night.clock_steps if now_s >= at_s)
        yield Sample(
            now_s,
            utc_s,
            gauge_pa=None if night.absolute else float(own_pa[row]),
            absolute_pa=float(own_pa[row]) if night.absolute else None,
            ambient_pa=float(outside_pa[row]) if night.has_barometer else None,
            **{name: float(values[row]) for name, values in read.items()},
        )


def _busy(random: np.random.Generator, rows: int, step_s: float) -> Floats:
    """Return 1 while the computer works: some minutes at a time, with some ten minutes of rest between."""
    busy, at = np.zeros(rows), 0
    while at < rows:
        at += 1 + int(random.exponential(900.0) / step_s)
        until = at + 1 + int(random.exponential(200.0) / step_s)
        busy[at:until] = 1.0
        at = until
    return busy


def _lagged(values: Floats, lag_s: float, step_s: float) -> Floats:
    share = step_s / (lag_s + step_s)
    lagged, _ = lfilter([share], [1.0, share - 1.0], values, zi=[(1.0 - share) * values[0]])
    return np.asarray(lagged)


__all__ = ["BEGIN_UTC_S", "PSI", "pot_of", "samples_of"]
