"""What single pressure readings show of the wire: their scatter, and which of them are outliers.

The usual scatter comes from second differences, which are blind to a steady rise or fall: of readings that
scatter by sigma they scatter by sigma sqrt(6). Outliers and new scatter come from turns: a reading above both
its neighbours, or below both, has a turn of the smaller of the two differences; any other has none. So
neither a fill, nor a leak, nor a hand on a valve is taken for a fault.
"""

from collections import deque
from math import inf, pi, sqrt

from potvigil.units import PA_PER_PSI

# Usual scatter: that of the past half hour, less outliers. Values are clipped at four sigma (plus 0.02 psi,
# where nothing has scattered yet): scatter that grew within minutes must not become usual.
USUAL_S, _CLIP_SIGMAS, _CLIP_PA = 1800.0, 4.0, 0.02 * PA_PER_PSI
_GAP_S = 60.0  # longer gaps count as this
# Recent scatter: the newest dozen turns, none counted as more than just astray. For normal readings they
# average sigma / sqrt(pi) (the highest of three is 3 / (2 sqrt(pi)) above their mean); three times the usual
# is new.
_LATELY, _SIGMAS_PER_TURN, _NEW = 12, sqrt(pi), 3.0
# A turn is astray beyond 180 psi/h at ten seconds a sample, or what scatter does once in a million readings.
ASTRAY_PA, ASTRAY_SIGMAS = 0.5 * PA_PER_PSI, 8.0
# Two of them so close together mean a touched plug or a loose wire: the readings between are no better.
RESTLESS_S, _RESTLESS_READINGS = 45.0, 8


class Steadiness:
    """Follows the readings of one gauge.

    usual_pa, noise_pa: scatter of a single reading, 1 sigma, over half an hour and now, without spikes.
    restless: they go up and down. astray: ignore the newest one: it is far from both neighbours, or all are
    restless.
    """

    def __init__(self) -> None:
        self.usual_pa = self.noise_pa = 0.0
        self.astray = self.restless = False
        self._last_s = 0.0
        self._last_pa: float | None = None
        self._before_pa: float | None = None
        self._usual_square = 0.0  # Pa^2
        self._n = 0
        self._turns_pa: deque[float] = deque(maxlen=_LATELY)
        self._astray_s: tuple[float, float] = (-inf, -inf)  # the newest two

    def update(self, t_s: float, pa: float) -> None:
        """Take one reading."""
        elapsed_s, self._last_s = min(t_s - self._last_s, _GAP_S), t_s
        last_pa, before_pa = self._last_pa, self._before_pa
        self._last_pa, self._before_pa = pa, last_pa
        if last_pa is None or before_pa is None:
            return
        fell_pa, before_fell_pa = last_pa - pa, before_pa - last_pa
        turn_pa = min(abs(fell_pa), abs(before_fell_pa)) if fell_pa * before_fell_pa < 0.0 else 0.0
        far_pa = max(ASTRAY_PA, ASTRAY_SIGMAS * self.usual_pa)
        self._take_turn(t_s, turn_pa, far_pa, elapsed_s)
        self._learn(fell_pa - before_fell_pa, far_pa, elapsed_s)
        is_spike = abs(pa - sorted((pa, last_pa, before_pa))[1]) > far_pa
        self.astray = is_spike or self.restless

    def _take_turn(self, t_s: float, turn_pa: float, far_pa: float, elapsed_s: float) -> None:
        if turn_pa > far_pa:
            self._astray_s = (self._astray_s[1], t_s)
        self._turns_pa.append(min(turn_pa, far_pa))
        self.restless = t_s - self._astray_s[0] < max(RESTLESS_S, _RESTLESS_READINGS * elapsed_s)

    def _learn(self, bend_pa: float, far_pa: float, elapsed_s: float) -> None:
        # a spike bends by twice its height
        if not (self.restless or abs(bend_pa) > 2.0 * far_pa):
            self._n += 1
            share = max(1.0 / self._n, elapsed_s / (USUAL_S + elapsed_s))
            most = _CLIP_SIGMAS**2 * self._usual_square + _CLIP_PA**2
            self._usual_square += share * (min(bend_pa**2 / 6.0, most) - self._usual_square)
            self.usual_pa = sqrt(self._usual_square)
        late_pa = _SIGMAS_PER_TURN * sum(self._turns_pa) / _LATELY
        self.noise_pa = late_pa if late_pa > _NEW * self.usual_pa else self.usual_pa
