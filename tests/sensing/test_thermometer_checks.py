"""When a thermometer is doubted though its checksum is good, and when it must not be."""

from collections.abc import Callable
from random import Random

from potvigil.model.reading import Place, Quality, Reading
from potvigil.sensing.thermometer_checks import Probes
from shut_pot import ATMOSPHERE_PA, PSI

STEP_S = 10.0
HOUR_S = 3600.0
Course = Callable[[float], float]


def dallas(course: Course) -> Course:
    """In steps of 1/16 C, as a DS18B20 gives them (datasheet)."""
    return lambda t_s: round(course(t_s) * 16.0) / 16.0 + 273.15


def run(
    hours: float,
    wall_c: Course,
    room_c: Course | None = None,
    gauge_psi: Course = lambda t_s: 60.0,
    unexplained: bool = False,
) -> tuple[Probes, list[tuple[float, str]], list[float | None]]:
    probes, told, believed = Probes(frozenset(Place)), [], []
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
            told.append((t_s, probes.reasons[Place.WALL]))
        assert Place.ROOM not in probes.reasons
    return probes, told, believed


def test_a_cooling_pot_is_believed() -> None:
    _, told, believed = run(9, lambda t_s: 18.0 - t_s / HOUR_S, lambda t_s: 16.0 - t_s / HOUR_S)
    assert told == []
    assert None not in believed


def test_a_still_cellar_is_believed() -> None:
    assert run(12, lambda t_s: 15.0, lambda t_s: 15.0)[1] == []


def test_a_heater_that_turns_on_and_off_moves_no_wall() -> None:
    room_c = lambda t_s: 20.0 + (1.0 if t_s % 1200.0 < 600.0 else -1.0)  # noqa: E731
    assert run(6, lambda t_s: 20.0, room_c)[1] == []


def test_one_reading_astray_is_left_out_and_not_told() -> None:
    _, told, believed = run(1, lambda t_s: 40.0 if t_s == 1800.0 else 20.0)
    assert told == []
    assert [i * STEP_S for i, each in enumerate(believed) if each is None] == [1800.0]


def test_to_and_fro_is_told_and_ends_ten_minutes_after_the_last() -> None:
    random = Random(2)
    jumping = lambda t_s: 20.0 + (random.choice((0.0, 12.0)) if 1800.0 <= t_s < 3600.0 else 0.0)  # noqa: E731
    _, told, _ = run(2, jumping)
    assert 1800.0 < told[0][0] < 2100.0
    assert "back and forth" in told[0][1]
    assert told[-1][0] <= 3600.0 + 610.0


def test_a_probe_that_came_off_is_believed_again_after_two_minutes() -> None:
    _, told, believed = run(1, lambda t_s: 25.0 if t_s < 1800.0 else 15.0)
    assert told == []
    assert [i * STEP_S for i, each in enumerate(believed) if each is None] == [
        1800.0 + 10.0 * i for i in range(12)
    ]


def test_a_pot_that_empties_in_a_moment_is_no_bad_joint() -> None:
    """Gas cools by tens of kelvin as it expands, and its probe follows step by step in one direction."""
    _, told, _ = run(1, lambda t_s: 20.0 - min(max(t_s - 1800.0, 0.0) / 10.0, 10.0) * 4.0)
    assert told == []


def test_stuck_while_the_room_cools_by_some_kelvin() -> None:
    _, told, believed = run(6, lambda t_s: 18.0, lambda t_s: 18.0 - t_s / HOUR_S)
    assert 1.5 * HOUR_S < told[0][0] < 2.5 * HOUR_S
    assert "stuck" in told[0][1]
    assert believed[-1] is None


def test_stuck_alone_is_told_by_a_pressure_that_nothing_explains() -> None:
    _, told, _ = run(4, lambda t_s: 18.0, unexplained=True)
    assert 1.5 * HOUR_S <= told[0][0] < 2.0 * HOUR_S
    assert "slow leak" in told[0][1]  # from one gauge and a still thermometer nobody can tell which


def test_a_pressure_that_is_explained_is_no_reason_to_doubt_a_thermometer() -> None:
    assert run(4, lambda t_s: 18.0, gauge_psi=lambda t_s: 60.0 - t_s / HOUR_S)[1] == []


def test_nothing_is_judged_while_the_fill_is_warm() -> None:
    probes = Probes(frozenset(Place))
    for i in range(100):
        kelvin = 293.15 + 10.0 * (i % 2)
        reading = Reading(STEP_S * i, None, 4e5, 5e5, 1e5, None, kelvin, None, Quality.GOOD)
        assert probes.believe(reading, (), judge=False, unexplained=True) is reading
    assert probes.reasons == {}


def beside_the_mould(wall_c: Course, contents_c: Course, hours: float = 4.0) -> dict[Place, str]:
    """What is doubted in the end, of a pot with thermometers on its wall and its mould."""
    probes = Probes(frozenset(Place))
    for i in range(int(hours * 360)):
        t_s = STEP_S * i
        reading = Reading(
            *(t_s, None, 4e5, 5e5, 1e5, None, dallas(wall_c)(t_s), None, Quality.GOOD),
            contents_k=dallas(contents_c)(t_s),
        )
        probes.believe(reading, (), judge=True, unexplained=False)
    return probes.reasons


def test_a_thermometer_on_the_mould_is_stuck_while_the_wall_cools() -> None:
    reasons = beside_the_mould(lambda t_s: 20.0 - t_s / HOUR_S, lambda t_s: 25.0)
    assert list(reasons) == [Place.CONTENTS]
    assert "wall thermometer moved" in reasons[Place.CONTENTS]


def test_resin_that_warms_itself_accuses_no_thermometer_on_a_wall_that_stands_still() -> None:
    assert beside_the_mould(lambda t_s: 20.0, lambda t_s: 20.0 + 5.0 * t_s / HOUR_S) == {}
