"""When to doubt a pressure reading that is within the signal band."""

from math import inf, log

from potvigil.leak.blocked_port import Stillness
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K, Place, Reading
from potvigil.sensing.before_fill import BeforeFill
from potvigil.units import degrees_apart

# Scatter so many times what it was: a loose wire, a failing sensor.
NOISE_GROWTH = 8.0
# Scatter below this share of the pressure (0.01 psi at 60 psi gauge) is as good as none.
NOISE_FLOOR = 0.00015
NOISE_WATCH_S, NOISE_FOR_S = 600.0, 60.0
# A plug touched briefly is not that; scatter that goes on for so long is, until the reading is calm.
RESTLESS_FOR_S = 120.0
# A shut pot can warm by some kelvin; 8 % would take 23 K that a probe in the gas or on the wall does not see.
# Without such a probe: in a pot more than half full, a fifth to a third of it quick polyurethane, 250 to
# 300 kJ/kg warm the gas by 25 to 45 K.
RISE_SHARE, UNSEEN_RISE_SHARE = 0.08, 0.16
# An unchanging reading for so long while a thermometer moved by more than the converter must show; or for
# very long without that, where the converter is fine enough for noise alone to move it.
STUCK_S, STUCK_MOVED_K, STUCK_STEPS, STUCK_WITHOUT_S = 1200.0, 0.3, 3.0, 3600.0
FINE_STEP_K = 0.1


class Doubt:
    """Follows the readings of one hold; `reason` says what is wrong with the pressure, None for nothing.

    misled: readings before the doubt were wrong too (not so with scatter). before: what the thermometers read
    before the fill.
    """

    def __init__(self, pot: Pot, before: BeforeFill) -> None:
        self.reason: str | None = None
        self.misled = False
        # a regulator keeps the pressure where it is, whatever the temperature does
        self._stillness = None if pot.supply is Supply.REGULATED else Stillness(pot, before)
        self._step_pa = 0.0 if pot.transducer is None else pot.transducer.pa_per_count
        self._unit = pot.temperature_unit
        self._start_s: float | None = None
        self._quiet = 1.0  # smallest scatter seen, as a share of the pressure
        self._loud_since_s: float | None = None
        self._restless_since_s: float | None = None
        self._lowest = [inf, inf]
        self._last_level = [inf, inf]
        self._same_pa: float | None = None
        self._same_since_s = 0.0
        self._same_k: float | None = None

    def update(self, reading: Reading, noise_pa: float, restless: bool = False) -> None:
        """Take one good reading and the scatter of the pressure, Pa. restless: it goes up and down."""
        absolute_pa = reading.absolute_pa
        if absolute_pa is None:
            return
        noise = max(noise_pa / absolute_pa, NOISE_FLOOR)
        noisy = self._noisy(reading.t_s, noise)
        if restless:
            if self._restless_since_s is None:
                self._restless_since_s = reading.t_s
            if self.reason is None and reading.t_s - self._restless_since_s >= RESTLESS_FOR_S:
                self.reason = "its reading jumps back and forth: loose wire, or failing"
            return
        self._restless_since_s = None
        if self._start_s is None:
            self._start_s = reading.t_s
        if reading.t_s - self._start_s > NOISE_WATCH_S:
            self._quiet = min(self._quiet, noise)
        still = self._still(reading, absolute_pa, noise_pa)
        wrong = self._climbing(reading, absolute_pa) or self._stuck(reading, absolute_pa) or still
        self.misled = wrong is not None
        self.reason = noisy or wrong

    def top_up(self, rise_share: float) -> None:
        """Note that air was let in, about this share of what was there: that explains a higher pressure."""
        self._lowest = [inf, inf]
        if self._stillness is not None:
            self._stillness.top_up(rise_share)

    def _noisy(self, t_s: float, noise: float) -> str | None:
        if noise < NOISE_GROWTH * self._quiet:
            self._loud_since_s = None
            return None
        if self._loud_since_s is None:
            self._loud_since_s = t_s
        if t_s - self._loud_since_s < NOISE_FOR_S:
            return None
        return (
            f"its reading scatters {noise / self._quiet:.0f} times as much as before: loose wire, or failing"
        )

    def _climbing(self, reading: Reading, absolute_pa: float) -> str | None:
        # both plain and relative to the temperature: a wrong thermometer must not look like a climb
        place, kelvin = reading.nearest
        most = UNSEEN_RISE_SHARE if place in (None, Place.ROOM) else RISE_SHARE
        raw = log(absolute_pa)
        level = raw - log((kelvin or TEMPERATURE_UNKNOWN_K) / TEMPERATURE_UNKNOWN_K)
        rises = []
        for i, now in enumerate((raw, level)):
            # two readings have to agree: a single outlier is not the start of a climb
            self._lowest[i] = min(self._lowest[i], max(now, self._last_level[i]))
            self._last_level[i] = now
            rises.append(now - self._lowest[i])
        if min(rises) < most:
            return None
        return (
            f"it climbed {100.0 * min(rises):.0f} % in a shut pot, more than warming can explain: "
            "the supply valve lets air in, or the transducer is failing"
        )

    def _still(self, reading: Reading, absolute_pa: float, noise_pa: float) -> str | None:
        if self._stillness is None:
            return None
        self._stillness.update(reading, absolute_pa, noise_pa)
        should_have_k = self._stillness.should_have_k
        if should_have_k is None:
            return None
        return (
            f"it has not changed although the gas must have "
            f"{'warmed' if should_have_k > 0.0 else 'cooled'} by "
            f"{degrees_apart(abs(should_have_k), self._unit, 1)}: its port is blocked, or the supply "
            "valve is open"
        )

    def _stuck(self, reading: Reading, absolute_pa: float) -> str | None:
        temperature_k = reading.nearest_k
        if absolute_pa != self._same_pa:
            self._same_pa, self._same_since_s, self._same_k = absolute_pa, reading.t_s, temperature_k
            return None
        same_s = reading.t_s - self._same_since_s
        step_k = (temperature_k or TEMPERATURE_UNKNOWN_K) * self._step_pa / absolute_pa
        moved = (
            temperature_k is not None
            and self._same_k is not None
            and abs(temperature_k - self._same_k) > max(STUCK_MOVED_K, STUCK_STEPS * step_k)
        )
        if same_s < (STUCK_S if moved else STUCK_WITHOUT_S) or not (moved or step_k < FINE_STEP_K):
            return None
        return f"it has read exactly the same for {same_s / 60.0:.0f} min: stuck"
