"""Why the gauge changed since the hold began: cooling, barometer, air lost, air let in. The parts add up."""

from potvigil.leak.estimator import Leak
from potvigil.model.events import Change
from potvigil.model.reading import Reading
from potvigil.physics.air import corrected_absolute_pa


def change(start: Reading, now: Reading, leak: Leak | None, top_up_pa: float) -> Change | None:
    """Return the parts of the change of gauge pressure from `start` to `now`, Pa, or None without pressures.

    With a thermometer in the gas the cooling is measured and the loss is the remainder; with any other the
    loss is the established leak's and the cooling is the remainder. top_up_pa: sum of the jumps up.
    """
    if start.gauge_pa is None or now.gauge_pa is None or start.absolute_pa is None or now.absolute_pa is None:
        return None
    total_pa = now.gauge_pa - start.gauge_pa
    barometer_pa = start.ambient_pa - now.ambient_pa
    if start.gas_k is not None and now.gas_k is not None:
        same_heat_pa = corrected_absolute_pa(now.absolute_pa, now.gas_k, start.gas_k)
        cooling_pa = now.absolute_pa - same_heat_pa
        leak_pa = same_heat_pa - start.absolute_pa - top_up_pa
    else:
        leak_pa = -_lost_pa(start, now, leak)
        cooling_pa = total_pa - barometer_pa - leak_pa - top_up_pa
    return Change(total_pa, cooling_pa, barometer_pa, leak_pa, top_up_pa)


def _lost_pa(start: Reading, now: Reading, leak: Leak | None) -> float:
    if leak is None or leak.onset_s is None:
        return 0.0
    # what was gone before the hold began is in its first reading already
    unseen = (start.t_s - leak.onset_s.value) / max(now.t_s - leak.onset_s.value, 1.0)
    return leak.lost_pa * (1.0 - min(max(unseen, 0.0), 1.0))
