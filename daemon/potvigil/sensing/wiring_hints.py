"""The likely fault behind a reading, in plain words, for somebody who has just wired up a pot."""

from potvigil.model.pot import Pot, Transducer
from potvigil.model.reading import Quality, Sample
from potvigil.model.signal import Of
from potvigil.sensing.conversion import convert

# A voltage as near as this to ground, to the supply or to its half is taken for that.
_NEAR_V = 0.05


def remark(pot: Pot, sample: Sample, full_scale_count: float) -> tuple[bool, str]:
    """Return whether the pressure can be used, and what is likely wrong or worth a look ("" for nothing).

    sample: one reading of the pot with counts. full_scale_count: the converter's largest.
    """
    transducer, count = pot.transducer, sample.transducer_count
    if transducer is None or count is None:
        return False, ""
    if count >= full_scale_count - 1:
        return False, (
            "the converter is at the end of its range: the signal is higher than it can tell; "
            "check signal, divider and full_scale"
        )
    signal_v, supply_v = count * transducer.volts_per_count, _supply_v(transducer, sample)
    reading = convert(sample, pot)
    if reading.quality is Quality.BAD:
        return False, _cause(transducer, signal_v, supply_v) or reading.fault or ""
    if transducer.signal.of is Of.SUPPLY and abs(signal_v - supply_v / 2.0) < _NEAR_V:
        return True, (
            "half the supply: right if the pot is at half its span, else the signal wire floats between "
            "two others"
        )
    if transducer.signal.of is Of.VOLT and transducer.signal.zero == 0.0 and abs(signal_v) < _NEAR_V:
        return True, "0 V: an open pot, or a wire that is off; this signal cannot tell one from the other"
    return True, reading.fault or ""


def _cause(transducer: Transducer, signal_v: float, supply_v: float) -> str:
    if transducer.supply_volts_per_count is not None and abs(supply_v) < _NEAR_V:
        return "no supply at the transducer: check its 5 V and ground, and the wire that measures it"
    if abs(signal_v) < _NEAR_V:
        return "0 V: the signal wire is off or touches ground, or the transducer (or converter) has no supply"
    if transducer.signal.of is Of.SUPPLY and signal_v > 0.97 * supply_v:
        return "as high as the supply: the signal wire touches it, or the transducer has lost its ground"
    return ""


def _supply_v(transducer: Transducer, sample: Sample) -> float:
    if transducer.supply_volts_per_count is None or sample.supply_count is None:
        return transducer.supply_v
    return sample.supply_count * transducer.supply_volts_per_count
