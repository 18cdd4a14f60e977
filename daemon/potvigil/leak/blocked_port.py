"""A pressure that stays constant while the pot's temperature changes: the port is blocked.

From the thermometers and the laws of the pot we know how far the pressure must have moved since it last did,
and how certain that is. A pressure that stays constant though it should have moved far beyond that doubt is
no longer the pot's. There is no fixed limit in kelvin: a probe that trails the gas after a fill, or a wall
with unknown contents, only makes the answer less certain.
"""

from math import hypot, inf, sqrt

from potvigil.leak.bins import Bin, BinSum
from potvigil.leak.estimator import bank_for, see_probes, steps_share
from potvigil.leak.pot_model import T0_K
from potvigil.model.pot import Pot
from potvigil.model.reading import Reading
from potvigil.sensing.before_fill import BeforeFill

BIN_S = 180.0
SIGMAS, NOISE_SIGMAS = 4.5, 6.0
# Less than this share of the expected movement is no movement; nor is what noise and drift do, K.
STILL_SHARE, LEAST_K = 0.2, 0.06
# What a leak may have cancelled of a warming: 0.5 psi/h at 60 psi gauge, 1 sigma.
LEAK_K_PER_S = 0.5 / 75.0 / 3600.0 * T0_K
FROM_S = 900.0  # until then the fill's heat is leaving, and nothing is constant
STOOD_S = 900.0  # a change within minutes may be the thermometer's own: put back, swapped, in a draught


_NOWHERE = (inf, -inf)


class Stillness:
    """Takes the readings of one hold.

    should_have_k: how far the gas moved while the pressure was certainly constant, K; None where it was not.
    """

    def __init__(self, pot: Pot, before: BeforeFill) -> None:
        self.should_have_k: float | None = None
        self._before = before
        self._bank = bank_for(pot)
        self._bin = BinSum(BIN_S, steps_share(pot))
        self._last_s: float | None = None
        self._age_s = 0.0  # since the fill or the newest top-up
        self._stood_k: float | None = None  # T0 ln(p/Z) since it last moved
        self._stood_s = self._stood_gauge_pa = 0.0
        # lowest and highest since then, so that a return counts as movement: T0 ln(p/Z), K; gauge, Pa
        self._air_k, self._gauge_pa = _NOWHERE, _NOWHERE
        self._last = 0.0, 0.0  # of the bin before

    def update(self, reading: Reading, absolute_pa: float, noise_pa: float) -> None:
        """Take one good reading and the scatter of the pressure, Pa."""
        now = self._bin.take(reading, absolute_pa, noise_pa)
        if now is None:
            return
        elapsed_s = 0.0 if self._last_s is None else now.t_s - self._last_s
        self._last_s = now.t_s
        self._bank.carry(elapsed_s)
        see_probes(self._bank, now, self._before)
        noise_k = T0_K * sqrt(now.noise_variance)
        self._age_s += elapsed_s
        if self._stood_k is not None and self._age_s > FROM_S:
            should_k, sigma_k = self._bank.air_ahead()
            gone_k = should_k - self._stood_k
            # a constant gauge follows the barometer once that is added to it
            gauge_k = T0_K * (now.gauge_pa - self._stood_gauge_pa) / now.absolute_pa
            moved_k = min(abs(now.air_k - self._stood_k), abs(gauge_k))
            went_k = self._went(now)
            if moved_k < max(STILL_SHARE * abs(gone_k), LEAST_K, NOISE_SIGMAS * noise_k):
                stood_s = now.t_s - self._stood_s
                lost_k = LEAK_K_PER_S * stood_s if gone_k > 0.0 else 0.0
                can_tell = bool(now.kelvin) and stood_s > STOOD_S
                sure = can_tell and abs(gone_k) > SIGMAS * hypot(sigma_k, noise_k, lost_k)
                # once reported, noise that goes further does not clear it
                reach_k = moved_k if self.should_have_k is not None else max(moved_k, went_k)
                self.should_have_k = gone_k if sure and reach_k < STILL_SHARE * abs(gone_k) else None
                return
        self.should_have_k = None
        self._stood_s, self._stood_k, self._stood_gauge_pa = now.t_s, now.air_k, now.gauge_pa
        self._last = now.air_k, now.gauge_pa
        self._air_k, self._gauge_pa = _reach(_NOWHERE, now.air_k), _reach(_NOWHERE, now.gauge_pa)
        self._bank.pin_air(now.air_k)

    def _went(self, now: Bin) -> float:
        """Return how far the pressure has moved since it was constant, K, even if it came back.

        By means of two bins, for over many bins noise alone reaches far.
        """
        self._air_k = air_k = _reach(self._air_k, 0.5 * (now.air_k + self._last[0]))
        self._gauge_pa = gauge_pa = _reach(self._gauge_pa, 0.5 * (now.gauge_pa + self._last[1]))
        self._last = now.air_k, now.gauge_pa
        return min(air_k[1] - air_k[0], T0_K * (gauge_pa[1] - gauge_pa[0]) / now.absolute_pa)

    def top_up(self, rise_share: float) -> None:
        """Note that air was let in, about this share of what was there."""
        self._bank.reopen(rise_share)
        self._age_s = 0.0
        self._bin.drop()
        self._stood_k = None


def _reach(so_far: tuple[float, float], now: float) -> tuple[float, float]:
    return min(so_far[0], now), max(so_far[1], now)
