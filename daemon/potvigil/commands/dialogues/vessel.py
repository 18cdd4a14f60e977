"""The dialogue to measure a volume: open the filled pot to a vessel, and read the fall on its transducer.

The pressure of a pot that leaks, or whose wall still cools, also falls by itself. So its trends just before
and just after are extrapolated over the time between, and half of that correction is taken as its error.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from math import hypot
from statistics import fmean

from potvigil.commands.dialogues.exclusive_station import with_pressure
from potvigil.commands.shared.common import UseError
from potvigil.diagnosis.volume import Measured, State, into_vessel
from potvigil.model.pot import Pot
from potvigil.model.reading import Reading, Sample
from potvigil.units import span
from potvigil.wording.quantities import pressure

# Read the open pot for half a minute; take a state from its last minutes, and compare their ends.
_OPEN_S, _WINDOW_S, _END_S = 30.0, 180.0, 60.0
# Filling warms air and wall, venting cools them; the wall takes a quarter of an hour. A pot is at rest when
# its pressure changes by no more than this share from end to end, some 0.6 psi/h.
_LEAST_S, _PATIENCE_S, _AT_REST = 300.0, 3600.0, 0.00025
_LARGEST_OPEN = 0.03  # of the working pressure; above this the pot is not open
_FALL_ERROR = 0.5  # of the extrapolated change
# 1 sigma, K: error of the gas's temperature change between two states at rest, as a thermometer reads it.
_PROBE_K = 0.1
# The vessel must take at least this share of the pressure: less means that a valve stayed shut.
_LEAST_STEP = 0.01


@dataclass(frozen=True, slots=True)
class _Rest:
    """A pot at rest: Pa gauge, and how fast it still rises. kelvin: None without a thermometer."""

    t_s: float
    gauge_pa: float
    rise_pa_per_s: float
    ambient_pa: float
    kelvin: float | None


def take_volume(
    pot: Pot,
    vessel_m3: Measured,
    samples: Iterator[Sample],
    ask: Callable[[str], str],
    error_pa: float,
    room: Measured,
) -> Measured:
    """Ask for each step and return the pot's gas volume, m3. Raises VolumeError, UseError.

    error_pa: of each pressure, 1 sigma. room: K, the gas's temperature if there is no thermometer, with its
    error from one state to the next.
    """
    working = pressure(pot.working_pa, pot.pressure_unit)
    ask(
        "Empty the pot. Shut the supply, open the vent fully and wait until the pot's own gauge shows zero. "
        "Then press Enter: "
    )
    open_pot_pa = _open_pot(pot, samples)
    ask(
        "Connect the vessel: its valve to the pot shut, its own vent open. Shut the pot's lid and vent, and "
        f"tighten the clamps evenly and crosswise. Bring the pot slowly to {working} and shut the "
        "supply. Then press Enter: "
    )
    full = _rest(pot, samples)
    ask(
        "Shut the vessel's own vent. Open the valve between pot and vessel slowly, and leave it open. "
        "Then press Enter: "
    )
    after = _rest(pot, samples)
    if after.gauge_pa > (1.0 - _LEAST_STEP) * full.gauge_pa:
        raise UseError("the pressure hardly fell: was the vessel's valve open, and the supply shut?")
    between_s = after.t_s - full.t_s
    carried_pa = 0.5 * (full.rise_pa_per_s + after.rise_pa_per_s) * between_s
    full_pa = Measured(
        full.gauge_pa + carried_pa - open_pot_pa + full.ambient_pa, hypot(error_pa, _FALL_ERROR * carried_pa)
    )
    after_pa = Measured(after.gauge_pa - open_pot_pa + after.ambient_pa, error_pa)
    kelvins = [room if each.kelvin is None else Measured(each.kelvin, _PROBE_K) for each in (full, after)]
    outside = State(Measured(full.ambient_pa), room)
    return into_vessel(vessel_m3, State(full_pa, kelvins[0]), State(after_pa, kelvins[1]), outside)


def _open_pot(pot: Pot, samples: Iterator[Sample]) -> float:
    """Return the reading of the open pot, Pa gauge."""
    readings: list[Reading] = []
    while not readings or readings[-1].t_s - readings[0].t_s < _OPEN_S:
        readings.append(_good(pot, samples))
    open_pot_pa = fmean(each.gauge_pa or 0.0 for each in readings)
    if abs(open_pot_pa) > _LARGEST_OPEN * pot.working_pa:
        raise UseError(
            f"the open pot reads {pressure(open_pot_pa, pot.pressure_unit)}: open the vent fully, or check "
            "the transducer with `potvigil calibrate`"
        )
    return open_pot_pa


def _rest(pot: Pot, samples: Iterator[Sample]) -> _Rest:
    """Wait until the pot is at rest."""
    print("Waiting until the pressure is steady; leave the pot and its valves alone ...", flush=True)
    window: deque[Reading] = deque()
    begun_s: float | None = None
    while True:
        reading = _good(pot, samples)
        begun_s = reading.t_s if begun_s is None else begun_s
        window.append(reading)
        while window[0].t_s < reading.t_s - _WINDOW_S:
            window.popleft()
        after_s = reading.t_s - begun_s
        if after_s < _LEAST_S:
            continue
        first = [each for each in window if each.t_s < window[0].t_s + _END_S]
        last = [each for each in window if each.t_s > reading.t_s - _END_S]
        rise_pa = _mean_pa(last) - _mean_pa(first)
        if abs(rise_pa) < _AT_REST * (reading.absolute_pa or 0.0):
            gauge_pa = _mean_pa(last)
            print(f"Steady after {span(after_s)}, at {pressure(gauge_pa, pot.pressure_unit)}.", flush=True)
            return _Rest(
                fmean(each.t_s for each in last),
                gauge_pa,
                rise_pa / (fmean(each.t_s for each in last) - fmean(each.t_s for each in first)),
                fmean(each.ambient_pa for each in last),
                _mean_k(last),
            )
        if after_s > _PATIENCE_S:
            raise UseError(
                f"after {span(after_s)} the pressure still {'rises' if rise_pa > 0.0 else 'falls'}: repair a "
                "pot that leaks this much first, after venting; see `potvigil tightness`"
            )


def _good(pot: Pot, samples: Iterator[Sample]) -> Reading:
    reading = with_pressure(next(samples), pot)
    gauge_pa = reading.gauge_pa or 0.0
    if gauge_pa > pot.maximum_pa:
        raise UseError(
            f"{pressure(gauge_pa, pot.pressure_unit)} is above the marked maximum: shut the supply, "
            "let the relief valve work and stay clear"
        )
    return reading


def _mean_pa(readings: Iterable[Reading]) -> float:
    return fmean(each.gauge_pa or 0.0 for each in readings)


def _mean_k(readings: Iterable[Reading]) -> float | None:
    known = [kelvin for each in readings if (kelvin := each.nearest[1]) is not None]
    return fmean(known) if known else None
