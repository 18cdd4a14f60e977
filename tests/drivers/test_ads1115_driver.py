"""The converter's driver on the wire, and what it does about bad answers."""

import pytest

from potvigil.drivers.buses.i2c import BusError, BusTimeoutError
from potvigil.drivers.converters.ads1115 import config_word, read_mean_count
from scripted_bus import ScriptedBus, read, write

# By the layout of SBAS444: OS 1, MUX 111 (AIN3), PGA 000 (6.144 V), MODE 1; DR 101 (250/s), QUE 11
CONFIG = [0b1_111_000_1, 0b101_000_11]
BUSY = [0b0_111_000_1, 0b101_000_11]
NO_ANSWER = OSError(121, "Remote I/O error")


class Sleeps(list):
    def __call__(self, seconds: float) -> None:
        self.append(seconds)


def measure(bus: ScriptedBus, conversions: int = 1, sleep: Sleeps | None = None) -> float:
    return read_mean_count(bus, 1, 0x49, 3, 6.144, conversions, Sleeps() if sleep is None else sleep)


def conversion(code: int) -> list[tuple]:
    return [
        write(0x49, 1, list(CONFIG)),
        read(0x49, 1, 2, list(CONFIG)),
        read(0x49, 0, 2, [code >> 8, code & 0xFF]),
    ]


def test_four_conversions_are_averaged_with_three_exchanges_each() -> None:
    script = [step for code in (100, 101, 102, 104) for step in conversion(code)]
    with ScriptedBus(*script) as bus:
        assert measure(bus, conversions=4) == 101.75


def test_it_waits_a_tenth_beyond_the_nominal_conversion_and_polls_while_busy() -> None:
    busy = read(0x49, 1, 2, list(BUSY))
    start, ready, result = conversion(7)
    sleep = Sleeps()
    with ScriptedBus(start, busy, busy, ready, result) as bus:
        assert measure(bus, sleep=sleep) == 7
    assert sleep[0] == pytest.approx(1.1 / 250)  # SBAS444: the clock may be 10 % off
    assert len(sleep) == 3


def test_a_reset_between_config_and_result_is_not_read_as_zero() -> None:
    start, ready, _ = conversion(0)
    cleared = [read(0x49, 0, 2, [0, 0]), read(0x49, 1, 2, [0x85, 0x83])]  # SBAS444: config after power-up
    with ScriptedBus(start, ready, *cleared, *conversion(7)) as bus:
        assert measure(bus) == 7


def test_two_disturbed_transfers_are_survived() -> None:
    start, ready, result = conversion(7)
    script = [
        write(0x49, 1, list(CONFIG), NO_ANSWER),
        start,
        ready,
        read(0x49, 0, 2, NO_ANSWER),
        start,
        ready,
        result,
    ]
    with ScriptedBus(*script) as bus:
        assert measure(bus) == 7


@pytest.mark.parametrize("register", [0, 1])
def test_the_third_failure_names_bus_address_and_register(register: int) -> None:
    start, ready, _ = conversion(7)
    failing = {0: [start, ready, read(0x49, 0, 2, NO_ANSWER)], 1: [write(0x49, 1, list(CONFIG), NO_ANSWER)]}
    with ScriptedBus(*failing[register] * 3) as bus, pytest.raises(BusError) as caught:
        measure(bus)
    said = str(caught.value)
    assert f"I2C bus 1, address 0x49, register 0x{register:02X}" in said
    assert "Remote I/O error" in said
    assert "\n" not in said


def test_a_timed_out_bus_is_not_retried_since_each_try_costs_a_second() -> None:
    script = write(0x49, 1, list(CONFIG), TimeoutError(110, "Connection timed out"))
    with ScriptedBus(script) as bus, pytest.raises(BusTimeoutError, match="0x49"):
        measure(bus)


def test_a_conversion_that_never_ends_is_abandoned() -> None:
    start = write(0x49, 1, list(CONFIG))
    busy = read(0x49, 1, 2, list(BUSY))
    sleep = Sleeps()
    with ScriptedBus(*([start] + [busy] * 10) * 3) as bus, pytest.raises(BusError, match="did not end"):
        measure(bus, sleep=sleep)
    assert sum(sleep) < 0.1


def test_the_cleared_result_of_a_reset_chip_is_not_read_as_zero_volts() -> None:
    # From memory of SBAS444: after a reset the config register reads 8583h.
    start = write(0x49, 1, list(CONFIG))
    reset = read(0x49, 1, 2, [0x85, 0x83])
    with ScriptedBus(*[start, reset] * 3) as bus, pytest.raises(BusError, match="0x8583"):
        measure(bus)


def test_a_short_response_is_an_error_not_a_reading() -> None:
    start, ready, _ = conversion(7)
    with (
        ScriptedBus(*[start, ready, read(0x49, 0, 2, [5])] * 3) as bus,
        pytest.raises(BusError, match="bytes"),
    ):
        measure(bus)


@pytest.mark.parametrize(
    ("channel", "full_scale_v", "rate"), [(4, 6.144, 250), (-1, 6.144, 250), (0, 5.0, 250), (0, 6.144, 100)]
)
def test_options_the_chip_lacks_are_refused(channel: int, full_scale_v: float, rate: int) -> None:
    with pytest.raises(ValueError, match="the ADS1115 has"):
        config_word(channel, full_scale_v, rate)
