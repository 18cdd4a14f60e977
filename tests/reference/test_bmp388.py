"""BMP388 and BMP390. The data sheet has no worked example, so two formulations of it are held together.

One is a reading of a real chip with its result, from the tests of the open-source library bmp3xx for Elixir;
the other the integer formulation of Bosch Sensortec's own published driver, written down from memory.
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.drivers.barometers.bmp388 import compensate, parse_trimming, read_result
from scripted_bus import ScriptedBus, read

TRIMMING = bytes.fromhex("236B5849F65CFFCEF42300EA636E79F3F6AA4312C4")
WORDS = (27427, 18776, -10, -164, -2866, 35, 0, 25578, 31086, -13, -10, 17322, 18, -60)
RESULT = bytes.fromhex("979F6D73D885")  # pressure and temperature, low byte first
PRESSURE_PA, CELSIUS = 100_876.00634692199, 30.499314453874284


def test_a_real_chips_reading() -> None:
    counts = int.from_bytes(RESULT[:3], "little"), int.from_bytes(RESULT[3:], "little")
    pressure_pa, celsius = compensate(parse_trimming(TRIMMING), *counts)
    assert pressure_pa == pytest.approx(PRESSURE_PA, abs=1e-4)
    assert celsius == pytest.approx(CELSIUS, abs=1e-6)


def test_result_registers_of_that_reading() -> None:
    with ScriptedBus(read(0x77, 0x03, 7, [0x70, *RESULT])) as bus:
        assert read_result(bus, 1, 0x77, parse_trimming(TRIMMING))[0] == pytest.approx(PRESSURE_PA, abs=1e-4)


def whole(value: int, by: int) -> int:
    """Divide as C does, towards zero."""
    quotient = abs(value) // abs(by)
    return quotient if (value >= 0) == (by >= 0) else -quotient


def in_integers(up: int, ut: int) -> tuple[float, float]:
    """Pa and C, to hundredths, as the driver's 64-bit integers have them."""
    t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9, p10, p11 = WORDS
    above = ut - 256 * t1
    t_lin = whole(t2 * above * 262144 + above * above * t3, 4294967296)
    celsius = whole(t_lin * 25, 16384) / 100.0
    square = t_lin * t_lin
    cube_part = whole(whole(square, 64) * t_lin, 256)
    offset = p5 * 140737488355328 + whole(p8 * cube_part, 32) + p7 * square * 16 + p6 * t_lin * 4194304
    sensitivity = (
        (p1 - 16384) * 70368744177664 + p4 * cube_part + p3 * square * 4 + (p2 - 16384) * t_lin * 2097152
    )
    linear = whole(sensitivity, 16777216) * up
    bend = whole(up * whole((p10 * t_lin + 65536 * p9) * up, 8192), 512)
    cubic = whole(p11 * whole(up * up, 65536) * up, 128)  # p11 u^3 / 2^23
    pressure = whole(offset, 4) + linear + bend + cubic
    return whole(pressure * 25, 1099511627776) / 100.0, celsius


@settings(max_examples=200, deadline=None, derandomize=True)
@given(up=st.integers(5_500_000, 8_500_000), ut=st.integers(7_900_000, 9_000_000))
def test_floating_point_matches_the_integer_code(up: int, ut: int) -> None:
    pressure_pa, celsius = compensate(parse_trimming(TRIMMING), up, ut)
    whole_pa, whole_c = in_integers(up, ut)
    assert celsius == pytest.approx(whole_c, abs=0.011)
    assert pressure_pa == pytest.approx(whole_pa, abs=0.05)


def test_words_are_signed_and_little_endian() -> None:
    of = parse_trimming(TRIMMING)
    # PAR_T1 = word / 2^-8, PAR_P1 = (word - 2^14) / 2^20, PAR_P11 = word / 2^65 (section 9.1)
    assert (of.t1, of.p1, of.p11) == (27427 * 256.0, (-164 - 16384) / 2.0**20, -60 / 2.0**65)
    assert parse_trimming(TRIMMING[::-1]) != of
