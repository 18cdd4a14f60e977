"""How long a gas takes to leak from one pressure to another, by the laws of a hole and of a fine gap."""

from math import inf, log


def choked_time_s(from_pa: float, to_pa: float, rate_per_s: float) -> float:
    """Return the time, s, in which a choked hole empties a pot between two absolute pressures, Pa.

    dp/dt = -r p: absolute pressure falls exponentially (White, Fluid Mechanics, ch. 9). rate_per_s: r.
    """
    return log(from_pa / to_pa) / rate_per_s


def laminar_share(pa: float, ambient_pa: float) -> float:
    """Return which share of its air a pot with a laminar gap loses per time, up to a constant.

    dp/dt = -k (p^2 - pa^2), so the share is k (p^2 - pa^2) / p. Pressures absolute, Pa.
    """
    return (pa - ambient_pa) * (pa + ambient_pa) / pa


def laminar_time_s(from_pa: float, to_pa: float, ambient_pa: float, rate_per_s: float) -> float:
    """Return the time, s, in which a laminar gap empties a pot between two absolute pressures, Pa.

    dp/dt = -k (p^2 - pa^2), compressible Poiseuille flow (Roth, Vacuum Technology); rate_per_s is the share
    lost per second at `from_pa`. Infinite where the pressure outside is not below `to_pa`.
    """
    if to_pa <= ambient_pa:
        return inf
    k = rate_per_s / laminar_share(from_pa, ambient_pa)

    def remaining(pa: float) -> float:
        return log((pa - ambient_pa) / (pa + ambient_pa))

    return (remaining(from_pa) - remaining(to_pa)) / (2.0 * ambient_pa * k)
