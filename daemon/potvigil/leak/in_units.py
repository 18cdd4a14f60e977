"""The leak in the units people use."""

from math import hypot

from potvigil.leak.estimator import Leak
from potvigil.model.events import NORMAL_95, Interval, LeakEstimate
from potvigil.model.pot import Pot
from potvigil.model.reading import TEMPERATURE_UNKNOWN_K, Reading
from potvigil.physics.flow import orifice_diameter_m, standard_cm3_per_min


def in_units(leak: Leak, reading: Reading, absolute_pa: float, pot: Pot) -> LeakEstimate:
    """Return the leak at the present pressure, Pa absolute, and temperature."""
    rate = leak.rate_per_s
    temperature_k = reading.nearest_k or TEMPERATURE_UNKNOWN_K
    # uncertainty of the gas volume affects the flow, not psi/h
    volume_m3, sigma_m3 = pot.gas_volume_m3
    value = rate.value * absolute_pa * volume_m3
    by_volume = NORMAL_95 * rate.value * absolute_pa * sigma_m3
    flow = Interval(
        value,
        value - hypot((rate.value - rate.low) * absolute_pa * volume_m3, by_volume),
        value + hypot((rate.high - rate.value) * absolute_pa * volume_m3, by_volume),
    )
    return LeakEstimate(
        t_s=reading.t_s,
        rate_pa_per_s=Interval(*(share * absolute_pa for share in (rate.value, rate.low, rate.high))),
        pa_m3_per_s=flow,
        std_cm3_per_min=Interval(
            *(standard_cm3_per_min(each, temperature_k) for each in (flow.value, flow.low, flow.high))
        ),
        orifice_m=orifice_diameter_m(flow.value, absolute_pa, reading.ambient_pa, temperature_k),
        onset_s=leak.onset_s,
        established=leak.established,
    )
