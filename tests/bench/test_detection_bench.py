"""The bench of detection counts rightly: known outcomes give known cells, and its bound is a known one."""

import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

DETECTION = Path(__file__).parent / "detection"
sys.path.insert(0, str(DETECTION))

import campaign  # noqa: E402
import cells  # noqa: E402
import learned  # noqa: E402
import limit  # noqa: E402
import peers  # noqa: E402
import said  # noqa: E402
import watched  # noqa: E402
from campaign import NightResult, Plan  # noqa: E402
from draw import FROM_START, KINDS, MID_HOLD, QUICK, SOUND, draw, draw_series  # noqa: E402
from recorded import Recorded  # noqa: E402
from simulate import simulate, simulate_all  # noqa: E402
from table import print_tables  # noqa: E402
from watched import Outcome, Raised  # noqa: E402

from potvigil.model.events import Interval  # noqa: E402
from potvigil.model.reading import Place  # noqa: E402
from potvigil.watch.pot_watch import PotWatch  # noqa: E402

ONSET_S = 7200.0
PA_PER_PSI = 6894.757293168361  # NIST SP 811 (2008), Appendix B.8


def outcome(*alarms: tuple[str, float], **given) -> Outcome:
    """Return what came of a sound night watched with a probe in the gas."""
    usual = {
        "simulator": "lumps",
        "kind": SOUND,
        "number": 0,
        "combination": "gas",
        "step_s": 5.0,
        "resin": "epoxy-casting",
        "told": False,
        "batches": 0,
        "slow_fill": False,
        "onset_s": None,
        "crossing_s": None,
        "cure_done_s": None,
        "alarms": tuple(Raised(alarm, t_s, "") for alarm, t_s in alarms),
        "alarm_s": min((t_s for alarm, t_s in alarms if alarm in ("leak", "floor-ahead")), default=None),
        "rate": Interval(0.0, -0.1, 0.1),
        "established": False,
        "true_rate": 0.0,
        "onset": None,
        "lost": None,
        "true_lost": None,
        "forecast": None,
        "forecast_s": None,
        "cpu_s": 1.0,
    }
    return Outcome(**usual | given)


def leak(*alarms: tuple[str, float], **given) -> Outcome:
    return outcome(*alarms, **{"kind": MID_HOLD, "onset_s": ONSET_S, "true_rate": 1.5} | given)


# --- counting --------------------------------------------------------------


@pytest.mark.parametrize(
    "alarm", ["pressure-sensor", "thermometer", "leak", "slow-to-pressure", "clock-unset"]
)
def test_any_alarm_on_a_sound_night_is_false(alarm: str) -> None:
    nights = [outcome(), outcome((alarm, 500.0), ("leak", 900.0)), outcome()]
    assert [raised.alarm for raised in nights[1].false_alarms] == [alarm, "leak"]
    # 1 of 3: 1 - 0.05 = sum over 2, 3 of the binomial, p = 0.8646
    assert cells.false_nights(nights) == "1 of 3 (< 86.5%)"


def test_upper_bound() -> None:
    assert cells.upper_bound(0, 350) == pytest.approx(1.0 - 0.05 ** (1.0 / 350.0))
    assert cells.upper_bound(3, 3) == 1.0


def test_slow_fill_is_rightly_told() -> None:
    assert not outcome(("slow-to-pressure", 200.0), slow_fill=True).false_alarms
    assert outcome(("leak", 200.0), slow_fill=True).false_alarms


@pytest.mark.parametrize(
    ("room_c", "warmer_k", "mixed_at_s", "resin", "is_slow"),
    [
        (23.0, 0.0, 230.0 - 300.0, "polyurethane-clear", True),  # 300 of 600 s are left: the alarm's limit
        (23.0, 0.0, 230.0 - 280.0, "polyurethane-clear", False),
        (33.0, 0.0, 230.0 - 280.0, "polyurethane-clear", True),  # twice as fast 10 K above: 20 s are left
        (13.0, 0.0, 230.0 - 600.0, "polyurethane-clear", False),  # and half as fast below: 600 s
        (13.0, 20.0, 230.0 - 280.0, "polyurethane-clear", True),  # in a mould from the oven
        (33.0, -10.0, 230.0 - 280.0, "polyurethane-clear", True),  # a cold mould has not cooled it yet
        (23.0, 0.0, 230.0 - 1800.0, "silicone-rubber", True),  # a quarter of its 40 min
        (23.0, 0.0, 230.0 - 1780.0, "silicone-rubber", False),
        (33.0, 0.0, 230.0 - 1800.0, "none", False),
    ],
)
def test_a_fill_is_slow_by_the_working_time_at_the_temperature_of_room_or_mould(
    room_c: float, warmer_k: float, mixed_at_s: float, resin: str, is_slow: bool
) -> None:
    contents = SimpleNamespace(resin=resin, mixed_at_s=mixed_at_s, warmer_k=warmer_k)
    times_s = np.arange(0.0, 300.0, 10.0)
    room = np.where(times_s < 120.0, room_c, 60.0)  # only until the fill
    night = SimpleNamespace(
        night=SimpleNamespace(contents=contents), filled_s=230.0, t_s=times_s, room_c=room
    )
    assert watched._is_slow_fill(night, (Place.ROOM,)) is is_slow


def test_without_a_thermometer_a_fill_is_slow_by_the_label() -> None:
    contents = SimpleNamespace(resin="polyurethane-clear", mixed_at_s=230.0 - 300.0, warmer_k=0.0)
    night = SimpleNamespace(
        night=SimpleNamespace(contents=contents), filled_s=230.0, t_s=np.zeros(3), room_c=np.full(3, 13.0)
    )
    assert watched._is_slow_fill(night, ())
    assert not watched._is_slow_fill(night, (Place.GAS,))


def test_alarms_before_the_onset_are_false() -> None:
    early = leak(("leak", ONSET_S - 1.0), ("floor-ahead", ONSET_S + 60.0))
    other = leak(("leak", ONSET_S + 300.0), ("pressure-sensor", ONSET_S + 400.0))
    right = leak(("leak", ONSET_S + 600.0), ("below-floor", ONSET_S + 9000.0))
    assert [raised.alarm for raised in early.early_alarms] == ["leak"]
    assert not other.early_alarms and [raised.alarm for raised in other.false_alarms] == ["pressure-sensor"]
    assert not right.false_alarms
    assert cells.early_nights([early, other, right]) == "1 of 3 (< 86.5%)"
    # a night accused before has no delay; 5 and 10 min are left
    assert cells.delay([early, other, right]) == "10.0 (10)"
    assert cells.delay([leak(), right]) == "missed (missed), 1 of 2 not seen"


def test_floors() -> None:
    passed = leak(("floor-ahead", ONSET_S + 900.0), crossing_s=ONSET_S + 3600.0)
    late = leak(("leak", ONSET_S + 3700.0), crossing_s=ONSET_S + 3600.0)
    after_the_cure = leak(crossing_s=ONSET_S + 3600.0, cure_done_s=ONSET_S)
    in_the_morning = leak(crossing_s=40_000.0)
    assert cells.floors([passed, after_the_cure, in_the_morning]).endswith("least 0.75 left")
    assert cells.floors([passed, after_the_cure, in_the_morning]).startswith("1 of 1")
    assert cells.floors([passed, late]).startswith("1 of 2")
    assert cells.floors([late]).endswith("least 0.00 left")


def test_intervals() -> None:
    nights = [
        leak(rate=Interval(1.4, 1.2, 1.6), onset=Interval(7000.0, 6900.0, 7100.0)),
        leak(rate=Interval(1.0, 0.9, 1.1), onset=Interval(7200.0, 7100.0, 7300.0)),
        leak(rate=None),
    ]
    assert cells.rate_cover(nights) == "1 of 2: 50 % (1-99), none told in 1"
    assert cells.onset_cover(nights) == "1 of 2: 50 % (1-99), none told in 1"


def test_tables(capsys: pytest.CaptureFixture[str]) -> None:
    scores = {peer.name: peers.Scores(np.array([9.0]), np.array([1.0])) for peer in peers.PEERS}
    in_room = {"combination": "room"}

    def result(kind: str, number: int, *outcomes: Outcome, batches: int = 0) -> NightResult:
        return NightResult("lumps", kind, number, batches, 150.0, list(outcomes), scores)

    found = leak(("leak", ONSET_S + 300.0), kind=FROM_START)
    after = leak(("leak", ONSET_S + 60.0), kind=FROM_START, batches=1)
    results = [
        result(SOUND, 0, outcome(), outcome(("thermometer", 9.0), **in_room)),
        result(SOUND, 1, outcome(("leak", 9.0), resin="none"), outcome(**in_room)),
        result(FROM_START, 0, found),
        result(FROM_START, 0, outcome(("leak", 5.0)), after, batches=1),
    ]
    print_tables(results)
    printed = capsys.readouterr().out
    assert "## lumps" in printed and "## layers" not in printed
    rows = [line.strip("| ").split(" | ") for line in printed.splitlines() if line.startswith("| ")]
    told = {row[0]: row[1:] for row in reversed(rows)}
    assert told["any alarm on sound nights"] == ["1 of 2 (< 97.5%) [0 of 350]"] * 2
    assert told["- of these `thermometer`"] == ["0", "1"]
    assert told["any alarm on the sound batches before a leak"] == ["1 of 1 (< 100.0%) [0 of 350]", "-"]
    assert told["0.3 psi/h from the start: the same"] == ["5.0 (5) [80]", "-"]
    assert told["the same after 1 sound batches of that pot"] == ["1.0 (1) [45]", "-"]
    assert told["none"] == ["1 of 1: leak 1", "-"]
    assert told["epoxy-casting"] == ["0 of 1", "1 of 2: thermometer 1"]


# --- what is played --------------------------------------------------------


def test_plan() -> None:
    plan = Plan(["lumps", "layers"], dict.fromkeys(KINDS, 60), 10, said.COMBINATIONS, "plan", batches=8)
    tasks = plan.tasks()
    alone = [task for task in tasks if not task.batches]
    for simulator in plan.simulators:
        for kind in KINDS:
            own = [task for task in alone if (task.simulator, task.kind) == (simulator, kind)]
            assert sorted(number for task in own for number in task.numbers) == list(range(60))
            without = sum(len(task.numbers) for task in own if () in task.combinations)
            assert without == {SOUND: 10, FROM_START: 0, QUICK: 0}.get(kind, 60)
    steps = [task.step_s for task in alone for _ in task.numbers]
    shares = [steps.count(step_s) / len(steps) for step_s in (1.0, 5.0, 10.0)]
    assert shares == pytest.approx([1 / 6, 5 / 12, 5 / 12], abs=0.06)
    assert len(tasks) - len(alone) == 2 * 60


def test_what_a_caster_says() -> None:
    for number in range(20):
        night = draw(SOUND, number, "said", "layers")
        pot = said.pot_of(night, (Place.WALL, Place.ROOM))
        assert pot.thermometers == {Place.WALL, Place.ROOM}
        assert pot.contents_volume_m3 == pytest.approx(night.parameters.contents_volume_m3, rel=0.16)
        assert pot.working_pa == pytest.approx(60.0 * PA_PER_PSI)
        if night.contents.resin == "epoxy-deep-pour":
            assert pot.gel_s == pot.hold_s == 12 * 3600.0  # it gels after the night
        elif night.contents.resin == "polyurethane-quick":
            assert (pot.hold_s, pot.gel_s, pot.working_time_s) == (36_000.0, 480.0, 180.0)
            assert pot.resin("polyurethane-quick").hold_s == 36_000.0
    assert said.pot_of(night, ()).thermometers == frozenset()


def short(night: Recorded, rows: int) -> Recorded:
    columns = {name: value[:rows] for name, value in vars(night).items() if isinstance(value, np.ndarray)}
    return replace(night, **columns)


def test_details_reach_the_watch() -> None:
    drawn = next(night for number in range(1, 99, 2) if said.is_told(night := draw(SOUND, number, "told")))
    night = short(simulate(drawn, 10.0), 300)
    watch = PotWatch(said.pot_of(drawn, ()))
    told = watched.observe(watch, night, ())
    details = watch.snapshot().details
    assert told.told and details["resin"] == drawn.contents.resin
    assert float(details["mass"].removesuffix(" g")) == pytest.approx(1e3 * drawn.contents.resin_kg, abs=0.5)
    cure = watch.snapshot().cure
    assert cure is not None and cure.progress > 0.0


def test_series_hands_on_what_was_learnt(monkeypatch: pytest.MonkeyPatch) -> None:
    handed = []

    class Learning(PotWatch):
        def __init__(self, pot, known=None) -> None:
            super().__init__(pot)
            handed.append(known)

        def learnt(self):
            return f"batch {len(handed)}"

    monkeypatch.setattr(learned, "PotWatch", Learning)
    drawn = draw_series(FROM_START, 3, "series", "lumps", 3)
    assert drawn[-1] == draw(FROM_START, 3, "series", "lumps")
    assert len({night.parameters for night in drawn}) == len({night.sensing for night in drawn}) == 1
    assert len({night.seed for night in drawn}) == len({night.weather.name for night in drawn}) == 4
    assert [night.leak is None for night in drawn] == [True, True, True, False]
    assert len({said.pot_of(night, ()).contents_volume_m3 for night in drawn}) == 1
    nights = [short(night, 120) for night in simulate_all(drawn, 10.0)]
    outcomes, known = learned.play_series(nights, (Place.GAS,))
    assert handed == [None, "batch 1", "batch 2", "batch 3"]
    assert known == "batch 3"
    assert [each.batches for each in outcomes] == [0, 1, 2, 3]
    assert [each.kind for each in outcomes] == [SOUND] * 3 + [FROM_START]


def test_results_are_kept_to_the_last(tmp_path: Path) -> None:
    task = campaign.Task("lumps", SOUND, (0, 1), 10.0, "kept", ((Place.ROOM,),))
    file = tmp_path / "kept"
    results = campaign.run_all([task], 1, file)
    assert [each.outcomes for each in campaign.kept([file])] == [each.outcomes for each in results]
    file.write_bytes(file.read_bytes()[:-10])
    assert [each.number for each in campaign.kept([file])] == [0]


def test_a_quick_resin_that_is_warm_as_the_hold_begins_is_no_leak() -> None:
    """Without what leak/resin_heat.py expects, the watch took it for a cold mould and then for 1.7 psi/h."""
    night, *_ = draw_series(FROM_START, 2, "heron", "lumps", 8)
    (played,) = simulate_all([night], 10.0)
    for places in ((Place.WALL,), (Place.WALL, Place.ROOM)):
        outcome = watched.watch(short(played, 360), places)
        assert {each.alarm for each in outcome.alarms} <= {"slow-to-pressure"}  # mixed minutes ago


# --- the bound -------------------------------------------------------------


def test_bound_of_a_slope() -> None:
    """White noise alone: the variance of a least-squares slope is 12 sigma^2 / (dt^2 n (n^2 - 1))."""
    for sigma_pa in (20.0, 200.0):
        ramp_pa = 0.3 * PA_PER_PSI / 3600.0 * limit.BIN_S
        n = next(
            n
            for n in range(2, 9999)
            if ramp_pa**2 * n * (n * n - 1) / 12.0 >= (limit.ONE_IN_1000 * sigma_pa) ** 2
        )
        assert limit.bound_min(0.3, limit.Row(sigma_pa)) == (n - 1) * limit.BIN_S / 60.0


def test_bound_of_a_wandering_slope() -> None:
    """A wandering much slower than the watch is a random walk; readings without noise tell its ends.

    Then d^2 = (r T)^2 / (2 s^2 T / tau).
    """
    sigma_pa, tau_s = 25_000.0, 1e7
    rate = 0.3 * PA_PER_PSI / 3600.0
    expected_s = limit.ONE_IN_1000**2 * 2.0 * sigma_pa**2 / tau_s / rate**2
    row = limit.Row(1e-3, wander=sigma_pa, wander_s=tau_s)
    assert 60.0 * limit.bound_min(0.3, row) == pytest.approx(expected_s, abs=2.0 * limit.BIN_S)
    assert expected_s > 10.0 * limit.BIN_S


def test_bound_of_thermometers() -> None:
    night = draw(FROM_START, 0, "bound", "lumps")

    def bound(*places: Place, sigma_k: float = 3.0) -> float:
        told = limit.pot_bound_min(night, places, 0.3, 100.0, 5.0, sigma_k)
        assert told is not None
        return told

    assert bound(Place.GAS) <= bound(Place.WALL) < bound(Place.ROOM)
    assert bound(Place.WALL, Place.ROOM) == bound(Place.WALL)
    assert bound(Place.ROOM, sigma_k=1.0) < bound(Place.ROOM)
    assert (
        limit.pot_bound_min(replace(night, simulator="layers"), (Place.ROOM,), 0.3, 100.0, 5.0, 3.0) is None
    )


def test_the_models_own_bound_is_later_for_a_smaller_leak_and_never_once_the_night_is_over() -> None:
    night = draw(SOUND, 2, "own bound", "lumps")
    (sound,) = simulate_all([night], 10.0)

    def bound(rate_psi_per_h: float, sigmas: float = 5.0, onset_s: float = 120.0) -> float:
        return watched.own_bound_min(sound, (Place.GAS,), rate_psi_per_h, onset_s, sigmas=sigmas)

    assert 0.0 < bound(3.0) < bound(0.3) < 120.0
    # what is asked is sigmas over rate: half as sure of half the leak comes at the same time
    assert bound(0.15, 2.5) == bound(0.3)
    assert bound(0.01) == np.inf
    assert bound(0.3, onset_s=6 * 3600.0) < bound(0.3)  # once the fill's heat has gone


def test_cooling() -> None:
    """At the start the gas has its share of the contents; none of it ever leaves but by the wall."""
    pot = replace(draw(SOUND, 0, "cooling").parameters, wall_room_w_per_k=0.0)
    warmer_k = limit.cooling(pot)
    share = pot.gas_contents_w_per_k / (pot.gas_wall_w_per_k + pot.gas_contents_w_per_k)
    assert warmer_k[Place.GAS][0] == pytest.approx(share, rel=0.02)
    heat_j = pot.wall_j_per_k * warmer_k[Place.WALL] + pot.contents_j_per_k * warmer_k[Place.CONTENTS]
    assert heat_j == pytest.approx(np.full_like(heat_j, pot.contents_j_per_k))
