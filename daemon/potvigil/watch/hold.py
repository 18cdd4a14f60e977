"""A hold: which readings of a shut pot the leak estimate may use, and when air was let in.

The watch, the cause of a leak and the tightness test all follow a hold through this one class.
"""

from typing import Generic, Protocol, TypeVar

from potvigil.leak.estimator import LeakFilter
from potvigil.leak.pressure_checks import Doubt
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from potvigil.watch.stages import StageTracker, TopUp

# The fill's heat counts as gone when it can move the pressure by no more than 0.3 psi/h at 60 psi gauge.
# Never judged before 5 min, and assumed gone after 90: the leak filter's interval then covers the rest.
SETTLED_RATE_PER_S = 0.3 / 75.0 / 3600.0
SETTLE_LEAST_S, SETTLE_MOST_S = 300.0, 5400.0


class Follower(Protocol):
    """Whatever is estimated from a hold; `LeakFilter` says what each method does."""

    def add(self, reading: Reading, noise_pa: float) -> bool: ...

    def drop_bin(self) -> None: ...

    def top_up(self, rise_share: float) -> None: ...


F = TypeVar("F", bound=Follower)


class Hold(Generic[F]):
    """Passes the readings of one hold on to its follower, from the shut valve to the vent.

    believed: whether the newest reading was passed on. teaches: whether the pot may be learnt from this hold:
    no reading of it was in doubt.
    """

    def __init__(self, pot: Pot, before: BeforeFill, stages: StageTracker, follower: F) -> None:
        """Begin. before: what the thermometers read before the fill. stages: fed by the caller, first."""
        self._stages, self.follower = stages, follower
        self._doubt = Doubt(pot, before)
        self._newest_top_up = stages.last_top_up
        self.believed = False
        self.teaches = True

    @property
    def doubt(self) -> str | None:
        """Return why the pressure is doubted, None where it is believed."""
        return self._doubt.reason

    def distrust(self) -> None:
        """Note that a reading of this hold is in doubt."""
        self.teaches = False

    def top_up(self, reading: Reading) -> TopUp | None:
        """Return the top-up that ended with this reading, if there is one and it is believed."""
        newest = self._stages.last_top_up
        if newest is None or newest is self._newest_top_up:
            return None
        self._newest_top_up = newest
        if self._doubt.reason is not None:
            return None
        rise_share = newest.rise_pa / (reading.absolute_pa or 1.0)
        self.follower.top_up(rise_share)
        self._doubt.top_up(rise_share)
        return newest

    def take(self, reading: Reading) -> bool:
        """Take one reading that has a pressure; return whether the follower's estimate is new."""
        self.believed = False
        steadiness = self._stages.steadiness
        is_stirred = self._stages.is_stirred(reading.t_s)
        if is_stirred or steadiness.astray:
            self.follower.drop_bin()
            if is_stirred or not steadiness.restless:
                return False
        was_misled = self._doubt.misled
        self._doubt.update(reading, steadiness.noise_pa, steadiness.restless)
        if steadiness.restless:
            return False
        if was_misled and not self._doubt.misled:
            self.follower.top_up(0.0)  # readings taken before the doubt was noticed were wrong too
        if self._doubt.reason is not None or reading.quality is not Quality.GOOD:
            return False
        self.believed = True
        return self.follower.add(reading, steadiness.noise_pa)


def has_settled(shut_s: float, leak_filter: LeakFilter) -> bool:
    """Return whether the fill's heat has left a pot that has been shut for so long."""
    if shut_s >= SETTLE_MOST_S:
        return True
    leak = leak_filter.estimate
    is_known = leak_filter.fill_per_s < SETTLED_RATE_PER_S or (leak is not None and leak.established)
    return is_known and shut_s >= SETTLE_LEAST_S
