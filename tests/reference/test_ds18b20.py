"""DS18B20 against its datasheet, Application Note 27 and genuine answers of the kernel's driver."""

import pytest

from potvigil.drivers.thermometers.ds18b20 import ThermometerError, crc8, parse_w1_slave

# Datasheet rev. 042208, table 1: temperature and data. The CRC is that of the two bytes followed by
# 4B 46 7F FF 0C 10, computed independently.
TABLE = [
    (125.0, 0x07D0, 0xF4),
    (85.0, 0x0550, 0x1C),
    (25.0625, 0x0191, 0x70),
    (10.125, 0x00A2, 0x74),
    (0.5, 0x0008, 0xE2),
    (0.0, 0x0000, 0xC8),
    (-0.5, 0xFFF8, 0xC3),
    (-10.125, 0xFF5E, 0x6A),
    (-25.0625, 0xFE6F, 0xE8),
    (-55.0, 0xFC90, 0x4F),
]


def scratchpad(word: int, byte_6: int = 0x0C) -> bytes:
    return word.to_bytes(2, "little") + bytes((0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10))


def w1_slave(data: bytes, crc: int) -> str:
    shown = data.hex(" ") + f" {crc:02x}"
    return f"{shown} : crc={crc:02x} YES\n{shown} t=99999\n"  # t= must not be used


@pytest.mark.parametrize(("celsius", "word", "crc"), TABLE)
def test_crc_of_each_row_of_the_table(celsius: float, word: int, crc: int) -> None:
    assert crc8(scratchpad(word)) == crc


@pytest.mark.parametrize(("celsius", "word", "crc"), [row for row in TABLE if row[0] != 85.0])
def test_temperature_of_each_row_of_the_table(celsius: float, word: int, crc: int) -> None:
    assert parse_w1_slave(w1_slave(scratchpad(word), crc)) == celsius


def test_the_power_on_row_is_refused_and_a_measured_85_is_not() -> None:
    # Kernel document w1_therm, feature bit 1: 85.00 with 0Ch in byte 6 is the power-on value.
    with pytest.raises(ThermometerError, match="power-on"):
        parse_w1_slave(w1_slave(scratchpad(0x0550), 0x1C))
    measured = scratchpad(0x0550, byte_6=0x10)
    assert parse_w1_slave(w1_slave(measured, crc8(measured))) == 85.0


def test_crc_of_the_rom_in_application_note_27() -> None:
    rom = bytes.fromhex("02 1C B8 01 00 00 00")  # in the order of transmission; printed the other way round
    assert crc8(rom) == 0xA2
    assert crc8(rom + b"\xa2") == 0
    assert crc8(rom[::-1]) != 0xA2


def test_check_value_of_the_crc_catalogue() -> None:
    assert crc8(b"123456789") == 0xA1  # CRC-8/MAXIM, from memory and recomputed


# The first stands on a question-and-answer page for the Raspberry Pi, the second is from memory.
@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        (
            "5e 01 ff ff 7f ff ff ff 52 : crc=52 YES\n5e 01 ff ff 7f ff ff ff 52 t=21875\n",
            21.875,
        ),
        (
            "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n",
            23.125,
        ),
    ],
)
def test_answers_of_the_kernel(text: str, celsius: float) -> None:
    assert parse_w1_slave(text) == celsius


def test_the_hand_typed_line_of_eight_bytes_is_refused() -> None:
    with pytest.raises(ThermometerError, match="8 bytes"):  # from the same page
        parse_w1_slave("8d 01 4d 7f ff 03 10 03 : crc=03 YES\n8d 01 4d 7f ff 03 10 03 t=24812\n")


def test_an_all_zero_answer_passes_the_crc_and_is_refused_all_the_same() -> None:
    assert crc8(bytes(8)) == 0
    with pytest.raises(ThermometerError, match="zero"):
        parse_w1_slave(w1_slave(bytes(8), 0))


def test_an_all_ones_answer_fails_the_crc() -> None:
    assert crc8(b"\xff" * 8) == 0xC9
    with pytest.raises(ThermometerError, match="checksum"):
        parse_w1_slave(w1_slave(b"\xff" * 8, 0xFF))
