"""Conversions and constants, each with its source. Nobody else multiplies by 6894.757."""

# NIST SP 811 (2008), Appendix B.8; 1 psi = 1 lbf/in2, exact from the pound, the inch and standard gravity.
PA_PER_PSI = 6894.757293168361
PA_PER_BAR = 100_000.0
PA_PER_KPA = 1_000.0
PA_PER_HPA = 100.0

STANDARD_ATMOSPHERE_PA = 101_325.0  # ISO 2533:1975
ZERO_CELSIUS_K = 273.15  # SI definition of the degree Celsius
MOLAR_GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018 (exact in the SI since 2019)

SECONDS_PER_HOUR = 3600.0
SECONDS_PER_MINUTE = 60.0

PRESSURE_UNITS_PA = {"psi": PA_PER_PSI, "bar": PA_PER_BAR, "kPa": PA_PER_KPA, "Pa": 1.0, "MPa": 1e6}
# US gallon = 231 in3 and foot = 0.3048 m, both exact: NIST SP 811 (2008), Appendix B.8.
VOLUME_UNITS_M3 = {"L": 1e-3, "mL": 1e-6, "m3": 1.0, "gal": 3.785411784e-3, "qt": 3.785411784e-3 / 4}
LENGTH_UNITS_M = {"m": 1.0, "ft": 0.3048}
TIME_UNITS_S = {"s": 1.0, "min": SECONDS_PER_MINUTE, "h": SECONDS_PER_HOUR, "d": 24 * SECONDS_PER_HOUR}
VOLTAGE_UNITS_V = {"V": 1.0, "mV": 1e-3}
KELVIN_PER_FAHRENHEIT = 5 / 9
ZERO_FAHRENHEIT_RANKINE = 459.67  # degrees F above absolute zero at 0 F; SP 811, Appendix B.8


def celsius_to_kelvin(celsius: float) -> float:
    """Convert a temperature in degrees Celsius to kelvin."""
    return celsius + ZERO_CELSIUS_K


def kelvin_to_celsius(kelvin: float) -> float:
    """Convert a temperature in kelvin to degrees Celsius."""
    return kelvin - ZERO_CELSIUS_K


def standard_atmosphere_pa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere, Pa absolute, at a geometric altitude (-600 to 11000 m).

    Source: ISO 2533:1975 / US Standard Atmosphere 1976, troposphere layer: lapse rate 6.5 K/km,
    earth radius 6356.766 km for the geopotential height.
    """
    if not -600.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude {altitude_m} m is outside -600 to 11000 m")
    geopotential_m = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m)
    temperature_ratio = 1.0 - 0.0065 * geopotential_m / 288.15
    # g M / (R L) with g = 9.80665, M = 28.9644 g/mol and the standard's own R = 8.31432
    return float(STANDARD_ATMOSPHERE_PA * temperature_ratio**5.2558797)


def pa_m3_per_s_to_std_cm3_per_min(flow_pa_m3_per_s: float) -> float:
    """Convert a pV flow in Pa m3/s at 0 C to standard cm3/min (0 C, 101325 Pa).

    1 Pa m3/s = 592.154 standard cm3/min on the 101325 Pa basis, the flow taken at the same temperature.
    """
    return flow_pa_m3_per_s / STANDARD_ATMOSPHERE_PA * 1e6 * SECONDS_PER_MINUTE
