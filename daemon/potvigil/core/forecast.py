"""When the floor would be passed if nothing is done, from both leak laws."""

from math import exp, inf, log

from potvigil.core.event import FloorForecast, Interval

# The gas will be a little colder or warmer by then than now, and the gauge with it: 1.5 K.
TEMPERATURE_MISS = 0.005


def choked_time_s(from_pa: float, to_pa: float, rate_per_s: float) -> float:
    """Return the time, s, in which a choked hole empties a pot between two absolute pressures, Pa.

    dp/dt = -r p: absolute pressure falls exponentially (White, Fluid Mechanics, ch. 9). rate_per_s: r.
    """
    return log(from_pa / to_pa) / rate_per_s


def laminar_time_s(from_pa: float, to_pa: float, ambient_pa: float, rate_per_s: float) -> float:
    """Return the time, s, in which a laminar gap empties a pot between two absolute pressures, Pa.

    dp/dt = -k (p^2 - pa^2), compressible Poiseuille flow (Roth, Vacuum Technology); rate_per_s is the share
    lost per second at `from_pa`. Infinite where the pressure outside is not below `to_pa`.
    """
    if to_pa <= ambient_pa:
        return inf
    k = rate_per_s * from_pa / (from_pa**2 - ambient_pa**2)

    def remaining(pa: float) -> float:
        return log((pa - ambient_pa) / (pa + ambient_pa))

    return (remaining(from_pa) - remaining(to_pa)) / (2.0 * ambient_pa * k)


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
    midway between the two laws, the early end takes the faster law and rate, the late end the slower ones.
    """
    if rate_per_s.value <= 0.0:
        return None
    now_pa, low_pa = gauge_pa + ambient_pa, floor_pa + ambient_pa
    if now_pa <= low_pa:
        return FloorForecast(t_s, t_s, t_s, t_s < cure_done_s, None)

    def after_s(from_pa: float, rate: float) -> tuple[float, float]:
        if from_pa <= low_pa:
            return 0.0, 0.0
        return choked_time_s(from_pa, low_pa, rate), laminar_time_s(from_pa, low_pa, ambient_pa, rate)

    crossing_s = t_s + sum(after_s(now_pa, rate_per_s.value)) / 2.0
    earliest_s = t_s + after_s(now_pa * (1.0 - TEMPERATURE_MISS), rate_per_s.high)[0]
    latest_s = None
    if rate_per_s.low > 0.0:
        latest_s = t_s + after_s(now_pa * (1.0 + TEMPERATURE_MISS), rate_per_s.low)[1]
    topped_up = after_s(working_pa + ambient_pa, rate_per_s.value)
    return FloorForecast(
        crossing_s, earliest_s, latest_s, crossing_s < cure_done_s, t_s + sum(topped_up) / 2.0
    )


def lost_share(rate_per_s: float, elapsed_s: float) -> float:
    """Return the share of the air gone after `elapsed_s` at a constant share per second."""
    return 1.0 - exp(-rate_per_s * elapsed_s)
