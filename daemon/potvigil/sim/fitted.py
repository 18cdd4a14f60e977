"""Adapts a named night to another pot and its wires: same events, scaled pressures, sizes and times."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from potvigil.sim.gas_laws import Leak
from potvigil.sim.nights import (
    CONTENTS_PROBE,
    GAS_PROBE,
    HOLD_S,
    MAXIMUM_PA,
    ROOM_PROBE,
    VENT_S,
    WALL_PROBE,
    WORKING_PA,
)
from potvigil.sim.pot_parts import Action, Fill, PotParameters, Regulate, Supply, Vent
from potvigil.sim.wires import Platinum, Thermistor, Wires
from potvigil.sim.world import Night, Probe, SensorFault

_PROBES = {probe.place: probe for probe in (GAS_PROBE, WALL_PROBE, ROOM_PROBE, CONTENTS_PROBE)}


@dataclass(frozen=True, slots=True)
class Fitting:
    """A pot and its wires. Pressures gauge; hold_s until it may be vented.

    span_pa, zero_pa: the transducer's true span and zero error, by the calibration in the settings.
    contents_volume_m3: None where unknown. probes: place, ROM id (None for the only one), and the sensor,
    None for a DS18B20.
    """

    working_pa: float
    maximum_pa: float
    internal_volume_m3: float
    contents_volume_m3: float | None
    hold_s: float
    span_pa: float
    zero_pa: float
    supply_v: float
    wires: Wires
    probes: Sequence[tuple[str, str | None, Thermistor | Platinum | None]]

    def pressure_pa(self, of_the_night_pa: float) -> float:
        """Return a pressure of the named nights scaled to this pot: their working pressure becomes its."""
        if of_the_night_pa <= WORKING_PA:
            return of_the_night_pa * self.working_pa / WORKING_PA
        beyond = (of_the_night_pa - WORKING_PA) / (MAXIMUM_PA - WORKING_PA)
        return self.working_pa + beyond * (self.maximum_pa - self.working_pa)

    def parameters(self, of_the_night: PotParameters) -> PotParameters:
        """Return the pot: walls and conductances scale with its surface, contents with their volume."""
        before = of_the_night
        bigger = self.internal_volume_m3 / before.internal_volume_m3
        contents_m3 = self.contents_volume_m3
        if contents_m3 is None:
            contents_m3 = before.contents_volume_m3 * bigger
        surface = bigger ** (2.0 / 3.0)
        return replace(
            before,
            internal_volume_m3=self.internal_volume_m3,
            contents_volume_m3=contents_m3,
            gas_wall_w_per_k=before.gas_wall_w_per_k * surface,
            gas_contents_w_per_k=before.gas_contents_w_per_k * surface,
            wall_room_w_per_k=before.wall_room_w_per_k * surface,
            wall_j_per_k=before.wall_j_per_k * surface,
            contents_j_per_k=before.contents_j_per_k * max(contents_m3 / before.contents_volume_m3, 0.1),
            vent_area_m2=before.vent_area_m2 * bigger,
        )


def fitted(night: Night, to: Fitting) -> Night:
    """Return the night on that pot. Its truth and settings are still those of the named night."""
    later_s = to.hold_s - HOLD_S if any(action.at_s == VENT_S for action in night.actions) else 0.0
    bigger = to.internal_volume_m3 / night.parameters.internal_volume_m3
    probes = tuple(_probe(*each) for each in to.probes)
    faults = [_fault(fault, night.probes, probes) for fault in night.faults]
    return replace(
        night,
        duration_s=night.duration_s + later_s,
        actions=tuple(_action(action, to, later_s) for action in night.actions),
        leaks=tuple(_leak(leak, to) for leak in night.leaks),
        parameters=to.parameters(night.parameters),
        supply=_supply(night.supply, bigger),
        cure=None if night.cure is None else replace(night.cure, energy_j=night.cure.energy_j * bigger),
        probes=probes,
        electronics=replace(
            night.electronics,
            span_pa=to.span_pa,
            zero_pa=night.electronics.zero_pa + to.zero_pa,
            noise_pa=night.electronics.noise_pa * to.span_pa / night.electronics.span_pa,
            supply_v=to.supply_v,
            wires=to.wires,
        ),
        faults=tuple(fault for fault in faults if fault is not None),
    )


def _action(action: Action, to: Fitting, later_s: float) -> Action:
    if isinstance(action, Regulate):
        return replace(action, set_gauge_pa=to.pressure_pa(action.set_gauge_pa))
    if isinstance(action, Vent):
        at_s = action.at_s + (later_s if action.at_s == VENT_S else 0.0)
        down_to = action.to_gauge_pa
        return replace(action, at_s=at_s, to_gauge_pa=None if down_to is None else to.pressure_pa(down_to))
    if isinstance(action, Fill):
        return replace(action, to_gauge_pa=to.pressure_pa(action.to_gauge_pa))
    return action


def _leak(leak: Leak, to: Fitting) -> Leak:
    at = leak.at_gauge_pa
    return leak if at is None else replace(leak, at_gauge_pa=to.pressure_pa(at))


def _supply(supply: Supply, bigger: float) -> Supply:
    return replace(
        supply, tank_volume_m3=supply.tank_volume_m3 * bigger, valve_area_m2=supply.valve_area_m2 * bigger
    )


def _probe(place: str, rom_id: str | None, sensor: Thermistor | Platinum | None) -> Probe:
    like = _PROBES[place]
    return replace(like, probe_id=rom_id or like.probe_id, sensor=sensor)


def _fault(fault: SensorFault, before: Sequence[Probe], after: Sequence[Probe]) -> SensorFault | None:
    """Move a thermometer's fault to the one at the same place, else the first; None if there is none."""
    if not fault.probe_id:
        return fault
    place = next((probe.place for probe in before if probe.probe_id == fault.probe_id), "")
    meets = min(after, key=lambda probe: 0.0 if probe.place == place else inf, default=None)
    return None if meets is None else replace(fault, probe_id=meets.probe_id)
