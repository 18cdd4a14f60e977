"""Measures a pot's gas volume with a known vessel or flow, guided or from figures, for the settings."""

import argparse
import re
from collections.abc import Callable, Iterator

from potvigil.clock import SystemClock
from potvigil.commands.dialogues.exclusive_station import (
    answer,
    own_station,
    pressure_warning,
    refuse_beside_a_watch,
    samples_of,
    with_pressure,
)
from potvigil.commands.dialogues.vessel import take_volume
from potvigil.commands.shared.common import OR_REHEARSE, UseError, one_of, settings_path
from potvigil.commands.shared.status import DONE, NO
from potvigil.diagnosis.volume import Measured, State, VolumeError, by_flow, by_vessel, flow_mol_per_s
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.settings.loading import load
from potvigil.units import (
    FREE_AIR_UNITS_M3_PER_S,
    PRESSURE,
    SECONDS_PER_HOUR,
    TEMPERATURE,
    VOLUME,
    QuantityKind,
)
from potvigil.wording.quantities import pressure

_FLOW = QuantityKind("a flow", {"cm3/min": 1e-6 / 60.0, "mL/min": 1e-6 / 60.0, **FREE_AIR_UNITS_M3_PER_S})
_ROOM_K = 293.15
_KELVIN_SIGMA = 0.3  # between settled states a few minutes apart
_FALL_SHARE = 0.03  # 1 sigma, of a fall given without its interval
# Plausible ranges: outside them a figure or its unit is wrong.
_VESSELS, _ROOMS, _PRESSURES = ("0.01 L", "2000 L"), ("-40 C", "60 C"), ("-15 psi", "1000 psi")
_ERRORS, _FLOWS = ("0 psi", "50 psi"), ("0.001 cm3/min", "5000 L/min")
_FALLS = ("-100 psi", "10000 psi")  # an hour
# %, 1 sigma: weighed with water; by the data sheet of a calibrated leak
_USUAL_ERROR = {"vessel": 1.0, "flow": 2.0}


def measure_volume(args: argparse.Namespace) -> int:
    """Measure the volume, or compute it from readings; exit status 1 where there is no answer."""
    if args.rehearse:
        from potvigil.commands.rehearsal.rehearsed_pot import rehearsed_vessel

        print("Rehearsal on a simulated pot and a vessel of 2 L: nothing here was measured.")
        with rehearsed_vessel(answer) as (pot, samples, ask):
            args.vessel = "2 L"
            return _print_result(pot, lambda: _guided(args, pot, samples, ask))
    settings = load(settings_path(args, OR_REHEARSE))
    pot = settings.core_pots()[one_of(settings.pots, args.pot)]
    if (args.vessel is None) == (args.flow is None):
        raise UseError(
            'give --vessel "2 L" to measure with a vessel, or --flow "25 cm3/min" with --fall and --own-leak'
        )
    if args.flow is not None:
        return _print_result(pot, lambda: _by_flow(args, pot))
    if args.pressures is not None:
        return _print_result(pot, lambda: _by_vessel(args, pot))
    refuse_beside_a_watch(settings)
    with own_station(settings) as station:
        samples = samples_of(station, SystemClock(), pot.pot_id, settings.sample_period_s)
        with_pressure(next(samples), pot)
        return _print_result(pot, lambda: _guided(args, pot, samples, answer))


def _print_result(pot: Pot, find: Callable[[], Measured]) -> int:
    try:
        found = find()
    except VolumeError as error:
        print(f"No result: {error}.")
        return NO
    interval = found.interval
    litres = f"{1e3 * interval.value:.2f} L ({1e3 * interval.low:.2f} to {1e3 * interval.high:.2f})"
    print(f"{pot.pot_id} held {litres} of air, as it was then.")
    print(f"If it was empty, this is the line for pots.{pot.pot_id} in the settings:")
    print(f"    internal_volume: {1e3 * interval.value:.1f} L")
    now_m3 = pot.internal_volume_m3
    if interval.low <= now_m3 <= interval.high:
        print(f"It agrees with the {1e3 * now_m3:g} L in the settings.")
    else:
        off = 100.0 * (interval.value / now_m3 - 1.0)
        print(f"The settings say {1e3 * now_m3:g} L, {abs(off):.0f} % {'less' if off > 0.0 else 'more'}.")
    return DONE


def _guided(
    args: argparse.Namespace, pot: Pot, samples: Iterator[Sample], ask: Callable[[str], str]
) -> Measured:
    vessel_m3 = _read("vessel", args.vessel, VOLUME, _VESSELS)
    working = pressure(pot.working_pa, pot.pressure_unit)
    print(
        f"Measuring the volume of {pot.pot_id}, empty, with a vessel of {1e3 * vessel_m3:g} L. Eye "
        f"protection on, and clear of the lid. Use a vessel made and rated for {working} or more, with a "
        "vent of its own and a valve at the pot's end of its hose; the hose counts as part of it. Nothing "
        f"here goes above the working pressure, {working}."
    )
    vessel = Measured(vessel_m3, vessel_m3 * _percent(args, "vessel"))
    error_pa = _read("pressure-error", args.pressure_error, PRESSURE, _ERRORS)
    room = Measured(_kelvin("room", args.room), _KELVIN_SIGMA)
    with pressure_warning():
        found = take_volume(pot, vessel, samples, ask, error_pa, room)
    print(
        "Done. Shut the supply, open both vents fully, and confirm zero on the pot's own gauge before you "
        "loosen lid or hose."
    )
    return found


def _by_vessel(args: argparse.Namespace, pot: Pot) -> Measured:
    error_pa = _read("pressure-error", args.pressure_error, PRESSURE, _ERRORS)
    kelvin = Measured(_kelvin("room", args.room), _KELVIN_SIGMA)
    full, before, after = (
        State(Measured(_read("pressures", text, PRESSURE, _PRESSURES) + pot.ambient_pa, error_pa), kelvin)
        for text in args.pressures
    )
    value = _read("vessel", args.vessel, VOLUME, _VESSELS)
    return by_vessel(Measured(value, value * _percent(args, "vessel")), full, before, after)


def _by_flow(args: argparse.Namespace, pot: Pot) -> Measured:
    if args.fall is None or args.own_leak is None:
        raise UseError(
            'give --fall "1.35 psi/h", what `potvigil tightness` said with the flow on, and --own-leak "0.10 '
            'psi/h", what it said without; or their intervals, "1.20 to 1.50 psi/h"'
        )
    value = _read("flow", args.flow, _FLOW, _FLOWS)
    flow = flow_mol_per_s(Measured(value, value * _percent(args, "flow")), _kelvin("flow-at", args.flow_at))
    absolute_pa = pot.working_pa + pot.ambient_pa
    with_it, without = (
        Measured(each.value / absolute_pa, each.sigma / absolute_pa)
        for each in (_fall("fall", args.fall), _fall("own-leak", args.own_leak))
    )
    gas = State(Measured(absolute_pa, 0.005 * absolute_pa), Measured(_kelvin("room", args.room), 1.0))
    return by_flow(flow, with_it, without, gas)


def _fall(option: str, text: str) -> Measured:
    """Read '1.35 psi/h' or its 95 % interval, '1.20 to 1.50 psi/h', in Pa/s."""
    found = re.fullmatch(r"\s*(?:(-?[0-9.]{1,20})\s+to\s+)?(-?[0-9.]{1,20})\s*([A-Za-z]+)/h\s*", text)
    if found is None:
        raise UseError(f'--{option} {text!r}: give a fall like "1.35 psi/h" or "1.20 to 1.50 psi/h"')
    low, high = (
        None if each is None else _read(option, f"{each} {found[3]}", PRESSURE, _FALLS) / SECONDS_PER_HOUR
        for each in (found[1], found[2])
    )
    assert high is not None
    if low is not None and low >= high:
        raise UseError(f"--{option} {text!r}: the first is not below the second; give the lower one first")
    if low is None:
        return Measured(high, _FALL_SHARE * abs(high))
    return Measured(0.5 * (low + high), (high - low) / 3.92)


def _percent(args: argparse.Namespace, of: str) -> float:
    if args.error is None:
        return _USUAL_ERROR[of] / 100.0
    found = re.fullmatch(r"\s*([0-9]{1,3}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})\s*%?\s*", args.error)
    if found is None or not 0.0 <= float(found[1]) <= 20.0:
        raise UseError(f"--error {args.error!r}: give the {of}'s error in %, 0 to 20, like 1")
    return float(found[1]) / 100.0


def _kelvin(option: str, text: str | None) -> float:
    return _ROOM_K if text is None else _read(option, text, TEMPERATURE, _ROOMS)


def _read(option: str, text: str, kind: QuantityKind, within: tuple[str, str]) -> float:
    low, high = within
    try:
        value = kind.read(text).si
    except ValueError as error:
        raise UseError(f"--{option} {text!r} {error}") from None
    if not kind.read(low).si <= value <= kind.read(high).si:
        raise UseError(f"--{option} {text!r} is out of range; give {low} to {high}")
    return value
