"""What each signal means, against NAMUR NE 43 and the figures of the converters that read it."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.model.pot import Transducer
from potvigil.model.reading import Quality, Reading, Sample
from potvigil.model.signal import FIVE_VOLT, LIVE_ZERO, LOOP, RATIOMETRIC, SIGNALS, TEN_VOLT
from potvigil.sensing.conversion import convert
from shut_pot import PSI, pot

# TI SBAS444: 62.5 uV a count at 2.048 V, 125 uV at 4.096 V. Over 100 ohm that is 0.625 and 1.25 uA.
OVER_100_OHM = Transducer(volts_per_count=125e-6, span_pa=100 * PSI, signal=LOOP, shunt_ohm=100.0)


def at_ma(current_ma: float) -> Reading:
    count = current_ma * 1e-3 * 100.0 / 125e-6
    return convert(Sample(0.0, transducer_count=count), pot(transducer=OVER_100_OHM))


# NE 43 (limits as quoted on public pages): failure up to 3.6 and from 21 mA, 3.8 to 20.5 mA a measurement
@pytest.mark.parametrize(
    ("current_ma", "quality"),
    [
        (0.0, Quality.BAD),
        (3.59, Quality.BAD),
        (3.61, Quality.SUSPECT),
        (3.79, Quality.SUSPECT),
        (3.81, Quality.GOOD),
        (4.0, Quality.GOOD),
        (20.0, Quality.GOOD),
        (20.49, Quality.GOOD),
        (20.51, Quality.SUSPECT),
        (20.99, Quality.SUSPECT),
        (21.01, Quality.BAD),
        (22.0, Quality.BAD),
    ],
)
def test_bands_of_ne_43(current_ma: float, quality: Quality) -> None:
    reading = at_ma(current_ma)
    assert reading.quality is quality
    assert (reading.gauge_pa is None) is (quality is Quality.BAD)
    if quality is not Quality.GOOD:
        assert f"{current_ma:.2f} mA" in str(reading.fault)


def test_failures_and_the_bands_between_are_distinguished() -> None:
    assert "open or has no supply" in str(at_ma(3.5).fault)
    assert "shorted" in str(at_ma(21.5).fault)
    assert at_ma(3.7).fault == at_ma(3.7).fault
    assert "neither a pressure nor a failure" in str(at_ma(3.7).fault)
    assert "neither a pressure nor a failure" in str(at_ma(20.7).fault)


# At 4.096 V over 100 ohm 4 mA = 0.4 V = code 3200, 20 mA = 2.0 V = code 16000; twice that at 2.048 V
@pytest.mark.parametrize(("code", "share"), [(3200, 0.0), (9600, 0.5), (16000, 1.0)])
def test_codes_of_the_loop(code: int, share: float) -> None:
    reading = convert(Sample(0.0, transducer_count=code), pot(transducer=OVER_100_OHM))
    assert reading.gauge_pa == pytest.approx(share * 100 * PSI, abs=1e-6)
    narrow = replace(OVER_100_OHM, volts_per_count=62.5e-6)
    again = convert(Sample(0.0, transducer_count=2 * code), pot(transducer=narrow))
    assert again.gauge_pa == pytest.approx(share * 100 * PSI, abs=1e-6)


def test_the_narrow_range_would_hide_a_failure() -> None:
    # 0x7FFF at 2.048 V over 100 ohm is 20.48 mA: still a measurement. So the settings refuse that range.
    narrow = pot(transducer=replace(OVER_100_OHM, volts_per_count=62.5e-6))
    assert convert(Sample(0.0, transducer_count=0x7FFF), narrow).quality is Quality.GOOD


def test_a_live_zero_of_volts_is_the_loop_over_250_ohm() -> None:
    for of_ma, of_v in zip(
        (*LOOP.failed, *LOOP.trusted), (*LIVE_ZERO.failed, *LIVE_ZERO.trusted), strict=True
    ):
        assert of_v == pytest.approx(of_ma * 1e-3 * 250.0)


@pytest.mark.parametrize(
    ("signal", "volt", "share"),
    [
        (FIVE_VOLT, 0.0, 0.0),
        (FIVE_VOLT, 2.5, 0.5),
        (LIVE_ZERO, 1.0, 0.0),
        (LIVE_ZERO, 4.0, 0.75),
        (TEN_VOLT, 10.0, 1.0),
    ],
)
def test_points_of_the_scales(signal: object, volt: float, share: float) -> None:
    of = Transducer(volts_per_count=187.5e-6, span_pa=100 * PSI, signal=signal)  # type: ignore[arg-type]
    reading = convert(Sample(0.0, transducer_count=volt / 187.5e-6), pot(transducer=of))
    assert reading.gauge_pa == pytest.approx(share * 100 * PSI, abs=1e-6)
    assert reading.quality is Quality.GOOD


def test_a_signal_without_a_live_zero_cannot_tell_a_broken_wire() -> None:
    of = Transducer(volts_per_count=187.5e-6, span_pa=100 * PSI, signal=FIVE_VOLT)
    assert convert(Sample(0.0, transducer_count=0.0), pot(transducer=of)).quality is Quality.GOOD
    assert convert(Sample(0.0, transducer_count=-0.4 / 187.5e-6), pot(transducer=of)).quality is Quality.BAD


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    name=st.sampled_from(sorted(SIGNALS)),
    share=st.floats(0.0, 1.0),
    span_psi=st.floats(15.0, 300.0),
    divider=st.floats(0.1, 1.0),
    shunt_ohm=st.floats(50.0, 250.0),
)
def test_a_pressure_survives_a_round_trip_through_the_signal(
    name: str, share: float, span_psi: float, divider: float, shunt_ohm: float
) -> None:
    volts = {
        "0.5-4.5 V": 0.5 + 4.0 * share,
        "0-5 V": 5.0 * share,
        "1-5 V": 1.0 + 4.0 * share,
        "0-10 V": 10.0 * share,
        "4-20 mA": (4.0 + 16.0 * share) * 1e-3 * shunt_ohm,
    }[name]
    per_count = 187.5e-6 / divider
    of = Transducer(per_count, span_psi * PSI, signal=SIGNALS[name], shunt_ohm=shunt_ohm)
    reading = convert(Sample(0.0, transducer_count=volts / per_count), pot(transducer=of))
    assert reading.gauge_pa == pytest.approx(share * span_psi * PSI, abs=1e-3)
    step_pa = convert(Sample(0.0, transducer_count=volts / per_count + 1.0), pot(transducer=of)).gauge_pa
    if step_pa is not None and reading.gauge_pa is not None:
        assert step_pa - reading.gauge_pa == pytest.approx(of.pa_per_count, rel=1e-6)


def test_only_a_ratiometric_signal_depends_on_its_supply() -> None:
    sagged = Sample(0.0, transducer_count=2.45 / 187.5e-6, supply_count=4.9 / 187.5e-6)
    of = Transducer(187.5e-6, 100 * PSI, supply_volts_per_count=187.5e-6, signal=RATIOMETRIC)
    assert convert(sagged, pot(transducer=of)).gauge_pa == pytest.approx(50 * PSI)
    plain = replace(of, signal=FIVE_VOLT, supply_volts_per_count=None)
    assert convert(sagged, pot(transducer=plain)).gauge_pa == pytest.approx(49 * PSI)
