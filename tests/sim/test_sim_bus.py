"""The simulated bus, its chips and the 1-Wire folder: modes, faults, how seldom files are written."""

from pathlib import Path

import pytest

from potvigil.sim.chips import OneWireFolder, SimAds1115, SimBmp280, SimBus

PROBE = "28-0316a4c5f2ff"
START_AIN0 = [0xC1, 0x83]  # AIN0, 6.144 V, single shot, 128 samples/s
START_AIN1 = [0xD1, 0x83]


def test_an_unused_address_is_a_remote_io_error() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    for transfer in (
        lambda: bus.read_i2c_block_data(0x49, 0, 2),
        lambda: bus.write_i2c_block_data(0x49, 1, [0, 0]),
    ):
        with pytest.raises(OSError, match="Remote I/O error") as caught:
            transfer()
        assert caught.value.errno == 121


def test_a_removed_device_answers_again_once_back() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    bus.absent.add(0x48)
    with pytest.raises(OSError, match="Remote"):
        bus.read_i2c_block_data(0x48, 0, 2)
    bus.absent.clear()
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0, 0]


def test_a_held_line_times_out() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    bus.held_low = True
    with pytest.raises(TimeoutError):
        bus.read_i2c_block_data(0x48, 0, 2)


def test_every_third_transfer_can_fail() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    bus.fail_every = 3
    outcomes = []
    for _ in range(9):
        try:
            bus.read_i2c_block_data(0x48, 0, 2)
            outcomes.append(True)
        except OSError:
            outcomes.append(False)
    assert outcomes == [True, True, False] * 3


def test_a_transfer_of_more_than_32_bytes_is_refused_as_smbus_does() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    with pytest.raises(ValueError, match="32"):
        bus.read_i2c_block_data(0x48, 0, 33)
    with pytest.raises(ValueError, match="32"):
        bus.write_i2c_block_data(0x48, 0, [0] * 33)


def test_a_conversion_is_busy_for_one_poll_and_then_done() -> None:
    bus = SimBus({0x48: SimAds1115([lambda: 3.0])})
    bus.write_i2c_block_data(0x48, 1, START_AIN0)
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0, 0]  # still the old result
    assert bus.read_i2c_block_data(0x48, 1, 2) == [0x41, 0x83]  # OS = 0: converting
    assert bus.read_i2c_block_data(0x48, 1, 2) == START_AIN0
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0x3E, 0x80]  # 16000


def test_config_without_the_start_bit_converts_nothing() -> None:
    bus = SimBus({0x48: SimAds1115([lambda: 3.0], busy_polls=0)})
    bus.write_i2c_block_data(0x48, 1, [0x41, 0x83])
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0, 0]


def test_each_channel_has_its_own_input_and_differences_work() -> None:
    bus = SimBus({0x48: SimAds1115([lambda: 3.0, lambda: 4.5], busy_polls=0)})
    codes = []
    for config in (START_AIN0, START_AIN1, [0xE1, 0x83], [0x81, 0x83]):  # AIN0, AIN1, AIN2, AIN0 - AIN1
        bus.write_i2c_block_data(0x48, 1, config)
        codes.append(int.from_bytes(bytes(bus.read_i2c_block_data(0x48, 0, 2)), "big", signed=True))
    assert codes == [16000, 24000, 0, -8000]


def test_continuous_mode_converts_at_every_read() -> None:
    volts = iter([1.5, 3.0])
    bus = SimBus({0x48: SimAds1115([lambda: next(volts)])})
    bus.write_i2c_block_data(0x48, 1, [0x40, 0x83])
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0x1F, 0x40]
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0x3E, 0x80]


def test_conversion_result_cannot_be_written_and_thresholds_can() -> None:
    bus = SimBus({0x48: SimAds1115([])})
    assert bus.read_i2c_block_data(0x48, 2, 2) == [0x80, 0x00]
    bus.write_i2c_block_data(0x48, 0, [0x12, 0x34])
    bus.write_i2c_block_data(0x48, 2, [0x12, 0x34])
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0, 0]
    assert bus.read_i2c_block_data(0x48, 2, 2) == [0x12, 0x34]


def test_a_stuck_converter_repeats_its_last_result() -> None:
    volts = [3.0]
    chip = SimAds1115([lambda: volts[0]], busy_polls=0)
    bus = SimBus({0x48: chip})
    bus.write_i2c_block_data(0x48, 1, START_AIN0)
    chip.stuck = True
    volts[0] = 1.0
    bus.write_i2c_block_data(0x48, 1, START_AIN0)
    assert bus.read_i2c_block_data(0x48, 0, 2) == [0x3E, 0x80]


def test_noise_has_the_requested_rms_and_the_seed_determines_the_counts() -> None:
    def counts(seed: int) -> list[int]:
        bus = SimBus({0x48: SimAds1115([lambda: 3.0], noise_v=[0.0012], seed=seed, busy_polls=0)})
        said = []
        for _ in range(4000):
            bus.write_i2c_block_data(0x48, 1, START_AIN0)
            said.append(int.from_bytes(bytes(bus.read_i2c_block_data(0x48, 0, 2)), "big", signed=True))
        return said

    said = counts(7)
    mean = sum(said) / len(said)
    rms_v = (sum((code - mean) ** 2 for code in said) / len(said)) ** 0.5 * 187.5e-6
    assert rms_v == pytest.approx(0.0012, rel=0.05)
    assert mean == pytest.approx(16000, abs=0.5)
    assert counts(7) == said
    assert counts(8) != said


def bmp280() -> tuple[SimBus, SimBmp280, list[float]]:
    pressure = [100_000.0]
    chip = SimBmp280(lambda: pressure[0], lambda: 20.0, noise_pa=0.0)
    return SimBus({0x76: chip}), chip, pressure


def test_a_sleeping_barometer_has_no_result() -> None:
    bus, _, _ = bmp280()
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) == [0x80, 0, 0, 0x80, 0, 0]


def test_forced_mode_measures_once_per_write_and_sleeps_again() -> None:
    bus, _, pressure = bmp280()
    bus.write_i2c_block_data(0x76, 0xF4, [0x55])
    assert bus.read_i2c_block_data(0x76, 0xF3, 1) == [0x08]
    assert bus.read_i2c_block_data(0x76, 0xF3, 1) == [0x00]
    assert bus.read_i2c_block_data(0x76, 0xF4, 1) == [0x54]
    first = bus.read_i2c_block_data(0x76, 0xF7, 6)
    pressure[0] = 99_000.0
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) == first
    bus.write_i2c_block_data(0x76, 0xF4, [0x55])
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) != first


def test_normal_mode_always_has_a_fresh_result() -> None:
    bus, _, pressure = bmp280()
    bus.write_i2c_block_data(0x76, 0xF5, [0x00, 0xF4, 0x57])  # config, then ctrl_meas in the same write
    first = bus.read_i2c_block_data(0x76, 0xF7, 6)
    pressure[0] = 99_000.0
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) != first


def test_a_disabled_measurement_reads_as_not_measured() -> None:
    bus, _, _ = bmp280()
    bus.write_i2c_block_data(0x76, 0xF4, [0b010_000_01])
    data = bus.read_i2c_block_data(0x76, 0xF7, 6)
    assert data[:3] == [0x80, 0, 0]
    assert data[3:] != [0x80, 0, 0]


def test_a_soft_reset_clears_the_result_and_keeps_the_trimming() -> None:
    bus, _, _ = bmp280()
    trimming = bus.read_i2c_block_data(0x76, 0x88, 24)
    bus.write_i2c_block_data(0x76, 0xF4, [0x55])
    bus.write_i2c_block_data(0x76, 0xE0, [0xB6])
    assert bus.read_i2c_block_data(0x76, 0xF4, 1) == [0]
    assert bus.read_i2c_block_data(0x76, 0xF7, 3) == [0x80, 0, 0]
    assert bus.read_i2c_block_data(0x76, 0x88, 24) == trimming


def test_a_stuck_barometer_repeats_its_last_result() -> None:
    bus, chip, pressure = bmp280()
    bus.write_i2c_block_data(0x76, 0xF4, [0x55])
    first = bus.read_i2c_block_data(0x76, 0xF7, 6)
    chip.stuck = True
    pressure[0] = 99_000.0
    bus.write_i2c_block_data(0x76, 0xF4, [0x55])
    assert bus.read_i2c_block_data(0x76, 0xF7, 6) == first


def said(root: Path) -> str:
    return (root / PROBE / "w1_slave").read_text()


def test_a_probe_file_is_written_only_on_a_change_and_at_most_every_four_seconds(tmp_path: Path) -> None:
    folder = OneWireFolder(tmp_path)
    folder.set_celsius(PROBE, 20.0, 0.0)
    first = said(tmp_path)
    folder.set_celsius(PROBE, 21.0, 3.9)
    assert said(tmp_path) == first
    folder.set_celsius(PROBE, 21.0, 4.0)
    assert said(tmp_path).endswith("t=21000\n")
    file = tmp_path / PROBE / "w1_slave"
    stamp = file.stat().st_mtime_ns, file.stat().st_ino
    folder.set_celsius(PROBE, 21.03, 60.0)  # less than half of a sixteenth
    assert (file.stat().st_mtime_ns, file.stat().st_ino) == stamp


def test_an_absent_probe_has_no_folder_and_comes_back(tmp_path: Path) -> None:
    folder = OneWireFolder(tmp_path)
    folder.set_celsius(PROBE, 20.0, 0.0)
    folder.remove(PROBE)
    assert list(tmp_path.iterdir()) == []
    folder.set_celsius(PROBE, 20.0, 1.0)
    assert said(tmp_path).endswith("t=20000\n")


def test_power_on_value_differs_from_a_measured_85_degrees(tmp_path: Path) -> None:
    folder = OneWireFolder(tmp_path)
    folder.power_on(PROBE)
    reset = said(tmp_path)
    assert reset == "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
    folder.set_celsius(PROBE, 85.0, 0.0)
    assert said(tmp_path).endswith("t=85000\n")
    assert said(tmp_path) != reset


def test_a_damaged_read_keeps_the_last_good_bytes_in_line_two_only(tmp_path: Path) -> None:
    folder = OneWireFolder(tmp_path)
    folder.set_celsius(PROBE, 23.125, 0.0)
    folder.bad_crc(PROBE)
    assert said(tmp_path) == ("ff ff ff ff ff ff ff ff ff : crc=c9 NO\n72 01 4b 46 7f ff 0e 10 57 t=-62\n")


def test_an_empty_file_is_empty(tmp_path: Path) -> None:
    folder = OneWireFolder(tmp_path)
    folder.empty(PROBE)
    assert said(tmp_path) == ""
