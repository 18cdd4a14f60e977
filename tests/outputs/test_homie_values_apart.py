"""Every value under its own name: no two topics share a figure, so swapped topics are noticed."""

import inspect
from dataclasses import replace

import pytest

from demo_pot import HOLDING, LANTERN, PSI, T_S, UTC_S, WORKSHOP
from potvigil.model.events import Change, Interval, LeakEstimate
from potvigil.outputs.broker import homie, homie_description, homie_moments, homie_set

HOUR = 3600.0
# 2026-01-01 22:00 UTC is T_S
LEAK = LeakEstimate(
    t_s=T_S,
    rate_pa_per_s=Interval(2.0 * PSI / HOUR, 1.5 * PSI / HOUR, 2.75 * PSI / HOUR),
    pa_m3_per_s=Interval(0.05, 0.04, 0.07),
    std_cm3_per_min=Interval(26.0, 21.0, 32.0),
    orifice_m=6.1e-5,
    onset_s=Interval(T_S - 1800.0, T_S - 2400.0, T_S - 600.0),
    established=True,
)
CHANGE = Change(-3.0 * PSI, -1.5 * PSI, 0.25 * PSI, -2.25 * PSI, 0.5 * PSI)


@pytest.fixture
def payloads() -> dict[str, str]:
    snapshot = replace(HOLDING, leak=LEAK, change=CHANGE, utc_s=UTC_S)
    base = f"homie/5/{WORKSHOP}-{LANTERN.pot_id}/"
    messages = homie.values(WORKSHOP, LANTERN, snapshot, 7, False)
    return {each.topic.removeprefix(base): bytes(each.payload).decode() for each in messages if each.payload}


def test_earliest_and_latest_onset_are_not_swapped(payloads: dict[str, str]) -> None:
    names = ("leak/onset-earliest", "leak/onset", "leak/onset-latest")
    assert [payloads[name][11:16] for name in names] == ["21:20", "21:30", "21:50"]


@pytest.mark.parametrize(
    ("name", "psi_per_h"), [("leak/rate", 2.0), ("leak/rate-low", 1.5), ("leak/rate-high", 2.75)]
)
def test_the_rate_has_its_own_bounds(payloads: dict[str, str], name: str, psi_per_h: float) -> None:
    assert float(payloads[name]) == pytest.approx(psi_per_h)


@pytest.mark.parametrize(
    ("name", "cm3_per_min"), [("leak/flow", 26.0), ("leak/flow-low", 21.0), ("leak/flow-high", 32.0)]
)
def test_the_flow_has_its_own_bounds(payloads: dict[str, str], name: str, cm3_per_min: float) -> None:
    assert float(payloads[name]) == pytest.approx(cm3_per_min)


@pytest.mark.parametrize(
    ("name", "psi"),
    [
        ("hold/change", -3.0),
        ("hold/change-cooling", -1.5),
        ("hold/change-barometer", 0.25),
        ("hold/change-leak", -2.25),
        ("hold/change-top-up", 0.5),
    ],
)
def test_each_part_of_the_change_has_its_own_property(
    payloads: dict[str, str], name: str, psi: float
) -> None:
    assert float(payloads[name]) == pytest.approx(psi)


@pytest.mark.parametrize(
    ("name", "psi"),
    [
        ("pressure/gauge", 59.5),
        ("pressure/absolute", 59.5 + 101_325.0 / PSI),
        ("pressure/corrected", 59.75),
        ("pressure/working", 60.0),
        ("pressure/floor", 45.0),
        ("pressure/maximum", 80.0),
    ],
)
def test_each_pressure_has_its_own_property(payloads: dict[str, str], name: str, psi: float) -> None:
    assert float(payloads[name]) == pytest.approx(psi, abs=0.01)


def test_the_forecast_has_its_own_bounds(payloads: dict[str, str]) -> None:
    times = {name: text for name, text in payloads.items() if name.startswith("forecast/")}
    assert len(set(times.values())) == len(times)
    assert "06:53" in times["forecast/floor-earliest"]  # 32,000 s after 22:00


def test_topics_are_those_of_real_pots_unless_rehearsed() -> None:
    modules = (homie, homie_description, homie_moments, homie_set)
    said = {
        f"{module.__name__}.{name}": inspect.signature(function).parameters["rehearsed"].default
        for module in modules
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if "rehearsed" in inspect.signature(function).parameters
    }
    assert len(said) > 12
    assert {*said.values()} == {False, inspect.Parameter.empty}
    assert homie_description.descriptions(WORKSHOP, [LANTERN])[WORKSHOP]["name"] == f"Workshop {WORKSHOP}"
