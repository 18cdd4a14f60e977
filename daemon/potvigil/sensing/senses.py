"""From a raw sample to a reading that is believed: every check of what one pot's sensors say."""

from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Reading, Sample
from potvigil.sensing.barometer_checks import Outside
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.conversion import convert
from potvigil.sensing.silence import Silence
from potvigil.sensing.thermometer_checks import Probes


class Senses:
    """Takes every sample of one pot.

    before: what the thermometers read before the fill. missing, back: as of `Probes`.
    """

    def __init__(self, pot: Pot) -> None:
        self._pot = pot
        self._outside = Outside()
        self._probes = Probes(pot.thermometers, pot.temperature_unit)
        self._silence = Silence()
        self.before = BeforeFill()

    def take(self, sample: Sample, *, is_shut: bool, judge: bool, unexplained: bool | None) -> Reading:
        """Return what is believed of a sample. is_shut: not open; judge, unexplained: as `Probes.believe`."""
        as_read = convert(self._outside.correct(sample, is_shut), self._pot)
        reading = self._probes.believe(as_read, sample.faults, judge=judge, unexplained=unexplained)
        self.before.update(reading, is_shut)
        self._silence.take(reading.t_s)
        return reading

    @property
    def doubts_a_thermometer(self) -> bool:
        return bool(self._probes.reasons)

    @property
    def missing(self) -> dict[Place, str]:
        return self._probes.missing

    @property
    def back(self) -> tuple[Place, ...]:
        return self._probes.back

    @property
    def gap_s(self) -> float:
        """How long the silence was that has just ended, s; 0 for none."""
        return self._silence.gap_s
