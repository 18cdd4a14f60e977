"""When the floor would be passed if nothing is done, from both leak laws."""

from math import hypot, sqrt

from potvigil.model.events import FloorForecast, Interval
from potvigil.physics.leak_laws import choked_time_s, laminar_share, laminar_time_s

# By then the gas, and the gauge with it, will be colder or warmer than now: 95 % within 1.2 K in an hour and
# 3.5 K in a night (workshop at half the outdoor swing, real weather), and no more after that.
TEMPERATURE_MISS_PER_SQRT_H, MOST_HOURS = 0.004, 9.0
# the leak may have changed too: 95 %, of the mean rate until then
RATE_MISS_PER_SQRT_H = 0.034


def forecast_floor(
    t_s: float,
    gauge_pa: float,
    ambient_pa: float,
    floor_pa: float,
    working_pa: float,
    rate_per_s: Interval,
    cure_done_s: float,
) -> FloorForecast | None:
    """Return when the gauge would pass the floor, or None where no loss is seen.

    gauge_pa: now; floor_pa, working_pa: gauge. rate_per_s: share of the air lost per second. The value lies
    midway between the two laws, the early end takes the faster law and rate, the late end the slower ones,
    both with the weather and the leak's own change against them. A top-up is promised by the early end: the
    person relying on it is asleep.
    """
    if rate_per_s.value <= 0.0:
        return None
    now_pa, low_pa = gauge_pa + ambient_pa, floor_pa + ambient_pa
    if now_pa <= low_pa:
        return FloorForecast(t_s, t_s, t_s, t_s < cure_done_s, None)

    def after_s(from_pa: float, rate: float) -> tuple[float, float]:
        """Return when the floor is passed by the law of a hole and by that of a gap; rate: now."""
        if from_pa <= low_pa:
            return 0.0, 0.0
        of_a_gap = rate * laminar_share(from_pa, ambient_pa) / laminar_share(now_pa, ambient_pa)
        return choked_time_s(from_pa, low_pa, rate), laminar_time_s(from_pa, low_pa, ambient_pa, of_a_gap)

    def missed(ahead_s: float) -> tuple[float, float, float]:
        """Return the effect of the weather by then, as a share, and the fastest and slowest rate."""
        sqrt_h = sqrt(min(ahead_s / 3600.0, MOST_HOURS))
        drift = rate_per_s.value * RATE_MISS_PER_SQRT_H * sqrt_h
        fastest = rate_per_s.value + hypot(rate_per_s.high - rate_per_s.value, drift)
        slowest = rate_per_s.value - hypot(rate_per_s.value - rate_per_s.low, drift)
        return TEMPERATURE_MISS_PER_SQRT_H * sqrt_h, fastest, slowest

    ahead_s = sum(after_s(now_pa, rate_per_s.value)) / 2.0
    change, fastest, slowest = missed(ahead_s)
    earliest_s = t_s + min(after_s(now_pa * (1.0 - change), fastest))
    latest_s = None if slowest <= 0.0 else t_s + max(after_s(now_pa * (1.0 + change), slowest))
    topped_up_pa = working_pa + ambient_pa
    change, fastest, _ = missed(max(after_s(topped_up_pa, rate_per_s.value)))
    top_up_until_s = t_s + min(after_s(topped_up_pa * (1.0 - change), fastest))
    crossing_s = t_s + ahead_s
    return FloorForecast(crossing_s, earliest_s, latest_s, crossing_s < cure_done_s, top_up_until_s)
