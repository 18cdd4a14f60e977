"""What a pressure does to a trapped bubble."""


def diameter_growth(from_gauge_pa: float, to_gauge_pa: float, ambient_pa: float) -> float:
    """Return by what factor a bubble's diameter grows when the gauge pressure falls, Pa gauge.

    Boyle's law for the bubble's volume (Boyle 1662); the diameter goes with its cube root. Surface tension
    and dissolving gas are left out: for bubbles above a few micrometres they do not count.
    """
    return float(((from_gauge_pa + ambient_pa) / (to_gauge_pa + ambient_pa)) ** (1.0 / 3.0))
