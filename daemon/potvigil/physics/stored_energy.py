"""The energy that compressed air would set free at once."""

# ASME PCC-2-2008, article 5.1, appendix II (article 501 in later editions): atmosphere, exponent, TNT.
_ATMOSPHERE_PA, _EXPONENT, _TNT_J_PER_G = 101_000.0, 0.286, 4266.92


def stored_energy_j(gauge_pa: float, volume_m3: float) -> float:
    """Return the energy, J, by ASME PCC-2, equation II-2: 2.5 Pat V (1 - (Pa/Pat)^0.286), for air."""
    absolute_pa = gauge_pa + _ATMOSPHERE_PA
    return float(2.5 * absolute_pa * volume_m3 * (1.0 - (_ATMOSPHERE_PA / absolute_pa) ** _EXPONENT))


def tnt_g(energy_j: float) -> float:
    """Return the TNT of that energy, g: ASME PCC-2, appendix II."""
    return energy_j / _TNT_J_PER_G
