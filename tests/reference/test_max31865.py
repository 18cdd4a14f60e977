"""The MAX31865 against its data sheet, Maxim 19-6478 rev. 3: tables 5 (page 14) and 9 (page 19)."""

import pytest

from potvigil.drivers.thermometers.max31865 import Max31865, read_celsius
from scripted_spi import ScriptedPins

# Table 9: Pt100 with 400 ohm. Temperature, resistance, the two data bytes.
TABLE_9 = [
    (-200, 18.52, 0x0BDA), (-100, 60.26, 0x2690), (-50, 80.31, 0x3366), (-20, 92.16, 0x3AFC),
    (-10, 96.09, 0x3D7E), (0, 100.00, 0x4000), (10, 103.90, 0x4280), (20, 107.79, 0x44FC),
    (30, 111.67, 0x4778), (40, 115.54, 0x49F2), (50, 119.40, 0x4C6A), (60, 123.24, 0x4EE0),
    (100, 138.51, 0x58A4), (200, 175.86, 0x708C), (250, 194.10, 0x7C3A), (550, 297.49, 0xBE64),
]  # fmt: skip
# Table 5: ratio to the reference, and the two bytes
TABLE_5 = [(0.025, 0x0666), (0.125, 0x2000), (0.25, 0x4000), (0.5, 0x8000), (0.75, 0xC000)]


def answering(word: int) -> ScriptedPins:
    registers = [0x81, word >> 8, word & 0xFF, 0xFF, 0xFF, 0, 0, 0]
    return ScriptedPins((1, [0x00, *[0] * 8], [0xEE, *registers]), (1, [0x80, 0x01], [0, 0]))


@pytest.mark.parametrize(("t", "ohm", "word"), TABLE_9)
def test_rows_of_table_9(t: float, ohm: float, word: int) -> None:
    with answering(word) as pins:
        # a code is 0.0122 ohm, and the printed resistance is rounded to 0.01
        assert Max31865(1, 2, pins).read_ohm(400.0) == pytest.approx(ohm, abs=0.018)
    with answering(word) as pins:
        assert read_celsius(Max31865(1, 2, pins), 400.0, 100.0) == pytest.approx(t, abs=0.05)


@pytest.mark.parametrize(("ratio", "word"), TABLE_5)
def test_rows_of_table_5(ratio: float, word: int) -> None:
    with answering(word) as pins:
        assert Max31865(1, 2, pins).read_ohm(4300.0) == pytest.approx(ratio * 4300.0, abs=4300.0 / 32768)
