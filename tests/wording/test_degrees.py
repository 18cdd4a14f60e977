"""Temperatures as a person reads them: in the unit of the settings, and written in one place."""

import re
from dataclasses import replace
from pathlib import Path

import pytest

import potvigil
from potvigil.model.events import AlarmEvent
from potvigil.model.reading import Place
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_text
from potvigil.units import TEMPERATURE, degrees, degrees_apart
from potvigil.watch.pot_watch import PotWatch
from shut_pot import night, pot

SETTINGS = """
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: {hold: 10 h}
"""
SOURCES = Path(potvigil.__file__).parent


# Fixed points and the conversion F = 1.8 C + 32: NIST SP 811 (2008), B.8.
@pytest.mark.parametrize(
    ("kelvin", "celsius", "fahrenheit"),
    [
        (273.15, "0.0 °C", "32.0 °F"),
        (373.15, "100.0 °C", "212.0 °F"),
        (310.15, "37.0 °C", "98.6 °F"),
        (233.15, "-40.0 °C", "-40.0 °F"),
        (293.15, "20.0 °C", "68.0 °F"),
    ],
)
def test_a_temperature_is_worded_in_either_scale(kelvin: float, celsius: str, fahrenheit: str) -> None:
    assert (degrees(kelvin, "C", 1), degrees(kelvin, "F", 1)) == (celsius, fahrenheit)
    for told in (celsius, fahrenheit):  # and what is told is what is taken
        assert TEMPERATURE.read(told).si == pytest.approx(kelvin)


def test_a_temperature_difference_has_no_offset() -> None:
    assert (degrees_apart(10.0, "C"), degrees_apart(10.0, "F")) == ("10 °C", "18 °F")


def test_nothing_is_ever_minus_zero() -> None:
    assert degrees(273.11, "C") == "0 °C"


@pytest.mark.parametrize(("lines", "unit"), [("", "C"), ("units: {temperature: F}", "F")])
def test_the_settings_choose_the_scale_of_every_pot(lines: str, unit: str) -> None:
    assert load_text(SETTINGS + lines, "test").core_pots()["lantern"].temperature_unit == unit


def test_an_unknown_scale_is_refused_listing_the_known_ones() -> None:
    with pytest.raises(SettingsError) as caught:
        load_text(f"{SETTINGS}units: {{temperature: K}}", "test")
    (fault,) = caught.value.faults
    assert "units.temperature" in str(fault) and "C" in str(fault) and "F" in str(fault)


def test_an_alarm_uses_the_workshops_temperature_unit() -> None:
    of = pot(temperature_unit="F", thermometers=frozenset({Place.GAS}))
    samples = list(night(3.0, step_s=20.0))
    loose = [
        replace(each, gas_c=(each.gas_c or 0.0) + (8.0 if i % 2 else 0.0)) if i > 360 else each
        for i, each in enumerate(samples)
    ]
    watch, told = PotWatch(of), ""
    for sample in loose:
        told += " ".join(each.text for each in watch.feed(sample) if isinstance(each, AlarmEvent))
    assert "it jumps back and forth by more than 5 °F" in told


def test_no_other_code_words_a_temperature() -> None:
    """A figure with degrees after it comes from `degrees`; only facts, as a data sheet's limit, are texts."""
    own = re.compile(r"\{[^{}\"]*:\.\df\} ?°?[CFK]\b|- ZERO_CELSIUS_K:|°C[\"`]")
    found = [
        f"{path.relative_to(SOURCES)}:{number}: {line.strip()}"
        for path in sorted(SOURCES.rglob("*"))
        if path.suffix in (".py", ".js", ".html") and path.name != "units.py"
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if own.search(line)
    ]
    # a chip's own faults, raised below the settings: limits of its data sheet, in the scale of that
    assert [each for each in found if not each.startswith("drivers/thermometers/")] == []
