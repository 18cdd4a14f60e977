"""The platinum resistance thermometer, Pt100 or Pt1000, by IEC 60751:2008.

R = R0 (1 + A t + B t^2), below 0 C with C (t - 100) t^3 besides (Callendar and Van Dusen).
"""

from math import sqrt

_A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12
LOWEST_C, HIGHEST_C = -200.0, 850.0  # of the standard


def celsius(resistance_ohm: float, at_0_c_ohm: float) -> float:
    """Return the temperature, degrees C, at which the thermometer has this resistance, ohm.

    at_0_c_ohm: 100 for a Pt100, 1000 for a Pt1000. Raise ValueError outside -200 to 850 C.
    """
    ratio = resistance_ohm / at_0_c_ohm
    root = _A * _A - 4.0 * _B * (1.0 - ratio)
    if root < 0.0:
        raise ValueError(f"{resistance_ohm:.1f} ohm is above 850 C")
    t = (sqrt(root) - _A) / (2.0 * _B)
    if ratio < 1.0:
        for _ in range(4):  # Newton; below 1e-9 C after two
            cube = _C * t * t * (t - 100.0)
            slope = _A + 2.0 * _B * t + _C * t * t * (4.0 * t - 300.0)
            t -= (1.0 + t * (_A + t * _B + cube) - ratio) / slope
    if not LOWEST_C - 0.05 <= t <= HIGHEST_C + 0.05:
        raise ValueError(f"{resistance_ohm:.1f} ohm is outside -200 to 850 C")
    return t
