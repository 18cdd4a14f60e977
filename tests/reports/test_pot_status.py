"""A pot's state, to the letter: cells for a person, JSON for a program."""

from dataclasses import replace
from datetime import UTC
from typing import Any

import pytest

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, T_S, UTC_S, alarm, with_alarms
from potvigil.model.events import AlarmState, Cure, FloorForecast, Interval, Snapshot, Stage
from potvigil.reports.pot_status import HEADS, PotNow, cells, line

NOW = PotNow("lantern", "holding", HOLDING, LANTERN, 7)


def row(snapshot: Snapshot | None = HOLDING, **changes: Any) -> dict[str, str]:
    found = cells(replace(NOW, snapshot=snapshot, **changes), "psi", UTC)
    return dict(zip(HEADS, found, strict=True))


def test_the_cells_of_a_held_pot() -> None:
    assert row() == {
        "pot": "lantern",
        "state": "holding",
        "pressure": "59.5 psi",
        "floor": "45.0 psi by 07:40 tomorrow",
        "leak": "1.50 psi/h",
        "cure": "10 %, done by 07:00 tomorrow",
        "alarms": "",
    }


def test_an_unwatched_pot_shows_only_its_floor() -> None:
    assert row(None, word="not watched") == dict.fromkeys(HEADS, "") | {
        "pot": "lantern",
        "state": "not watched",
        "floor": "45.0 psi",
    }
    assert row(None, pot=None)["floor"] == ""


@pytest.mark.parametrize(
    ("changes", "head", "cell"),
    [
        ({"reading": NOTHING_KNOWN.reading}, "pressure", "no reading"),
        ({"forecast": None}, "floor", "45.0 psi"),
        ({"forecast": FloorForecast(T_S, T_S, None, True, None)}, "floor", "45.0 psi passed"),
        ({"cure": Cure(1.0, T_S)}, "floor", "45.0 psi"),  # after the cure it does no harm
        ({"cure": None}, "floor", "45.0 psi by 07:40 tomorrow"),
        ({"cure": Cure(1.0, T_S)}, "cure", "100 %"),
        ({"cure": None}, "cure", ""),
        ({"leak": None}, "leak", ""),
        ({"stage": Stage.OPEN}, "leak", ""),
        ({"alarms": (alarm(do="Look at the lid"),)}, "alarms", "leak (not acknowledged): Look at the lid"),
        (
            {"alarms": (alarm(), alarm(state=AlarmState.ACKNOWLEDGED))},
            "alarms",
            "leak (not acknowledged); leak (acknowledged)",
        ),
    ],
)
def test_each_cell(changes: dict[str, Any], head: str, cell: str) -> None:
    assert row(replace(HOLDING, **changes))[head] == cell


@pytest.mark.parametrize(("high_psi", "cell"), [(0.25, "< 0.25 psi/h"), (-1.0, "< 0.00 psi/h")])
def test_an_unestablished_leak_shows_its_upper_bound(high_psi: float, cell: str) -> None:
    assert HOLDING.leak is not None
    rates = Interval(0.0, -2.0, high_psi * PSI / 3600.0)
    unsure = replace(HOLDING, leak=replace(HOLDING.leak, rate_pa_per_s=rates, established=False))
    assert row(unsure)["leak"] == cell


def test_without_settings_the_floor_shows_when_it_is_reached() -> None:
    assert row(pot=None)["floor"] == "reached by 07:40 tomorrow"


UNKNOWN = {
    "kind": "status",
    "pot": "lantern",
    "watched": False,
    "heard": None,
    "rehearsed": None,
    "state": "not watched",
    "stage": None,
    "batch": None,
    "gauge_pressure_kpa": None,
    "quality": None,
    "floor_kpa": None,
    "floor_forecast": None,
    "leak": None,
    "cure": None,
    "alarms": [],
}


def test_the_object_of_an_unknown_pot() -> None:
    now = PotNow("lantern", "not watched", None, None)
    assert line(now, watched=True, rehearsed=None) == UNKNOWN
    heard = replace(now, since_utc_s=UTC_S, pot=LANTERN)
    assert line(heard, watched=False, rehearsed="sound") == UNKNOWN | {
        "heard": "2026-01-01T22:00:00.000Z",
        "rehearsed": "sound",
        "floor_kpa": 310.264,
    }


def test_the_object_of_a_held_pot() -> None:
    snapshot = replace(
        with_alarms(alarm(do="Look at the lid", by_s=T_S + 60.04), alarm(since_utc_s=None)),
        forecast=FloorForecast(T_S + 34_800.04, T_S + 32_000.0, T_S + 40_000.0, True, None),
        cure=Cure(0.12345, T_S + 32_400.0),
    )
    said = line(replace(NOW, snapshot=snapshot, since_utc_s=5.0), watched=True, rehearsed=None)
    assert said == UNKNOWN | {
        "watched": True,
        "heard": "2026-01-01T22:00:00.000Z",
        "state": "holding",
        "stage": "holding",
        "batch": 7,
        "gauge_pressure_kpa": 410.238,
        "quality": "good",
        "floor_kpa": 310.264,
        "floor_forecast": {
            "time": "2026-01-02T07:40:00.040Z",
            "in_s": 34_800.0,
            "earliest_s": 32_000.0,
            "latest_s": 40_000.0,
            "before_cure_done": True,
        },
        "leak": {"rate_kpa_per_h": 10.342, "low": 9.653, "high": 11.032, "established": True},
        "cure": {"progress": 0.1235, "done": {"time": "2026-01-02T07:00:00.000Z", "in_s": 32_400.0}},
        "alarms": [
            {
                "alarm": "leak",
                "priority": "low",
                "state": "unacknowledged",
                "since": "2026-01-01T21:58:20.000Z",
                "do": "Look at the lid",
                "by": {"time": "2026-01-01T22:01:00.040Z", "in_s": 60.0},
                "text": "Air is being lost at 1.5 psi/h since 21:30.",
            },
            {
                "alarm": "leak",
                "priority": "low",
                "state": "unacknowledged",
                "since": None,
                "do": "",
                "by": None,
                "text": "Air is being lost at 1.5 psi/h since 21:30.",
            },
        ],
    }
    timeless = line(replace(NOW, snapshot=replace(snapshot, utc_s=None)), watched=False, rehearsed=None)
    assert (timeless["watched"], timeless["heard"]) == (False, None)
    assert timeless["cure"]["done"] == {"time": None, "in_s": 32_400.0}
    endless = replace(snapshot, forecast=FloorForecast(T_S, T_S, None, False, None))
    assert (
        line(replace(NOW, snapshot=endless), watched=True, rehearsed=None)["floor_forecast"]["latest_s"]
        is None
    )
