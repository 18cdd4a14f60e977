"""The shared types, where they decide something: quiet hours, care that is due, signals, volumes."""

from dataclasses import replace
from datetime import UTC, time

import pytest

from potvigil.model.ageing import BatchLeak, Health, Point, Regime, Side
from potvigil.model.events import Interval
from potvigil.model.maintenance import TIGHTNESS, Care, Part, due
from potvigil.model.pot import Transducer
from potvigil.model.quiet_hours import QuietHours
from potvigil.model.reading import (
    MOST_T_S,
    MOST_UTC_S,
    TEMPERATURE_UNKNOWN_K,
    UNSEEN_AFTER_S,
    Place,
    Quality,
    Reading,
)
from potvigil.model.signal import SIGNALS
from shut_pot import PSI, pot

MIDNIGHT_UTC_S = 1_767_225_600.0  # 2026-01-01 00:00 UTC
HOUR, DAY = 3600.0, 86_400.0

# name: at zero, at full span, failed at or beyond, doubted beyond. 0.5-4.5 V of 5 V: common practice of
# transducer makers; 4-20 mA: NAMUR NE 43
SIGNAL_TABLE = {
    "0.5-4.5 V": (0.1, 0.9, (0.05, 0.95), (0.08, 0.92)),
    "0-5 V": (0.0, 5.0, (-0.25, 5.25), (-0.1, 5.1)),
    "1-5 V": (1.0, 5.0, (0.9, 5.25), (0.95, 5.125)),
    "0-10 V": (0.0, 10.0, (-0.5, 10.5), (-0.2, 10.2)),
    "4-20 mA": (4.0, 20.0, (3.6, 21.0), (3.8, 20.5)),
}


def test_each_signal_has_its_zero_span_and_failure_limits() -> None:
    known = {name: (each.zero, each.full, each.failed, each.trusted) for name, each in SIGNALS.items()}
    assert known == SIGNAL_TABLE


def test_a_transducer_converts_volts_to_signal_and_counts_to_pressure() -> None:
    volt = Transducer(volts_per_count=0.001, span_pa=800.0)
    assert volt.value_of(2.5) == pytest.approx(0.5)  # of a supply of 5 V
    assert volt.pa_per_count == pytest.approx(0.001 / 5.0 / 0.8 * 800.0)
    loop = replace(volt, signal=SIGNALS["4-20 mA"])
    assert loop.value_of(1.2) == pytest.approx(12.0)  # mA over 100 ohm
    assert loop.pa_per_count == pytest.approx(0.01 / 16.0 * 800.0)
    assert replace(volt, signal=SIGNALS["0-10 V"]).value_of(2.5) == 2.5


def test_the_constants_of_a_reading_are_pinned() -> None:
    assert (TEMPERATURE_UNKNOWN_K, UNSEEN_AFTER_S) == (293.15, 60.0)
    assert (MOST_UTC_S, MOST_T_S) == (1e10, 2e10)


@pytest.mark.parametrize(
    ("begin", "end", "hour", "is_quiet"),
    [
        (22, 7, 21.99, False),
        (22, 7, 22.0, True),
        (22, 7, 3.0, True),
        (22, 7, 6.99, True),
        (22, 7, 7.0, False),
        (22, 7, 12.0, False),
        (9, 17, 8.99, False),
        (9, 17, 9.0, True),
        (9, 17, 16.99, True),
        (9, 17, 17.0, False),
        (9, 9, 3.0, True),
    ],
)
def test_quiet_hours_may_span_midnight(begin: int, end: int, hour: float, is_quiet: bool) -> None:
    quiet = QuietHours(time(begin), time(end), UTC)
    assert quiet.hold(MIDNIGHT_UTC_S + hour * HOUR) is is_quiet


def test_it_is_never_quiet_while_the_time_is_unknown() -> None:
    assert not QuietHours(time(0), time(0), UTC).hold(None)


def care(part: Part, t_s: float, due_in_s: float | None, utc_s: float | None = None) -> Care:
    due_utc_s = None if due_in_s is None else MIDNIGHT_UTC_S + due_in_s
    return Care(utc_s, t_s, part, "", "", due_utc_s)


def test_care_is_due_by_the_newest_of_its_part_most_urgent_first() -> None:
    seal, valve = care(Part.SEAL, 5.0, 2 * DAY), care(Part.VALVE, 1.0, -DAY)
    cares = [care(Part.SEAL, 1.0, -9 * DAY), seal, valve, care(Part.OTHER, 3.0, None)]
    assert due(cares, 3 * DAY, MIDNIGHT_UTC_S) == [valve, seal]
    assert due(cares, 2 * DAY, MIDNIGHT_UTC_S) == [valve, seal]
    assert due(cares, 1.9 * DAY, MIDNIGHT_UTC_S) == [valve]
    assert due(reversed(cares), 3 * DAY, MIDNIGHT_UTC_S) == [valve, seal]


def test_of_two_cares_at_once_the_one_with_the_later_clock_counts() -> None:
    first, second = care(Part.SEAL, 0.0, DAY, utc_s=10.0), care(Part.SEAL, 0.0, 2 * DAY, utc_s=20.0)
    assert due([second, first], 9 * DAY, MIDNIGHT_UTC_S) == [second]


def test_only_work_on_seal_and_valves_changes_the_tightness_of_a_pot() -> None:
    assert {str(part) for part in TIGHTNESS} == {"seal", "valve", "relief-valve"}


def test_the_gas_volume_has_its_uncertainty() -> None:
    # 3 % of the pot and 15 % of its contents, 1 sigma; by default 15 % contents, uncertain by 10 %
    assert pot().gas_volume_m3 == pytest.approx((0.017, (0.0006**2 + 0.00045**2) ** 0.5))
    unsaid = pot(contents_volume_m3=None).gas_volume_m3
    assert unsaid == pytest.approx((0.017, (0.0006**2 + 0.002**2) ** 0.5))


def reading(**kelvin: float) -> Reading:
    at = {f"{place}_k": kelvin.get(place) for place in Place}
    return Reading(0.0, None, 60 * PSI, 75 * PSI, 15 * PSI, quality=Quality.GOOD, **at)


@pytest.mark.parametrize(
    ("kelvin", "nearest", "resin_k"),
    [
        ({"gas": 1.0, "wall": 2.0, "room": 3.0, "contents": 4.0}, (Place.GAS, 1.0), 4.0),
        ({"wall": 2.0, "room": 3.0}, (Place.WALL, 2.0), 2.0),
        ({"room": 3.0}, (Place.ROOM, 3.0), 3.0),
        ({"contents": 4.0}, (None, None), 4.0),
        ({}, (None, None), None),
    ],
)
def test_the_nearest_thermometer_that_answers_is_used(
    kelvin: dict[str, float], nearest: tuple[Place | None, float | None], resin_k: float | None
) -> None:
    of = reading(**kelvin)
    assert of.nearest == nearest
    assert of.nearest_k == nearest[1]
    assert of.resin_k == resin_k


def regime(*marks: str) -> Regime:
    """A chart by marks: `o` outside above, `f` far above, `b` far below, `.` ordinary."""
    points = []
    for i, mark in enumerate(marks):
        leak = BatchLeak(i, float(i), None, Interval(1.0, 0.5, 1.5), True, None)
        outside = Side.ABOVE if mark == "o" else None
        far = {"f": Side.ABOVE, "b": Side.BELOW}.get(mark)
        points.append(Point(leak, 1.0, 0.2, outside=outside, far=far))
    return Regime((), tuple(points), None, None)


def ids(points: tuple[Point, ...]) -> list[int]:
    return [point.batch.batch_id for point in points]


def test_the_chart_dates_when_a_leak_left_its_limits() -> None:
    since = regime(".", "o", ".", "o", "o").since
    assert since is not None
    assert since.batch.batch_id == 3
    assert regime("o", ".").since is None
    assert regime("o", ".").state is None
    assert regime(".", "o").state is Side.ABOVE
    assert regime().state is None
    assert regime(".", "o", "o").batches == 3


def test_a_far_night_is_isolated_unless_the_next_is_as_far() -> None:
    assert ids(regime(".", "f", ".", "b").alone) == [1, 3]
    assert ids(regime(".", "f", "f").alone) == [2]
    assert ids(regime("f", "b").alone) == [0, 1]
    first = regime(".", "f", "o").first_out
    assert first is not None
    assert first.batch.batch_id == 1
    assert regime(".", ".").first_out is None


def test_the_current_regime_is_the_last() -> None:
    regimes = (regime("."), regime(".", "."), regime(".", ".", "."))
    assert Health((), (), regimes, None, None, None, None, None).regime is regimes[2]


def test_an_empty_chart_has_nothing_unusual() -> None:
    assert regime().alone == ()
    assert regime().first_out is None
    assert regime().since is None


def test_a_transducer_has_no_correction_until_calibrated() -> None:
    plain = Transducer(volts_per_count=0.001, span_pa=800.0)
    assert (plain.zero_pa, plain.slope, plain.supply_v, plain.shunt_ohm) == (0.0, 1.0, 5.0, 100.0)
