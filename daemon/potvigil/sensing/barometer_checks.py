"""The outside pressure, by a barometer that may fail.

Weather changes by some hPa in an hour. A barometer that jumps further has failed, or was repaired; only its
later changes are followed, for in a shut pot only changes count. A silent one keeps its last value.
"""

from dataclasses import replace

from potvigil.model.reading import Sample
from potvigil.units import PA_PER_HPA

# Between two samples, no more than a slammed door or the nose of a thunderstorm, plus a front over the time
# between them: the steepest on record are some 10 hPa in an hour (from memory).
JUMP_PA, FRONT_PA_PER_S = 6.0 * PA_PER_HPA, 10.0 * PA_PER_HPA / 3600.0


class Outside:
    """Follows one barometer."""

    def __init__(self) -> None:
        self._believed_pa: float | None = None
        self._believed_s = 0.0
        self._offset_pa = 0.0

    def correct(self, sample: Sample, shut: bool) -> Sample:
        """Return the sample with the believed outside pressure. In an open pot that is the reading itself."""
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
