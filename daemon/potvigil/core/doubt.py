"""When the pressure reading itself is to be doubted, though it lies inside the signal band."""

from math import log

from potvigil.core.reading import TEMPERATURE_UNKNOWN_K, Place, Reading

# Scatter that grows so many times over what it was: a loose wire, a failing sensor.
NOISE_GROWTH = 8.0
# Scatter below this share of the pressure (0.01 psi at 60 psi gauge) is as good as none.
NOISE_FLOOR = 0.00015
NOISE_WATCH_S, NOISE_FOR_S = 600.0, 60.0
# A plug that is touched for a moment is none; one that goes on for so long is, until it is calm.
RESTLESS_FOR_S = 120.0
# A shut pot can warm by some kelvin; 8 % would take 23 K.
RISE_SHARE = 0.08
# A shut pot follows its temperature; while gas or wall moved by 3 K (0.8 psi at 60 psi gauge), a fifth of
# that is no movement. The reading is smoothed over two minutes.
BLOCKED_SHARE, BLOCKED_STILL, BLOCKED_SMOOTH_S = 3.0 / 293.0, 0.2, 120.0
# The very same number for so long while a thermometer moved, or for very long without.
STUCK_S, STUCK_MOVED_K, STUCK_WITHOUT_S = 1200.0, 0.3, 3600.0


class Doubt:
    """Follows the readings of one hold; `reason` says what is wrong with the pressure, None for nothing.

    misled: what was read before the doubt was wrong as well (not so with scatter). fed: a regulator keeps the
    pressure where it is.
    """

    def __init__(self, fed: bool = False) -> None:
        self.reason: str | None = None
        self.misled = False
        self._fed = fed
        self._level: float | None = None  # ln of the pressure, smoothed
        self._level_s = 0.0
        self._levels = self._warmths = (0.0, 0.0)  # lowest and highest since the pressure last moved
        self._place: Place | None = None
        self._start_s: float | None = None
        self._quiet = 1.0  # smallest scatter seen, as a share of the pressure
        self._loud_since_s: float | None = None
        self._restless_since_s: float | None = None
        self._lowest = float("inf")
        self._last_level = float("inf")
        self._same_pa: float | None = None
        self._same_since_s = 0.0
        self._same_k: float | None = None

    def update(self, reading: Reading, noise_pa: float, restless: bool = False) -> None:
        """Take one good reading and the scatter of the pressure, Pa. restless: it goes to and fro."""
        absolute_pa = reading.absolute_pa
        if absolute_pa is None:
            return
        noise = max(noise_pa / absolute_pa, NOISE_FLOOR)
        noisy = self._noisy(reading.t_s, noise)
        if restless:
            if self._restless_since_s is None:
                self._restless_since_s = reading.t_s
            if self.reason is None and reading.t_s - self._restless_since_s >= RESTLESS_FOR_S:
                self.reason = "its reading jumps to and fro: loose wire or failing"
            return
        self._restless_since_s = None
        if self._start_s is None:
            self._start_s = reading.t_s
        if reading.t_s - self._start_s > NOISE_WATCH_S:
            self._quiet = min(self._quiet, noise)
        still = self._still(reading, absolute_pa)
        wrong = self._climbing(reading, absolute_pa) or self._stuck(reading, absolute_pa) or still
        self.misled = wrong is not None
        self.reason = noisy or wrong

    def top_up(self) -> None:
        """Say that air was let in: a higher pressure is no wonder."""
        self._lowest = float("inf")
        self._level = None

    def _noisy(self, t_s: float, noise: float) -> str | None:
        if noise < NOISE_GROWTH * self._quiet:
            self._loud_since_s = None
            return None
        if self._loud_since_s is None:
            self._loud_since_s = t_s
        if t_s - self._loud_since_s < NOISE_FOR_S:
            return None
        return (
            f"its reading scatters {noise / self._quiet:.0f} times as much as before: loose wire or failing"
        )

    def _climbing(self, reading: Reading, absolute_pa: float) -> str | None:
        temperature_k = reading.nearest_k or TEMPERATURE_UNKNOWN_K
        level = log(absolute_pa / temperature_k)
        # two readings have to agree: a single one astray is not what the pot climbed from
        self._lowest = min(self._lowest, max(level, self._last_level))
        self._last_level = level
        if level - self._lowest < RISE_SHARE:
            return None
        return (
            f"it climbed {100.0 * (level - self._lowest):.0f} % in a shut pot, more than warmth can do: "
            "the supply valve lets air in, or the transducer fails"
        )

    def _still(self, reading: Reading, absolute_pa: float) -> str | None:
        """Say whether the pressure stands still though the temperature moved: its port is blocked."""
        place, kelvin = reading.nearest
        if self._fed or kelvin is None or place is Place.ROOM:
            self._level = None  # the room may move alone
            return None
        level, warmth = log(absolute_pa), log(kelvin)
        if self._level is None or place is not self._place:
            self._level = level
            self._place = place
            self._levels, self._warmths = (level, level), (warmth, warmth)
        else:
            elapsed_s = reading.t_s - self._level_s
            self._level += (level - self._level) * elapsed_s / (BLOCKED_SMOOTH_S + elapsed_s)
            self._levels = _widened(self._levels, self._level)
            self._warmths = _widened(self._warmths, warmth)
        self._level_s = reading.t_s
        lowest, highest = self._levels
        moved = self._warmths[1] - self._warmths[0]
        if highest - lowest > BLOCKED_STILL * max(BLOCKED_SHARE, moved):
            self._level = None
            return None
        if moved < BLOCKED_SHARE:
            return None
        return (
            f"it has not moved while the {place} thermometer moved by {moved * kelvin:.0f} K: its port is "
            "blocked, or the supply valve is open"
        )

    def _stuck(self, reading: Reading, absolute_pa: float) -> str | None:
        temperature_k = reading.nearest_k
        if absolute_pa != self._same_pa:
            self._same_pa, self._same_since_s, self._same_k = absolute_pa, reading.t_s, temperature_k
            return None
        same_s = reading.t_s - self._same_since_s
        moved = (
            temperature_k is not None
            and self._same_k is not None
            and abs(temperature_k - self._same_k) > STUCK_MOVED_K
        )
        if same_s < (STUCK_S if moved else STUCK_WITHOUT_S):
            return None
        return f"it has read exactly the same for {same_s / 60.0:.0f} min: stuck"


def _widened(span: tuple[float, float], value: float) -> tuple[float, float]:
    return min(span[0], value), max(span[1], value)
