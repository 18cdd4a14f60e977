"""A ratiometric 0.5-4.5 V transducer behind an ADS1115, against its datasheet and hand figures."""

from dataclasses import replace

import pytest

from potvigil.model.pot import Pot, Transducer
from potvigil.model.reading import Quality, Reading, Sample
from potvigil.sensing.conversion import convert
from shut_pot import ATMOSPHERE_PA, PSI, pot

LSB_V = 187.5e-6  # ADS1115 at a full scale of 6.144 V, TI SBAS444
TRANSDUCER = Transducer(volts_per_count=LSB_V, span_pa=100 * PSI)
ASSUMED = pot(transducer=TRANSDUCER)
MEASURED = pot(transducer=replace(TRANSDUCER, supply_volts_per_count=LSB_V))


def read(of: Pot, count: float, supply_count: float | None = None) -> Reading:
    return convert(Sample(0.0, transducer_count=count, supply_count=supply_count), of)


def psi(reading: Reading) -> float:
    assert reading.gauge_pa is not None
    return reading.gauge_pa / PSI


@pytest.mark.parametrize(("volt", "share"), [(0.5, 0.0), (2.5, 0.5), (4.5, 1.0)])
def test_the_ends_and_the_middle_of_the_scale(volt: float, share: float) -> None:
    # 10 % to 90 % of the supply, common practice of ratiometric transducers
    reading = read(ASSUMED, volt / LSB_V)
    assert psi(reading) == pytest.approx(100 * share, abs=1e-9)
    assert reading.quality is Quality.GOOD


def test_codes_of_the_converter() -> None:
    # 4.5 V is code 24000 and 0.5 V is code 2667 at 6.144 V full scale
    assert psi(read(ASSUMED, 24_000)) == pytest.approx(100.0, abs=1e-9)
    assert psi(read(ASSUMED, 2667)) == pytest.approx(0.0, abs=0.0024)


def test_one_count_is_32_pa() -> None:
    one = read(ASSUMED, 10_001).gauge_pa - read(ASSUMED, 10_000).gauge_pa  # type: ignore[operator]
    assert one == pytest.approx(32.3, abs=0.05)
    assert one == pytest.approx(0.0046875 * PSI, rel=1e-9)


def test_a_sagging_supply_reads_low_if_assumed_and_right_if_measured() -> None:
    # 60 of 100 psi at 4.90 V gives 2.842 V; taken for 5.00 V that is 58.55 psi
    signal_v = 4.90 * (0.1 + 0.8 * 0.60)
    assert signal_v == pytest.approx(2.842)
    assert psi(read(ASSUMED, signal_v / LSB_V)) == pytest.approx(58.55, abs=0.005)
    assert psi(read(MEASURED, signal_v / LSB_V, 4.90 / LSB_V)) == pytest.approx(60.0, abs=1e-9)


def test_gauge_to_absolute_of_the_leak_testers_question_bank() -> None:
    # ASNT SNT-TC-1A: 66.0 psig at sea level is 80.7 psia
    reading = convert(Sample(0.0, gauge_pa=66.0 * PSI, ambient_pa=ATMOSPHERE_PA), pot())
    assert reading.absolute_pa is not None
    assert round(reading.absolute_pa / PSI, 1) == 80.7
