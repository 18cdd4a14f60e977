"""A shut pot gains no air: what seems to be a gain says how far the model or a sensor may be wrong."""

from collections.abc import Callable
from itertools import count
from math import exp, pi, sin
from random import Random

import pytest

from potvigil.leak.bins import BIN_S
from potvigil.leak.estimator import LeakFilter
from potvigil.model.reading import Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from shut_pot import ATMOSPHERE_PA, PSI, pot

HOUR, MINUTE = 3600.0, 60.0
FULL_PA, KELVIN = 60.0 * PSI + ATMOSPHERE_PA, 293.15
NOISE_PA = 0.015 * PSI  # of a bin
SHARE_PER_S = 1.5 / 74.7 / HOUR  # 1.5 psi/h of the air at 60 psi gauge
EMPTY = pot(contents_volume_m3=0.0)


class Held:
    """A tight pot with a probe in the gas, at constant temperature, and a transducer that errs."""

    def __init__(self, errs_pa: Callable[[float], float], seed: int = 1) -> None:
        self.errs_pa, self._random = errs_pa, Random(seed)
        self._before = BeforeFill()
        self._before.update(self._reading(0.0, 1.0), shut=False)
        self.filter, self.t_s = LeakFilter(EMPTY, self._before, 0.0), 0.0

    def _reading(self, t_s: float, share: float) -> Reading:
        pa = FULL_PA * share + self.errs_pa(t_s) + self._random.gauss(0.0, NOISE_PA)
        return Reading(t_s, None, pa - ATMOSPHERE_PA, pa, ATMOSPHERE_PA, KELVIN, None, None, Quality.GOOD)

    def step(self, lost_s: float = 0.0) -> bool:
        """Take one bin; return whether a leak is established. lost_s: how long 1.5 psi/h was lost."""
        each = self._reading(self.t_s, exp(-SHARE_PER_S * lost_s))
        self.t_s += BIN_S
        self._before.update(each, shut=True)
        self.filter.add(each, NOISE_PA)
        return self.filter.estimate is not None and self.filter.estimate.established

    def hold(self, hours: float) -> bool:
        """Take so many hours; return whether a leak was ever established."""
        return sum(self.step() for _ in range(round(hours * HOUR / BIN_S))) > 0

    def found_after_min(self) -> float:
        """Let the pot leak from now on; return the minutes until that is established."""
        began_s = self.t_s
        for _ in count():
            if self.step(self.t_s - began_s):
                return (self.t_s - began_s) / MINUTE
            assert self.t_s - began_s < HOUR
        raise AssertionError


def beat(minutes: float) -> Callable[[float], float]:
    """Return a beat of the transducer, 0.05 psi to either side."""
    return lambda t_s: 0.05 * PSI * sin(2.0 * pi * t_s / (minutes * MINUTE))


@pytest.mark.parametrize("seed", [1, 2])
def test_a_beat_of_the_transducer_is_no_leak_once_it_has_risen_often_enough(seed: int) -> None:
    held = Held(beat(10.0), seed)
    held.hold(1.5)  # the first fall of it cannot be told from a leak
    assert not held.hold(5.5)


def test_a_leak_is_found_in_a_beat_and_sooner_without() -> None:
    delays_min = {}
    for name, errs_pa in (("beat", beat(10.0)), ("still", lambda _: 0.0)):
        held = Held(errs_pa)
        held.hold(2.0)
        delays_min[name] = held.found_after_min()
    assert delays_min["still"] < 5.0
    assert delays_min["still"] < delays_min["beat"] < 45.0


def test_an_apparent_gain_is_forgotten_in_hours() -> None:
    """The transducer creeps up for half an hour, and then stays there."""
    delays_min = {}
    for hours in (0.5, 12.0):
        held = Held(lambda t_s: 1.2 * PSI * min(max(t_s / HOUR - 1.0, 0.0), 0.5))
        held.hold(1.5 + hours)
        delays_min[hours] = held.found_after_min()
    assert delays_min[12.0] + 2.0 < delays_min[0.5]
    assert delays_min[12.0] < 10.0
