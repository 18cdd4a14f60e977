"""The outside pressure by a failing barometer: weather is believed, jumps are not."""

from potvigil.model.reading import Sample
from potvigil.sensing.barometer_checks import Outside


def follow(readings_hpa: list[float | None], step_s: float = 10.0, shut: bool = True) -> list[float | None]:
    outside = Outside()
    outside.correct(Sample(-step_s, ambient_pa=101_300.0), shut=False)
    believed = []
    for i, hpa in enumerate(readings_hpa):
        sample = Sample(step_s * i, ambient_pa=None if hpa is None else hpa * 100.0)
        pa = outside.correct(sample, shut).ambient_pa
        believed.append(None if pa is None else round(pa / 100.0, 3))
    return believed


def test_weather_is_believed() -> None:
    # a deep low: 5 hPa in an hour for ten hours
    falling = [1013.0 - 5.0 * i / 360.0 for i in range(3600)]
    assert follow(falling) == [round(each, 3) for each in falling]


def test_a_barometer_jump_is_ignored_and_later_changes_are_followed() -> None:
    assert follow([1013.0, 913.0, 912.5, 912.0]) == [1013.0, 1013.0, 1012.5, 1012.0]


def test_a_repaired_barometer_is_believed_again() -> None:
    last_hpa = follow([1013.0, 1113.0, 1113.0, 1012.9, 1012.8])[-1]
    assert last_hpa is not None
    assert abs(last_hpa - 1012.8) < 0.2  # how the weather changed during a jump is unknown


def test_a_silent_barometer_keeps_its_last_value() -> None:
    assert follow([1010.0, None, None, 1010.5]) == [1010.0, 1010.0, 1010.0, 1010.5]


def test_an_open_pot_believes_any_barometer_reading() -> None:
    assert follow([1013.0, 913.0, None, 1000.0], shut=False) == [1013.0, 913.0, None, 1000.0]
