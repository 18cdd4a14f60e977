"""The limit: how soon a leak could be told by a test that knows everything but whether there is one.

A bound, not a detector: nobody can build it. It is told the onset, the size of the leak, the level before it
and the noise, and knows the temperature of the gas, the barometer and the drift of the transducer perfectly.
What is left is a ramp in white noise:

    y_k = r k dt + e_k,  k = 1 .. n,  e_k ~ N(0, sigma^2)

By the lemma of Neyman and Pearson (1933) the matched filter is the best test after n readings. It passes
z sigma with power Phi(d - z), d^2 = sum (r k dt)^2 / sigma^2 = (r dt / sigma)^2 n (n + 1) (2 n + 1) / 6
(Kay, Detection Theory, 1998, ch. 4; from memory). Watching all the time is no better: "it has cried by
reading n" is itself a test on n readings, so of all rules with a false alarm in no more than Phi(-z) of the
nights none has cried by then with more power. A rule that is allowed more false alarms has a sooner limit.
"""

from math import ceil, sqrt
from statistics import NormalDist

from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, SECONDS_PER_MINUTE


def reading_noise_pa(noise_pa: float, averaged: int, step_pa: float) -> float:
    """Return sigma of a reading, Pa: the mean of so many conversions with white noise, rounded to a step."""
    return sqrt(noise_pa**2 / averaged + step_pa**2 / 12.0)


def delay_min(
    rate_psi_per_h: float, sigma_pa: float, step_s: float, *, sigmas: float = 5.0, power: float = 0.5
) -> float:
    """Return the minutes from the onset to the first reading where the test passes `sigmas` with that power.

    sigma_pa: of one reading, each step_s. sigmas: 5 stands for a false alarm in 3e-7 of the nights, 3.09 for
    one in 1000. power: of the nights with such a leak, the share that is seen by then; 0.5 for the median.
    """
    wanted = sigmas + NormalDist().inv_cdf(power)
    ramp_pa = rate_psi_per_h * PA_PER_PSI / SECONDS_PER_HOUR * step_s
    if ramp_pa <= 0.0 or wanted <= 0.0:
        raise ValueError(f"no limit for {rate_psi_per_h} psi/h at {sigmas} sigma and power {power}")
    squares = (wanted * sigma_pa / ramp_pa) ** 2
    # n^3 / 3 < 1 + 4 + .. + n^2 < (n + 1)^3 / 3: the cube root is the number of readings or one too many
    readings = max(ceil((3.0 * squares) ** (1.0 / 3.0)), 1)
    if readings > 1 and _sum_of_squares(readings - 1) >= squares:
        readings -= 1
    return readings * step_s / SECONDS_PER_MINUTE


def _sum_of_squares(n: int) -> float:
    return n * (n + 1) * (2 * n + 1) / 6.0
