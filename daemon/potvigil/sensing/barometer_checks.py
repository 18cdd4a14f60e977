"""The pressure outside, through a barometer that may fail.

Weather moves by some hPa in an hour. A barometer that jumps further has failed, or is mended; it is followed
on from where it was, for in a shut pot only the changes count. One that is silent leaves what it said last.
"""

from dataclasses import replace

from potvigil.model.reading import Sample
from potvigil.units import PA_PER_HPA

# Between two samples no more than a slammed door and a thunderstorm's nose make, and what a front makes
# in the time between them: the steepest on record are some 10 hPa in an hour (from memory).
JUMP_PA, FRONT_PA_PER_S = 6.0 * PA_PER_HPA, 10.0 * PA_PER_HPA / 3600.0


class Outside:
    """Follows one barometer."""

    def __init__(self) -> None:
        self._believed_pa: float | None = None
        self._believed_s = 0.0
        self._offset_pa = 0.0

    def correct(self, sample: Sample, shut: bool) -> Sample:
        """Return the sample with the pressure outside that is believed. An open pot believes what is read."""
        read_pa = sample.ambient_pa
        if not shut or self._believed_pa is None:
            self._offset_pa = 0.0
            if read_pa is not None:
                self._believed_pa, self._believed_s = read_pa, sample.t_s
            return sample
        if read_pa is None:
            return replace(sample, ambient_pa=self._believed_pa)
        off_pa = read_pa + self._offset_pa - self._believed_pa
        if abs(off_pa) > JUMP_PA + FRONT_PA_PER_S * (sample.t_s - self._believed_s):
            self._offset_pa -= off_pa
        self._believed_pa, self._believed_s = read_pa + self._offset_pa, sample.t_s
        return sample if not self._offset_pa else replace(sample, ambient_pa=self._believed_pa)
