"""Settings of answers: each is judged by the settings' own rules; what is written reads back as it was."""

from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.drivers.look import I2cDevice, OneWireProbe, Survey
from potvigil.setting_up import suggest
from potvigil.setting_up.draft import fault_of, faults, get, put, read
from potvigil.setting_up.text import scalar, text_of
from potvigil.settings.loading import load_text

ROOT = Path(__file__).parents[2]
SAMPLES = sorted((ROOT / "config").glob("[sw]*.yaml"))
POT = ("pots", "lantern")
SMALLEST = read((ROOT / "config/smallest.yaml").read_text(encoding="utf-8"), "smallest.yaml")


def test_an_answer_is_checked_against_earlier_answers_not_missing_ones() -> None:
    draft = put({}, (*POT, "maximum_pressure"), "80 psi")
    assert fault_of(draft, (*POT, "maximum_pressure")) is None
    assert fault_of(draft, (*POT, "working_pressure")) is None  # not asked yet
    above = put(draft, (*POT, "working_pressure"), "90 psi")
    assert "above maximum_pressure 80 psi" in (fault_of(above, (*POT, "working_pressure")) or "")
    assert "no unit" in (
        fault_of(put(draft, (*POT, "working_pressure"), "60"), (*POT, "working_pressure")) or ""
    )


def test_a_span_below_the_working_pressure_is_an_error_of_the_span() -> None:
    draft = put(put({}, (*POT, "maximum_pressure"), "80 psi"), (*POT, "working_pressure"), "60 psi")
    short = put(draft, (*POT, "transducer", "span"), "50 psi")
    assert "ends below working_pressure 60 psi" in (fault_of(short, (*POT, "transducer", "span")) or "")


def test_two_pots_on_one_input_are_an_error() -> None:
    sample = put(SMALLEST, (*POT, "thermometer"), {"place": "none"})
    both = put(sample, ("pots", "jetty"), get(sample, POT))
    assert faults(both)
    assert not faults(put(both, ("pots", "jetty", "transducer"), {"channel": "2"}))


def test_removing_a_value_leaves_no_empty_key() -> None:
    assert put({"a": "1", "b": "2"}, ("a",), None) == {"b": "2"}
    assert put({"a": {"b": "1", "c": "2"}}, ("a", "b"), None) == {"a": {"c": "2"}}


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.name)
def test_a_settings_file_is_unchanged_by_reading_and_writing(sample) -> None:
    draft = read(sample.read_text(encoding="utf-8"), sample.name)
    written = text_of(draft)
    assert read(written, "written") == draft
    assert load_text(written, str(sample)) == load_text(sample.read_text(encoding="utf-8"), str(sample))


@settings(max_examples=300, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_text_survives_a_round_trip_through_yaml(text) -> None:
    """Against PyYAML's own reader, YAML 1.1."""
    read_back = yaml.compose(f"key: {scalar(text)}\n")
    assert read_back.value[0][1].value == text


@pytest.mark.parametrize("length", range(1, 60))
def test_a_long_value_does_not_run_into_its_comment(length) -> None:
    tree = {"workshop": "h" * length, "pots": {"lantern": {"internal_volume": "9" * length + " L"}}}
    written = text_of(tree)
    assert "#" in written and yaml.load(written, yaml.BaseLoader) == tree


@pytest.mark.parametrize("working", ["60 psi", "4 bar", "400 kPa", "4.1 bar"])
def test_the_suggested_floor_is_three_quarters_and_always_valid(working) -> None:
    draft = put(put({}, (*POT, "maximum_pressure"), working), (*POT, "working_pressure"), working)
    floor = suggest.floor(working)
    assert float(floor.split()[0]) == pytest.approx(0.75 * float(working.split()[0]))
    assert fault_of(put(draft, (*POT, "floor_pressure"), floor), (*POT, "floor_pressure")) is None


CONVERTERS = Survey(
    answers=(I2cDevice(1, 0x48, "ads1115"), I2cDevice(1, 0x49, "ads1115"), I2cDevice(1, 0x77, "bmp390"))
)


@pytest.mark.parametrize("found", [CONVERTERS, Survey(), Survey(answers=CONVERTERS.answers[:1])])
@pytest.mark.parametrize("unit", suggest.UNITS)
def test_suggested_inputs_differ_between_pots(found, unit) -> None:
    sample = put(SMALLEST, (*POT, "thermometer"), {"place": "none"})
    first = suggest.transducer(found, unit, [])
    second = suggest.transducer(found, unit, [first])
    draft = put(put(sample, (*POT, "transducer"), first), ("pots", "jetty"), get(sample, POT))
    assert faults(put(draft, ("pots", "jetty", "transducer"), second)) == ()
    if found is CONVERTERS:
        assert second["address"] == "0x49"


def test_only_a_known_barometer_that_answers_is_suggested() -> None:
    assert suggest.barometer(CONVERTERS) == {"device": "bmp390", "address": "0x77"}
    assert suggest.barometer(Survey(answers=(I2cDevice(1, 0x76, ""),))) == {}


def test_found_probes_become_thermometers_of_the_pot() -> None:
    wall, room = OneWireProbe("28-0417b3d6e1aa", 20.8), OneWireProbe("28-0518c2e7d0bb", None)
    assert suggest.thermometers([]) == {"place": "none"}
    assert suggest.thermometers([(wall, "none")]) == {"place": "none"}
    assert suggest.thermometers([(wall, "wall"), (room, "none")]) == {"place": "wall", "id": wall.rom_id}
    assert suggest.thermometers([(wall, "wall"), (room, "room")])[1] == {"place": "room", "id": room.rom_id}
