"""BMP280 against the worked example of BST-BMP280-DS001, section 3.12."""

import struct

import pytest

from potvigil.drivers.barometers.bmp280 import Bmp280Trimming, compensate, parse_trimming, read_result
from scripted_bus import ScriptedBus, read

# The example's trimming. On the wire: little-endian words from register 0x88.
TRIMMING = Bmp280Trimming(27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
WORDS = [27504, 26435, 64536, 36477, 54851, 3024, 2855, 140, 65529, 15500, 50936, 6000]


def test_example_of_the_datasheet() -> None:
    pressure_pa, celsius = compensate(TRIMMING, 415148, 519888)
    assert celsius == pytest.approx(25.08, abs=0.005)
    assert celsius * 5120 == pytest.approx(128422, abs=0.5)  # t_fine
    # As printed. With t_fine cut to a whole number, as the datasheet's code does, it is 100653.258,
    # and 100653.254 (25767233 in Q24.8, where 25767236 is printed) by the 64-bit integer formula; recomputed.
    assert pressure_pa == pytest.approx(100653.27, abs=0.005)
    assert pressure_pa == pytest.approx(100653.254, abs=0.02)


def test_trimming_words_are_little_endian_and_signed_but_for_t1_and_p1() -> None:
    assert parse_trimming(struct.pack("<12H", *WORDS)) == TRIMMING
    assert parse_trimming(struct.pack(">12H", *WORDS)) != TRIMMING


def test_the_example_is_missed_without_sign_extension() -> None:
    _, celsius = compensate(Bmp280Trimming(*WORDS), 415148, 519888)
    assert abs(celsius - 25.08) > 0.1


def test_result_registers_of_the_example() -> None:
    burst = read(0x76, 0xF7, 6, [0x65, 0x5A, 0xC0, 0x7E, 0xED, 0x00])
    with ScriptedBus(burst) as bus:
        pressure_pa, celsius = read_result(bus, 1, 0x76, TRIMMING)
    assert pressure_pa == pytest.approx(100653.25, abs=0.02)
    assert celsius == pytest.approx(25.08, abs=0.005)
