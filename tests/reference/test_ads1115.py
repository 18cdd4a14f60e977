"""ADS1115 against Texas Instruments SBAS444."""

import pytest

from potvigil.drivers.converters.ads1115 import config_word, read_mean_count, volts_per_count
from scripted_bus import ScriptedBus, read, write


def no_sleep(_: float) -> None:
    pass


# SBAS444, table of full-scale ranges and LSB sizes
@pytest.mark.parametrize(
    ("full_scale_v", "lsb_uv"),
    [(6.144, 187.5), (4.096, 125.0), (2.048, 62.5), (1.024, 31.25), (0.512, 15.625), (0.256, 7.8125)],
)
def test_one_count_is_the_lsb_of_the_datasheet(full_scale_v: float, lsb_uv: float) -> None:
    assert volts_per_count(full_scale_v) * 1e6 == pytest.approx(lsb_uv, rel=1e-12)


# Words recomputed from the bit layout of SBAS444, config register
@pytest.mark.parametrize(
    ("full_scale_v", "data_rate_sps", "word"),
    [(6.144, 8, 0xC103), (4.096, 128, 0xC383), (2.048, 8, 0xC503)],
)
def test_config_word_of_input_0(full_scale_v: float, data_rate_sps: int, word: int) -> None:
    assert config_word(0, full_scale_v, data_rate_sps) == word


# SBAS444: MUX 4 to 7 are AIN0 to AIN3 against ground; DR 0 to 7
def test_fields_of_the_config_word_are_where_the_datasheet_puts_them() -> None:
    for channel in range(4):
        assert config_word(channel, 2.048) >> 12 & 0b111 == 4 + channel
    for dr, rate in enumerate((8, 16, 32, 64, 128, 250, 475, 860)):
        assert config_word(0, 2.048, rate) >> 5 & 0b111 == dr


# SBAS444, table of output codes: 0x7FFF at full scale and beyond, 0x8000 at minus full scale and beyond.
# 24000 and 2667: 4.5 V and 0.5 V at 187.5 uV a count.
@pytest.mark.parametrize(
    ("high", "low", "count"),
    [
        (0x7F, 0xFF, 32767),
        (0x00, 0x01, 1),
        (0x00, 0x00, 0),
        (0xFF, 0xFF, -1),
        (0x80, 0x00, -32768),
        (0x5D, 0xC0, 24000),
        (0x0A, 0x6B, 2667),
    ],
)
def test_code_is_a_signed_16_bit_number_high_byte_first(high: int, low: int, count: int) -> None:
    config = [0xC1, 0xA3]  # AIN0, 6.144 V, single shot, 250/s, by the layout of SBAS444
    script = [write(0x48, 1, config), read(0x48, 1, 2, config), read(0x48, 0, 2, [high, low])]
    if count == 0:  # as after a reset (SBAS444, conversion register): it makes sure that there was none
        script.append(read(0x48, 1, 2, config))
    with ScriptedBus(*script) as bus:
        assert read_mean_count(bus, 1, 0x48, 0, 6.144, conversions=1, sleep=no_sleep) == count
