"""Which readings of a hold reach its follower, which top-ups, and when the fill's heat counts as gone."""

from dataclasses import dataclass, field

import pytest

from potvigil.leak.estimator import Leak
from potvigil.model.events import Interval
from potvigil.model.reading import Quality, Reading
from potvigil.sensing.before_fill import BeforeFill
from potvigil.watch import hold as hold_module
from potvigil.watch.hold import Hold, has_settled
from potvigil.watch.stages import TopUp
from shut_pot import pot

NOISE_PA = 200.0


@dataclass
class Readings:
    """How the readings of the gauge behave."""

    noise_pa: float = NOISE_PA
    astray: bool = False
    restless: bool = False


@dataclass
class Stages:
    """What a hold asks of the stages."""

    steadiness: Readings = field(default_factory=Readings)
    last_top_up: TopUp | None = None
    stirred: bool = False

    def is_stirred(self, t_s: float) -> bool:
        return self.stirred


@dataclass
class Heard:
    """A follower, or a doubt, that only notes what it is told."""

    told: list[object] = field(default_factory=list)
    has_news: bool = True
    reason: str | None = None
    misled: bool = False
    misled_after: bool = False

    def add(self, reading: Reading, noise_pa: float) -> bool:
        self.told.append((reading.t_s, noise_pa))
        return self.has_news

    def drop_bin(self) -> None:
        self.told.append("dropped")

    def top_up(self, rise_share: float) -> None:
        self.told.append(rise_share)

    def update(self, reading: Reading, noise_pa: float, restless: bool) -> None:
        self.told.append((reading.t_s, noise_pa, restless))
        self.misled = self.misled_after


class Shut:
    """A hold, with all that it speaks to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, last_top_up: TopUp | None = None) -> None:
        self.stages, self.follower, self.doubt = Stages(last_top_up=last_top_up), Heard(), Heard()
        monkeypatch.setattr(hold_module, "Doubt", lambda pot, before: self.doubt)
        self.hold: Hold[Heard] = Hold(pot(), BeforeFill(), self.stages, self.follower)  # type: ignore[arg-type]

    def take(self, t_s: float = 10.0, quality: Quality = Quality.GOOD) -> bool:
        return self.hold.take(reading(t_s, quality))


@pytest.fixture
def shut(monkeypatch: pytest.MonkeyPatch) -> Shut:
    return Shut(monkeypatch)


def reading(t_s: float, quality: Quality = Quality.GOOD, absolute_pa: float | None = 500e3) -> Reading:
    return Reading(t_s, None, 400e3, absolute_pa, 100e3, 293.15, None, None, quality)


# -- readings ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("has_news", [True, False])
def test_a_calm_reading_is_passed_on_with_its_noise(shut: Shut, has_news: bool) -> None:
    shut.follower.has_news = has_news
    assert not shut.hold.believed
    assert shut.take() is has_news
    assert shut.hold.believed
    assert shut.follower.told == [(10.0, NOISE_PA)]
    assert shut.doubt.told == [(10.0, NOISE_PA, False)]


# stirred, astray, restless -> what the follower and the doubt are told
BIN, TOLD = ["dropped"], (10.0, NOISE_PA, True)


@pytest.mark.parametrize(
    ("stirred", "astray", "restless", "to_follower", "to_doubt"),
    [
        (True, False, False, BIN, []),
        (True, True, False, BIN, []),
        (True, True, True, BIN, []),
        (False, True, False, BIN, []),
        (False, True, True, BIN, [TOLD]),
        (False, False, True, [], [TOLD]),
    ],
)
def test_a_stirred_or_unsteady_reading_is_kept_from_the_follower(
    shut: Shut, stirred: bool, astray: bool, restless: bool, to_follower: list[object], to_doubt: list[object]
) -> None:
    shut.take(0.0)
    shut.follower.told.clear()
    shut.doubt.told.clear()
    shut.stages.stirred = stirred
    shut.stages.steadiness = Readings(NOISE_PA, astray, restless)
    assert shut.take() is False
    assert not shut.hold.believed
    assert shut.follower.told == to_follower
    assert shut.doubt.told == to_doubt


@pytest.mark.parametrize(
    ("quality", "reason"), [(Quality.SUSPECT, None), (Quality.BAD, None), (Quality.GOOD, "stuck")]
)
def test_a_doubted_reading_is_not_passed_on(shut: Shut, quality: Quality, reason: str | None) -> None:
    shut.take(0.0)
    shut.doubt.reason = reason
    assert shut.take(10.0, quality) is False
    assert not shut.hold.believed
    assert shut.hold.doubt == reason
    assert shut.follower.told == [(0.0, NOISE_PA)]


@pytest.mark.parametrize(
    ("before", "after", "is_begun_anew"),
    [(True, False, True), (False, False, False), (False, True, False), (True, True, False)],
)
def test_readings_from_before_a_doubt_are_forgotten_once_it_ends(
    shut: Shut, before: bool, after: bool, is_begun_anew: bool
) -> None:
    shut.doubt.misled, shut.doubt.misled_after = before, after
    shut.take()
    assert shut.follower.told == [*([0.0] if is_begun_anew else []), (10.0, NOISE_PA)]


def test_a_hold_teaches_until_it_is_distrusted(shut: Shut) -> None:
    assert shut.hold.teaches is True
    shut.hold.distrust()
    assert shut.hold.teaches is False


# -- top-ups -----------------------------------------------------------------------------------------

JUMP = TopUp(0.0, 20.0, 10e3)


def test_a_top_up_is_given_once_as_a_share_of_the_air_in_the_pot(shut: Shut) -> None:
    assert shut.hold.top_up(reading(20.0)) is None
    shut.stages.last_top_up = JUMP
    assert shut.hold.top_up(reading(20.0)) is JUMP
    assert shut.follower.told == shut.doubt.told == [pytest.approx(0.02)]  # 10 kPa of 500 kPa absolute
    assert shut.hold.top_up(reading(30.0)) is None
    shut.stages.last_top_up = second = TopUp(90.0, 95.0, 5e3)
    assert shut.hold.top_up(reading(95.0)) is second
    assert len(shut.follower.told) == 2


def test_a_top_up_of_an_earlier_hold_is_no_news(monkeypatch: pytest.MonkeyPatch) -> None:
    shut = Shut(monkeypatch, JUMP)
    assert shut.hold.top_up(reading(30.0)) is None
    assert shut.follower.told == []


def test_a_top_up_seen_in_doubted_readings_never_counts(shut: Shut) -> None:
    shut.stages.last_top_up, shut.doubt.reason = JUMP, "stuck"
    assert shut.hold.top_up(reading(20.0)) is None
    shut.doubt.reason = None
    assert shut.hold.top_up(reading(30.0)) is None
    assert shut.follower.told == shut.doubt.told == []


# -- the fill's heat ---------------------------------------------------------------------------------

RATE = Interval(1e-6, 0.9e-6, 1.1e-6)
LEAKING, SOUND = Leak(RATE, RATE, 1.0, True, 9.0), Leak(RATE, None, 0.0, False, 0.0)


@dataclass
class Heat:
    fill_per_s: float
    estimate: Leak | None = None


@pytest.mark.parametrize(
    ("shut_s", "fill_per_s", "leak", "is_gone"),
    [
        # 0.3 psi/h of 75 psi absolute: 1.11e-6 a second
        (300.0, 1.0e-6, None, True),
        (300.0, 1.2e-6, None, False),
        (300.0, 0.3 / 75.0 / 3600.0, None, False),
        (300.0, 1.2e-6, LEAKING, True),
        (300.0, 1.2e-6, SOUND, False),
        (299.0, 1.0e-6, LEAKING, False),
        (5399.0, 1.2e-6, SOUND, False),
        (5400.0, 1.2e-6, None, True),
        (0.0, 1.0e-9, None, False),
    ],
)
def test_the_heat_of_a_fill_is_gone_after_5_to_90_minutes(
    shut_s: float, fill_per_s: float, leak: Leak | None, is_gone: bool
) -> None:
    assert has_settled(shut_s, Heat(fill_per_s, leak)) is is_gone  # type: ignore[arg-type]
