"""When to doubt a thermometer reading although its checksum is good.

Judged only in a shut pot whose fill has cooled: until then the gas changes as fast as a bad joint. A doubted
reading counts as unknown: the leak estimate uses the next thermometer, or none and wider limits.
"""

from collections.abc import Sequence
from dataclasses import replace
from math import exp

from potvigil.model.reading import Fault, Place, Reading, Sensor
from potvigil.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA, degrees_apart

# A probe trails what it touches by half a minute or more: between two reads, ten seconds apart, air ten
# kelvin warmer moves it by less than 3 K. One such jump is left out; back and forth is a bad joint.
HOP_K, HOPS, HOPS_WITHIN_S = 3.0, 3, 600.0
# A new value that lasts so long is the present temperature: the probe came off, or was put back.
NEW_LEVEL_K, NEW_LEVEL_S, FORGOTTEN_S = 1.0, 120.0, 180.0
# Exactly the same for an hour while another thermometer moved (by its average over half an hour, where a
# heater's turns are not; none on the mould, for resin warms itself), and the gas with it by this share at
# least: between a room and a resin that pull it apart a wall stands still, and the gas goes with the resin.
# A sixteenth of a degree in an hour would take what trails its room by ten hours. Without another one: for
# longer, while the pressure fell as this thermometer does not explain, or, in the gas, while the pressure did
# what 1.2 K would do; that may be a slow leak as well, and the reason says so. Outside, a room may really be
# steady for hours, and resin warm the gas meanwhile.
STUCK_S, SMOOTH_S, OTHER_MOVED_K, GAS_FOLLOWS = 3600.0, 1800.0, 1.25, 0.3
STUCK_ALONE_S, PRESSURE_SMOOTH_S, PRESSURE_MOVED_PA = 5400.0, 300.0, 0.3 * PA_PER_PSI
# A vent or a top-up is recognised within a minute or two; until then it moves the pressure too.
UNEXPLAINED_S = 180.0


class Probes:
    """Follows all thermometers of a pot.

    reasons: what is wrong with each that is doubted now. missing: why nothing is known from each fitted one
    that is doubted or not read. back: those that were missing until the newest reading. unit: C or F, for the
    reasons.
    """

    def __init__(self, fitted: frozenset[Place], unit: str = "C") -> None:
        self._fitted, self._unit = fitted, unit
        self.reasons: dict[Place, str] = {}
        self.missing: dict[Place, str] = {}
        self.back: tuple[Place, ...] = ()
        self._probes = {place: _Probe(place, unit) for place in Place}
        self._averages_k: dict[Place, float] = {}
        self._gauge_pa: float | None = None
        self._last_s: float | None = None

    def believe(
        self, reading: Reading, faults: Sequence[Fault], *, judge: bool, unexplained: bool | None
    ) -> Reading:
        """Return the reading without the doubted thermometers.

        faults: of its reads. judge: the pot is shut and its fill has cooled. unexplained: whether the
        pressure falls as these temperatures do not explain; None where it says nothing about them, because
        a leak is known, or air comes or goes.
        """
        believed = self._judge(reading, judge=judge, unexplained=unexplained)
        missing = {place: why for place, why in self.reasons.items() if place in self._fitted}
        for place, kelvin in reading.temperatures:
            if kelvin is None and place in self._fitted:
                missing[place] = _why_not_read(place, faults)
        self.back = tuple(place for place in self.missing if place not in missing) if self.missing else ()
        self.missing = missing
        return believed

    def _judge(self, reading: Reading, *, judge: bool, unexplained: bool | None) -> Reading:
        elapsed_s = 0.0 if self._last_s is None else reading.t_s - self._last_s
        self._last_s = reading.t_s
        self._average(reading, elapsed_s)
        if unexplained is None:
            self._gauge_pa = None
        if not judge:
            self._begin(reading)
            return reading
        doubted: dict[str, None] = {}
        for place, kelvin in reading.temperatures:
            if kelvin is None:
                self.reasons.pop(place, None)
                continue
            probe = self._probes[place]
            left_out = probe.is_astray(reading.t_s, kelvin)
            reason = probe.hops() or probe.stuck(
                reading.t_s, kelvin, self._averages_k, self._gauge_pa, bool(unexplained)
            )
            if reason is None:
                self.reasons.pop(place, None)
            else:
                self.reasons[place] = reason
            if left_out or reason is not None:
                doubted[f"{place}_k"] = None
        return replace(reading, **doubted) if doubted else reading  # type: ignore[arg-type]

    def _average(self, reading: Reading, elapsed_s: float) -> None:
        share = 1.0 - exp(-elapsed_s / SMOOTH_S)
        for place, kelvin in reading.temperatures:
            if kelvin is not None:
                before_k = self._averages_k.get(place, kelvin)
                self._averages_k[place] = before_k + share * (kelvin - before_k)
        if reading.gauge_pa is not None and reading.fault is None:
            before_pa = reading.gauge_pa if self._gauge_pa is None else self._gauge_pa
            share = elapsed_s / (PRESSURE_SMOOTH_S + elapsed_s)
            self._gauge_pa = before_pa + share * (reading.gauge_pa - before_pa)

    def _begin(self, reading: Reading) -> None:
        self.reasons.clear()
        self._gauge_pa = None
        for place, kelvin in reading.temperatures:
            if kelvin is not None:
                self._probes[place] = probe = _Probe(place, self._unit)
                probe.is_astray(reading.t_s, kelvin)


def _why_not_read(place: Place, faults: Sequence[Fault]) -> str:
    details = (
        fault.detail
        for fault in faults
        if fault.sensor is Sensor.THERMOMETER and fault.place in (place, None)
    )
    return next(details, "no reading")


class _Probe:
    """One thermometer: its last believed value, and since when it has not changed."""

    def __init__(self, place: Place, unit: str) -> None:
        self._place, self._unit = place, unit
        self._believed_k = self._last_k = self._new_k = 0.0
        self._believed_s = float("-inf")
        self._new_since_s = 0.0
        self._hopped_s: list[float] = []
        self._hopped_up = False
        self._same_k: float | None = None
        self._same_since_s = 0.0
        self._then_k: dict[Place, float] = {}
        self._then_pa: float | None = None  # the pressure that a stuck probe is compared with
        self._unexplained_since_s: float | None = None
        self._is_stuck = False  # until it reads something else

    def is_astray(self, t_s: float, kelvin: float) -> bool:
        """Take a reading; return whether it is too far from the last believed one."""
        hop_k, self._last_k = kelvin - self._last_k, kelvin
        self._hopped_s = [at_s for at_s in self._hopped_s if t_s - at_s < HOPS_WITHIN_S]
        if t_s - self._believed_s > FORGOTTEN_S:
            self._believed_k, self._believed_s = kelvin, t_s
            return False
        if abs(hop_k) > HOP_K and (not self._hopped_s or (hop_k > 0.0) is not self._hopped_up):
            self._hopped_s.append(t_s)
            self._hopped_up = hop_k > 0.0
        if abs(kelvin - self._believed_k) > HOP_K:
            if abs(kelvin - self._new_k) > NEW_LEVEL_K:
                self._new_k, self._new_since_s = kelvin, t_s
            if t_s - self._new_since_s < NEW_LEVEL_S:
                return True
        self._believed_k, self._believed_s = kelvin, t_s
        return False

    def hops(self) -> str | None:
        if len(self._hopped_s) < HOPS:
            return None
        return (
            f"it jumps back and forth by more than {degrees_apart(HOP_K, self._unit)}: a bad joint or cable"
        )

    def stuck(
        self,
        t_s: float,
        kelvin: float,
        averages_k: dict[Place, float],
        gauge_pa: float | None,
        unexplained: bool,
    ) -> str | None:
        if self._place is Place.ROOM:
            return None
        if kelvin != self._same_k:
            self._same_k, self._same_since_s = kelvin, t_s
            self._then_k = dict(averages_k)
            self._then_pa, self._is_stuck = gauge_pa, False
            return None
        same_s = t_s - self._same_since_s
        reason = f"it has read exactly the same for {same_s / 60.0:.0f} min while the"
        for place, then_k in self._then_k.items():
            moved_k = averages_k[place] - then_k
            tells = place not in (self._place, Place.CONTENTS) and abs(moved_k) > OTHER_MOVED_K
            if same_s >= STUCK_S and tells and self._gas_follows(gauge_pa, moved_k, averages_k[place]):
                moved = degrees_apart(abs(moved_k), self._unit)
                return f"{reason} {place} thermometer moved by {moved}: stuck"
        if self._then_pa is None or gauge_pa is None:
            self._then_pa = gauge_pa
        elif self._place is Place.GAS:
            unexplained = unexplained or abs(gauge_pa - self._then_pa) > PRESSURE_MOVED_PA
        if not unexplained:
            self._unexplained_since_s = None
        elif self._unexplained_since_s is None:
            self._unexplained_since_s = t_s
        elif same_s >= STUCK_ALONE_S and t_s - self._unexplained_since_s >= UNEXPLAINED_S:
            self._is_stuck = True
        return f"{reason} pressure moved: stuck, or a slow leak" if self._is_stuck else None

    def _gas_follows(self, gauge_pa: float | None, moved_k: float, kelvin: float) -> bool:
        """Return whether the pressure moved with another thermometer; True where it says nothing."""
        if self._then_pa is None or gauge_pa is None:
            return True
        warmed_pa = moved_k / kelvin * (self._then_pa + STANDARD_ATMOSPHERE_PA)  # p / T stays
        return (gauge_pa - self._then_pa) / warmed_pa > GAS_FOLLOWS
