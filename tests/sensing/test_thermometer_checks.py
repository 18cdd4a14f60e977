"""When a thermometer is doubted although its checksum is good, and when it must not be."""

from collections.abc import Callable
from random import Random

from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.thermometer_checks import Probes
from shut_pot import ATMOSPHERE_PA, PSI

STEP_S = 10.0
HOUR_S = 3600.0
Course = Callable[[float], float]


def dallas(course: Course) -> Course:
    """Round to steps of 1/16 C, as a DS18B20 does (datasheet)."""
    return lambda t_s: round(course(t_s) * 16.0) / 16.0 + 273.15


def run(
    hours: float,
    wall_c: Course,
    room_c: Course | None = None,
    gauge_psi: Course = lambda t_s: 60.0,
    unexplained: bool = False,
) -> tuple[Probes, list[tuple[float, str]], list[float | None]]:
    probes, reported, believed = Probes(frozenset(Place)), [], []
    for i in range(int(hours * 360)):
        t_s = STEP_S * i
        gauge_pa = gauge_psi(t_s) * PSI
        room_k = None if room_c is None else dallas(room_c)(t_s)
        reading = Reading(
            t_s,
            None,
            gauge_pa,
            gauge_pa + ATMOSPHERE_PA,
            ATMOSPHERE_PA,
            None,
            dallas(wall_c)(t_s),
            room_k,
            Quality.GOOD,
        )
        believed.append(probes.believe(reading, (), judge=True, unexplained=unexplained).wall_k)
        if Place.WALL in probes.reasons:
            reported.append((t_s, probes.reasons[Place.WALL]))
        assert Place.ROOM not in probes.reasons
    return probes, reported, believed


def test_a_cooling_pot_is_believed() -> None:
    _, reported, believed = run(9, lambda t_s: 18.0 - t_s / HOUR_S, lambda t_s: 16.0 - t_s / HOUR_S)
    assert reported == []
    assert None not in believed


def test_a_cellar_at_constant_temperature_is_believed() -> None:
    assert run(12, lambda t_s: 15.0, lambda t_s: 15.0)[1] == []


def test_a_cycling_heater_does_not_make_the_wall_probe_stuck() -> None:
    room_c = lambda t_s: 20.0 + (1.0 if t_s % 1200.0 < 600.0 else -1.0)  # noqa: E731
    assert run(6, lambda t_s: 20.0, room_c)[1] == []


def test_one_outlier_is_left_out_and_not_reported() -> None:
    _, reported, believed = run(1, lambda t_s: 40.0 if t_s == 1800.0 else 20.0)
    assert reported == []
    assert [i * STEP_S for i, each in enumerate(believed) if each is None] == [1800.0]


def test_alternating_jumps_are_reported_until_ten_minutes_after_the_last() -> None:
    random = Random(2)
    jumping = lambda t_s: 20.0 + (random.choice((0.0, 12.0)) if 1800.0 <= t_s < 3600.0 else 0.0)  # noqa: E731
    _, reported, _ = run(2, jumping)
    assert 1800.0 < reported[0][0] < 2100.0
    assert "back and forth" in reported[0][1]
    assert reported[-1][0] <= 3600.0 + 610.0


def test_a_probe_that_came_off_is_believed_again_after_two_minutes() -> None:
    _, reported, believed = run(1, lambda t_s: 25.0 if t_s < 1800.0 else 15.0)
    assert reported == []
    assert [i * STEP_S for i, each in enumerate(believed) if each is None] == [
        1800.0 + 10.0 * i for i in range(12)
    ]


def test_a_sudden_vent_is_not_a_bad_joint() -> None:
    """Gas cools by tens of kelvin as it expands, and its probe follows step by step in one direction."""
    _, reported, _ = run(1, lambda t_s: 20.0 - min(max(t_s - 1800.0, 0.0) / 10.0, 10.0) * 4.0)
    assert reported == []


def test_a_wall_probe_is_stuck_if_constant_while_the_room_cools() -> None:
    cooling = lambda t_s: 60.0 - 0.25 * t_s / HOUR_S  # noqa: E731  # the gas cools with the room
    _, reported, believed = run(6, lambda t_s: 18.0, lambda t_s: 18.0 - t_s / HOUR_S, cooling)
    assert 1.5 * HOUR_S < reported[0][0] < 2.5 * HOUR_S
    assert "stuck" in reported[0][1]
    assert believed[-1] is None


def test_a_lone_probe_is_stuck_if_constant_during_an_unexplained_fall() -> None:
    _, reported, _ = run(4, lambda t_s: 18.0, unexplained=True)
    assert 1.5 * HOUR_S <= reported[0][0] < 2.0 * HOUR_S
    assert "slow leak" in reported[0][1]  # one gauge and a constant thermometer cannot tell which


def test_an_explained_pressure_casts_no_doubt_on_a_thermometer() -> None:
    assert run(4, lambda t_s: 18.0, gauge_psi=lambda t_s: 60.0 - t_s / HOUR_S)[1] == []


def test_no_probe_is_judged_while_the_fill_is_warm() -> None:
    probes = Probes(frozenset(Place))
    for i in range(100):
        kelvin = 293.15 + 10.0 * (i % 2)
        reading = Reading(STEP_S * i, None, 4e5, 5e5, 1e5, None, kelvin, None, Quality.GOOD)
        assert probes.believe(reading, (), judge=False, unexplained=True) is reading
    assert probes.reasons == {}


def beside_the_mould(wall_c: Course, contents_c: Course, hours: float = 4.0) -> dict[Place, str]:
    """The thermometers doubted in the end, in a pot with one on its wall and one on its mould."""
    probes = Probes(frozenset(Place))
    for i in range(int(hours * 360)):
        t_s = STEP_S * i
        reading = Reading(
            *(t_s, None, 4e5 * (wall_c(t_s) + 273.15) / 293.15, 5e5, 1e5, None),
            *(dallas(wall_c)(t_s), None, Quality.GOOD),
            contents_k=dallas(contents_c)(t_s),
        )
        probes.believe(reading, (), judge=True, unexplained=False)
    return probes.reasons


def test_a_mould_probe_constant_while_the_wall_cools_is_stuck() -> None:
    reasons = beside_the_mould(lambda t_s: 20.0 - t_s / HOUR_S, lambda t_s: 25.0)
    assert list(reasons) == [Place.CONTENTS]
    assert "wall thermometer moved" in reasons[Place.CONTENTS]


def test_self_heating_resin_does_not_make_a_steady_wall_probe_stuck() -> None:
    assert beside_the_mould(lambda t_s: 20.0, lambda t_s: 20.0 + 5.0 * t_s / HOUR_S) == {}
