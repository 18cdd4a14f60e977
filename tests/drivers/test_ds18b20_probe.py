"""The thermometer's file when it is damaged, and the schedule on which it is read."""

from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potvigil.drivers.thermometers.ds18b20 import (
    InlineExecutor,
    Probe,
    ThermometerError,
    crc8,
    find_probes,
    parse_w1_slave,
)

ROM_ID = "28-0316a2794bff"
GOOD = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"


def answer(raw: int, config: int = 0x7F) -> str:
    data = (raw & 0xFFFF).to_bytes(2, "little") + bytes((0x4B, 0x46, config, 0xFF, 0x05, 0x10))
    shown = f"{data.hex(' ')} {crc8(data):02x}"
    return f"{shown} : crc={crc8(data):02x} YES\n{shown} t=0\n"


def put(root: Path, text: str, rom_id: str = ROM_ID) -> None:
    (root / rom_id).mkdir(exist_ok=True)
    (root / rom_id / "w1_slave").write_text(text, encoding="ascii")


class LaterExecutor(Executor):
    """Does nothing until released, like a thread still waiting for the conversion."""

    def __init__(self) -> None:
        self.waiting: list = []

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        future: Future = Future()
        self.waiting.append((future, fn, args))
        return future

    def finish(self) -> None:
        for future, fn, args in self.waiting:
            try:
                future.set_result(fn(*args))
            except Exception as error:
                future.set_exception(error)
        self.waiting.clear()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "empty"),
        ("\n", "empty"),
        (GOOD.replace("YES", "NO"), "checksum"),
        (GOOD.replace("72 01", "73 01", 1), "checksum"),
        (GOOD.replace(" : crc=57 YES", ""), "checksum"),
        ("72 01 4b 46 7f ff 0e 10 zz : crc=57 YES\n", "hexadecimal"),
        ("72 01 4b 46 7f ff 0e 1 57 : crc=57 YES\n", "hexadecimal"),
        ("23125\n", "1 bytes"),
        (GOOD.replace("57 :", "57 57 :", 1), "10 bytes"),
        (answer(0x07FF), "too little power"),
        (answer(126 * 16), "outside"),
        (answer(-56 * 16), "outside"),
    ],
)
def test_damaged_responses_are_refused(text: str, why: str) -> None:
    with pytest.raises(ThermometerError, match=why):
        parse_w1_slave(text)


def test_the_second_line_is_never_used() -> None:
    # Kernel document w1_therm: after a bad read it shows last good bytes beside the temperature of this read.
    first, _, second = GOOD.partition("\n")
    assert parse_w1_slave(f"{first}\n{second.replace('23125', '85000')}") == 23.125
    assert parse_w1_slave(first) == 23.125


@pytest.mark.parametrize(("config", "celsius"), [(0x7F, 23.1875), (0x5F, 23.125), (0x3F, 23.0), (0x1F, 23.0)])
def test_bits_undefined_at_a_coarser_resolution_are_dropped(config: int, celsius: float) -> None:
    assert parse_w1_slave(answer(0x0173, config)) == celsius  # datasheet, table 1 and figure 7


@given(st.integers(-55 * 16, 125 * 16))
def test_every_temperature_in_the_range_is_decoded(raw: int) -> None:
    assert parse_w1_slave(answer(raw)) == raw / 16


@given(st.integers(0, 71), st.integers(-55 * 16, 125 * 16))
def test_any_single_flipped_bit_is_detected(bit: int, raw: int) -> None:
    line, _, rest = answer(raw).partition(" :")
    data = bytearray.fromhex(line)
    data[bit // 8] ^= 1 << bit % 8
    with pytest.raises(ThermometerError):
        parse_w1_slave(f"{data.hex(' ')} :{rest}")


def test_a_probe_is_read_at_once_and_then_every_ten_seconds(tmp_path: Path) -> None:
    put(tmp_path, GOOD)
    probe = Probe(ROM_ID, InlineExecutor(), tmp_path)
    assert probe.latest(1000.0) == (23.125, None)
    put(tmp_path, answer(320))
    assert [probe.latest(1000.0 + s)[0] for s in (1, 9.9, 10, 11)] == [23.125, 23.125, 20.0, 20.0]


def test_a_slow_read_blocks_nothing_and_is_not_started_twice(tmp_path: Path) -> None:
    put(tmp_path, GOOD)
    executor = LaterExecutor()
    probe = Probe(ROM_ID, executor, tmp_path)
    assert probe.latest(0.0) == (None, None)
    assert probe.latest(30.0) == (None, None)
    assert len(executor.waiting) == 1
    executor.finish()
    assert probe.latest(31.0) == (23.125, None)


def test_a_value_is_dated_by_its_read_not_its_arrival(tmp_path: Path) -> None:
    put(tmp_path, GOOD)
    executor = LaterExecutor()
    probe = Probe(ROM_ID, executor, tmp_path)
    probe.latest(0.0)
    executor.finish()
    assert probe.latest(60.0) == (23.125, None)
    assert probe.latest(61.0)[0] is None


def test_a_read_that_never_returns_becomes_a_fault(tmp_path: Path) -> None:
    probe = Probe(ROM_ID, LaterExecutor(), tmp_path)
    assert probe.latest(0.0) == (None, None)
    assert probe.latest(60.0) == (None, None)
    assert probe.latest(61.0) == (None, f"1-Wire thermometer {ROM_ID}: no reading for 1 min")
    assert probe.latest(185.0) == (None, f"1-Wire thermometer {ROM_ID}: no reading for 3 min")


def test_one_bad_read_is_bridged_and_six_are_a_fault_with_the_reason(tmp_path: Path) -> None:
    put(tmp_path, GOOD)
    probe = Probe(ROM_ID, InlineExecutor(), tmp_path)
    probe.latest(0.0)
    put(tmp_path, GOOD.replace("YES", "NO"))
    assert probe.latest(10.0) == (23.125, None)
    assert probe.latest(60.0) == (23.125, None)
    celsius, fault = probe.latest(70.0)
    assert celsius is None
    assert fault is not None and ROM_ID in fault and "checksum" in fault and "no reading for 1 min" in fault
    put(tmp_path, GOOD)
    assert probe.latest(80.0) == (23.125, None)


def test_an_absent_probe_is_named_at_once_and_found_once_plugged_in(tmp_path: Path) -> None:
    probe = Probe(ROM_ID, InlineExecutor(), tmp_path)
    celsius, fault = probe.latest(0.0)
    assert celsius is None
    assert fault is not None and ROM_ID in fault and "w1-gpio" in fault
    put(tmp_path, GOOD)
    assert probe.latest(10.0) == (23.125, None)


def test_an_executor_that_takes_no_more_work_is_a_fault_not_a_crash(tmp_path: Path) -> None:
    executor = ThreadPoolExecutor(1)
    executor.shutdown()
    celsius, fault = Probe(ROM_ID, executor, tmp_path).latest(0.0)
    assert celsius is None
    assert fault is not None and "shutdown" in fault


@pytest.mark.parametrize("rom_id", ["10-0008032d4f6e", "28-XYZ", "../etc", ""])
def test_a_name_that_is_not_a_ds18b20_is_refused(rom_id: str) -> None:
    with pytest.raises(ValueError, match="28-"):
        Probe(rom_id, InlineExecutor())


def test_probes_are_found_by_family(tmp_path: Path) -> None:
    for name in ("28-0316a2794bff", "28-0000000000aa", "10-0008032d4f6e", "w1_bus_master1", "28-odd"):
        (tmp_path / name).mkdir()
    assert find_probes(tmp_path) == ["28-0000000000aa", "28-0316a2794bff"]
    assert find_probes(tmp_path / "absent") == []
