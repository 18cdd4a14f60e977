"""The named nights match their titles, and the World shows them truthfully on the wires."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest

from potvigil.clock import ManualClock
from potvigil.model.events import AlarmId, Verdict
from potvigil.settings.loading import load_text
from potvigil.sim.gas_laws import Leak
from potvigil.sim.nights import CONTENTS_PROBE, GAS_PROBE, NIGHTS, ROOM_PROBE, WALL_PROBE, truth
from potvigil.sim.pot_parts import CureHeat
from potvigil.sim.weather import weather_nights
from potvigil.sim.world import WALL_PROBE_ID, FaultKind, Night, SensorFault, World
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

WEATHER_FILE = Path(__file__).parents[3] / "shared/data/house_and_outdoor_weather_138d.csv"
FLOOR_PSI, WORKING_PSI, MAXIMUM_PSI = 45.0, 60.0, 80.0
CURE_DONE_S = 200.0 + 10 * SECONDS_PER_HOUR
EVERY_NIGHT = pytest.mark.parametrize("night", NIGHTS.values(), ids=NIGHTS.keys())


def play(night: Night, folder: Path, stride_s: float = 20.0) -> list[tuple[float, float]]:
    """Return (seconds, true gauge psi) through the night."""
    world = World(night, folder)
    curve = []
    for i in range(1, int(night.duration_s / stride_s) + 1):
        world.advance(i * stride_s)
        curve.append((world.pot.t_s, world.pot.gauge_pa / PA_PER_PSI))
    return curve


def below_floor_s(curve: list[tuple[float, float]]) -> float | None:
    return next((t_s for t_s, psi in curve if t_s > 300.0 and psi < FLOOR_PSI), None)


def volts(world: World, channel: int = 0, conversions: int = 1) -> float:
    """Read the converter as a driver would, at 6.144 V."""
    total = 0
    for _ in range(conversions):
        world.bus.write_i2c_block_data(0x48, 1, [0xC1 | channel << 4, 0xA3])
        assert world.bus.read_i2c_block_data(0x48, 1, 1)[0] & 0x80
        total += int.from_bytes(bytes(world.bus.read_i2c_block_data(0x48, 0, 2)), "big", signed=True)
    return total / conversions * 6.144 / 32768


def shown_psi(world: World, conversions: int = 1) -> float:
    """Return the reading of a ratiometric 0.5-4.5 V transducer of 100 psi, by its data sheet."""
    return (volts(world, 0, conversions) / volts(world, 1, conversions) - 0.1) / 0.8 * 100.0


def probe_c(world: World, probe_id: str) -> float:
    text = (world.one_wire_root / probe_id / "w1_slave").read_text()
    return int(text.rpartition("t=")[2]) / 1000.0


@EVERY_NIGHT
def test_the_settings_of_a_night_load_and_match_its_world(night: Night) -> None:
    settings = load_text(night.settings_yaml, "night.yaml")
    pot = settings.core_pots()["lantern"]
    assert settings.workshop == "harbour-models"
    assert pot.gas_volume_m3[0] == pytest.approx(night.parameters.gas_volume_m3)
    assert {place.value for place in pot.thermometers} == {probe.place for probe in night.probes}
    assert pot.has_barometer


@EVERY_NIGHT
def test_a_nights_truth_names_existing_alarms_and_verdicts(night: Night) -> None:
    known = {alarm.value for alarm in AlarmId}
    assert night.truth.alarms <= known
    assert night.truth.never_alarms <= known
    assert not night.truth.alarms & night.truth.never_alarms
    assert night.truth.verdict in {verdict.value for verdict in Verdict}
    assert night.title and "\n" not in night.title
    assert (night.truth.leak_onset_s is None) == (not night.leaks)


@EVERY_NIGHT
def test_a_night_passes_the_floor_before_the_cure_only_if_its_truth_says_so(
    night: Night, tmp_path: Path
) -> None:
    curve = play(night, tmp_path)
    crossing_s = below_floor_s(curve)
    passes = crossing_s is not None and crossing_s < min(CURE_DONE_S, night.actions[-1].at_s)
    assert passes == (night.truth.verdict == "fell-below-floor")
    assert (max(psi for _, psi in curve) > MAXIMUM_PSI) == ("over-pressure" in night.truth.alarms)
    assert abs(curve[-1][1]) < 0.01  # open in the end


@pytest.mark.parametrize("name", ["slow-lid-leak", "two-in-the-morning", "small-leak", "lost-before-gel"])
def test_a_leak_has_the_rate_that_the_truth_names(name: str, tmp_path: Path) -> None:
    night = NIGHTS[name]
    world = World(night, tmp_path)
    onset_s = night.truth.leak_onset_s
    assert onset_s is not None
    world.advance(max(onset_s, 190.0) + 2.0)  # when it opens, or when a pot that leaks from the start is full
    assert world.pot.leak_pa_per_s == pytest.approx(night.truth.leak_rate_pa_per_s, rel=0.02)


def test_the_two_in_the_morning_leak_starts_at_two_in_the_morning() -> None:
    night = NIGHTS["two-in-the-morning"]
    assert night.truth.leak_onset_s is not None
    hour_of_day = (night.start_utc_s + night.truth.leak_onset_s) % 86400.0 / 3600.0
    assert 2.0 <= hour_of_day < 2.25


def test_lost_before_gel_passes_the_floor_while_the_resin_is_liquid(tmp_path: Path) -> None:
    crossing_s = below_floor_s(play(NIGHTS["lost-before-gel"], tmp_path))
    assert crossing_s is not None
    assert crossing_s < 2 * SECONDS_PER_HOUR


def test_a_sound_night_stays_well_above_the_floor_and_loses_no_air(tmp_path: Path) -> None:
    world = World(NIGHTS["cold-workshop"], tmp_path)
    world.advance(CURE_DONE_S)
    assert world.pot.leaked_mol == 0.0
    assert 50.0 < world.pot.gauge_pa / PA_PER_PSI < 56.5


def test_the_transducer_shows_the_gauge_pressure_with_zero_error_drift_and_noise(tmp_path: Path) -> None:
    world = World(NIGHTS["sound"], tmp_path, seed=3)
    world.advance(3600.0)
    true_psi = world.pot.gauge_pa / PA_PER_PSI
    expected = true_psi + 0.1 + 0.015 * (world.pot.wall_k - 293.15)
    assert shown_psi(world, 400) == pytest.approx(expected, abs=0.008)
    said = [shown_psi(world) for _ in range(1500)]
    mean = sum(said) / len(said)
    rms = math.sqrt(sum((psi - mean) ** 2 for psi in said) / len(said))
    assert rms == pytest.approx(0.03, rel=0.1)


def test_probes_show_their_places_with_lag_and_offset(tmp_path: Path) -> None:
    night = replace(
        NIGHTS["cold-workshop"],
        probes=(GAS_PROBE, WALL_PROBE, ROOM_PROBE, CONTENTS_PROBE),
        cure=CureHeat(3600.0, 1800.0, 40e3),
    )
    world = World(night, tmp_path)
    for t_s in range(1, 140):
        world.advance(float(t_s))
    assert probe_c(world, GAS_PROBE.probe_id) < world.pot.gas_k - 273.15 - 3.0  # it lags behind the fast fill
    for t_s in range(140, 7200):
        world.advance(float(t_s))
    pot = world.pot
    assert pot.contents_k > pot.gas_k + 1.0  # the resin heats itself
    for probe, true_k in ((GAS_PROBE, pot.gas_k), (ROOM_PROBE, pot.room_k), (CONTENTS_PROBE, pot.contents_k)):
        assert probe_c(world, probe.probe_id) == pytest.approx(true_k - 273.15 + probe.offset_k, abs=0.12)
    assert probe_c(world, WALL_PROBE_ID) == pytest.approx(world.pot.wall_k - 273.15 - 0.2, abs=0.25)


def test_the_seed_determines_the_night(tmp_path: Path) -> None:
    def counts(seed: int, folder: str) -> list[float]:
        world = World(NIGHTS["sound"], tmp_path / folder, seed)
        said = []
        for t_s in range(1, 300):
            world.advance(float(t_s))
            said.append(volts(world))
        return said

    assert counts(5, "a") == counts(5, "b")
    assert counts(5, "c") != counts(6, "d")


def test_a_manual_clock_moves_the_world(tmp_path: Path) -> None:
    world = World(NIGHTS["sound"], tmp_path, origin_s=1000.0)
    clock = ManualClock(boot_s=1000.0, on_advance=world.advance)
    clock.sleep_until(1500.0)
    assert world.pot.t_s == 500.0


def test_only_bus_one_exists(tmp_path: Path) -> None:
    world = World(NIGHTS["sound"], tmp_path)
    assert world.open_bus(1) is world.bus
    with pytest.raises(FileNotFoundError):
        world.open_bus(3)


def test_an_unplugged_transducer_floats_near_zero_and_comes_back(tmp_path: Path) -> None:
    world = World(NIGHTS["transducer-unplugged"], tmp_path)
    world.advance(3 * SECONDS_PER_HOUR - 1.0)
    assert volts(world) > 2.5
    world.advance(3 * SECONDS_PER_HOUR)
    assert abs(volts(world)) < 0.02
    assert volts(world, 1) == pytest.approx(5.0, abs=0.01)
    world.advance(8 * SECONDS_PER_HOUR)
    assert volts(world) > 2.5


def test_a_lost_thermometer_does_not_affect_bus_or_pot(tmp_path: Path) -> None:
    world = World(NIGHTS["thermometer-lost"], tmp_path)
    world.advance(2 * SECONDS_PER_HOUR - 1.0)
    assert (world.one_wire_root / WALL_PROBE_ID / "w1_slave").exists()
    world.advance(2 * SECONDS_PER_HOUR + 60.0)
    assert not (world.one_wire_root / WALL_PROBE_ID).exists()
    assert volts(world) > 2.5


def scripted(tmp_path: Path, kind: FaultKind) -> World:
    """A sound night at 600 s with a fault from 500 s to 700 s."""
    world = World(NIGHTS["sound"], tmp_path)
    world.script(SensorFault(kind, 500.0, 700.0, WALL_PROBE_ID))
    world.advance(490.0)
    world.advance(600.0)
    return world


@pytest.mark.parametrize("kind", [FaultKind.CONVERTER_ABSENT, FaultKind.BUS_HELD_LOW])
def test_a_dead_converter_or_bus_gives_an_os_error_and_comes_back(tmp_path: Path, kind: FaultKind) -> None:
    world = scripted(tmp_path, kind)
    with pytest.raises(OSError):
        volts(world)
    world.advance(700.0)
    assert volts(world) > 2.5


def test_a_dead_barometer_does_not_affect_the_converter(tmp_path: Path) -> None:
    world = scripted(tmp_path, FaultKind.BAROMETER_ABSENT)
    with pytest.raises(OSError):
        world.bus.read_i2c_block_data(0x76, 0xD0, 1)
    assert volts(world) > 2.5


def test_a_flaky_bus_fails_intermittently(tmp_path: Path) -> None:
    world = scripted(tmp_path, FaultKind.BUS_FLAKY)
    failures = 0
    for _ in range(70):
        try:
            world.bus.read_i2c_block_data(0x48, 1, 2)
        except OSError:
            failures += 1
    assert failures == 10


def test_a_sagging_supply_takes_a_ratiometric_signal_with_it(tmp_path: Path) -> None:
    world = scripted(tmp_path, FaultKind.SUPPLY_SAG)
    assert volts(world, 1) == pytest.approx(4.6, abs=0.001)
    assert shown_psi(world, 100) == pytest.approx(world.pot.gauge_pa / PA_PER_PSI + 0.1, abs=0.06)


def test_a_blocked_port_shows_the_pressure_of_the_moment_it_was_blocked(tmp_path: Path) -> None:
    world = World(NIGHTS["lost-before-gel"], tmp_path)
    world.script(SensorFault(FaultKind.PORT_BLOCKED, 3000.0))
    world.advance(3000.0)
    blocked = world.pot.gauge_pa / PA_PER_PSI
    world.advance(7200.0)
    assert shown_psi(world, 100) == pytest.approx(blocked + 0.1, abs=0.05)
    assert world.pot.gauge_pa / PA_PER_PSI < blocked - 10.0


def test_a_stuck_converter_repeats_one_count_forever(tmp_path: Path) -> None:
    world = scripted(tmp_path, FaultKind.CONVERTER_STUCK)
    assert len({volts(world) for _ in range(20)}) == 1


@pytest.mark.parametrize(
    ("kind", "shown"),
    [
        (FaultKind.PROBE_POWER_ON, "t=85000\n"),
        (FaultKind.PROBE_BAD_CRC, "NO\n"),
        (FaultKind.PROBE_EMPTY, None),
    ],
)
def test_a_disturbed_probe_gives_what_the_kernel_would(
    tmp_path: Path, kind: FaultKind, shown: str | None
) -> None:
    world = scripted(tmp_path, kind)
    text = (world.one_wire_root / WALL_PROBE_ID / "w1_slave").read_text()
    assert text == "" if shown is None else shown in text
    world.advance(700.0)
    assert probe_c(world, WALL_PROBE_ID) == pytest.approx(world.pot.wall_k - 273.15 - 0.2, abs=0.3)


def test_the_barometer_follows_the_weather(tmp_path: Path) -> None:
    world = World(NIGHTS["sound"], tmp_path)

    def result() -> list[int]:
        world.bus.write_i2c_block_data(0x76, 0xF4, [0x55])
        return world.bus.read_i2c_block_data(0x76, 0xF7, 3)

    evening = result()
    world.advance(8 * SECONDS_PER_HOUR)
    assert result() > evening  # fewer pascals, more counts: 310 Pa less by then


def write_weather(path: Path, hours: int, gap_after: int | None = None) -> None:
    """Write weather: ten kelvin between day and night, room at 18 C, barometer falling 1 hPa an hour."""
    with path.open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(("time", "outdoor_temperature_c", "room_temperature_c", "ambient_pressure_hpa"))
        for hour in range(hours):
            if gap_after is not None and gap_after < hour <= gap_after + 3:
                continue
            outdoor_c = 5.0 + 5.0 * math.cos(2 * math.pi * (hour - 15) / 24)
            rows.writerow(
                (f"2016-01-{11 + hour // 24:02d}T{hour % 24:02d}:00:00Z", outdoor_c, 18.0, 1000.0 - hour)
            )


def test_a_weather_night_takes_half_the_outdoor_swing_and_the_barometer_as_it_is(tmp_path: Path) -> None:
    write_weather(tmp_path / "weather.csv", 48)
    nights = weather_nights(tmp_path / "weather.csv", start_hour=20)
    assert list(nights) == ["weather-2016-01-11"]
    night = nights["weather-2016-01-11"]
    assert night.title == "simulated, in real weather: the night of 2016-01-11"
    assert night.start_utc_s == 1_452_542_400.0  # 2016-01-11 20:00 UTC
    assert night.ambient_pa(1800.0) == pytest.approx(97_950.0)
    at_ten, at_three = night.room_k(2 * 3600.0), night.room_k(7 * 3600.0)
    outdoor_fall = 5.0 * (math.cos(2 * math.pi * 7 / 24) - math.cos(2 * math.pi * 12 / 24))
    assert at_ten - at_three == pytest.approx(0.5 * outdoor_fall)


def test_an_evening_with_a_long_gap_in_the_weather_is_left_out(tmp_path: Path) -> None:
    write_weather(tmp_path / "weather.csv", 72, gap_after=24)
    assert list(weather_nights(tmp_path / "weather.csv")) == ["weather-2016-01-12"]


def test_weather_nights_with_a_leak_need_an_expected_truth(tmp_path: Path) -> None:
    write_weather(tmp_path / "weather.csv", 48)
    leak = Leak(7200.0, rate_pa_per_s=2.0)
    with pytest.raises(ValueError, match="expected"):
        weather_nights(tmp_path / "weather.csv", leak=leak)
    nights = weather_nights(
        tmp_path / "weather.csv", leak=leak, expected=truth("leaked", ["leak"], leak=leak)
    )
    (night,) = nights.values()
    assert night.truth.leak_onset_s == 7200.0
    assert night.leaks == (leak,)


def test_a_file_that_is_not_weather_is_refused_by_name(tmp_path: Path) -> None:
    (tmp_path / "other.csv").write_text("time,gauge_pressure_psi\n2016-01-11T00:00:00Z,1\n")
    with pytest.raises(ValueError, match=r"other\.csv: no column 'outdoor_temperature_c'"):
        weather_nights(tmp_path / "other.csv")


@pytest.mark.skipif(not WEATHER_FILE.exists(), reason="the recordings are not beside this checkout")
def test_recorded_weather_makes_nights_in_which_a_sound_pot_moves_as_real_nights_make_it(
    tmp_path: Path,
) -> None:
    nights = weather_nights(WEATHER_FILE)
    assert len(nights) > 15
    falls_psi = []
    for name, night in list(nights.items())[::4]:
        world = World(night, tmp_path / name)
        world.advance(2 * SECONDS_PER_HOUR)
        evening_psi = world.pot.gauge_pa / PA_PER_PSI
        world.advance(CURE_DONE_S)
        falls_psi.append(evening_psi - world.pot.gauge_pa / PA_PER_PSI)
        assert world.pot.leaked_mol == 0.0
    assert max(falls_psi) > 0.3  # some nights look like a slow leak
    assert max(falls_psi) < 4.5  # the worst of 353 recorded nights elsewhere (Greensboro) was 4.45 psi
    assert min(falls_psi) > -2.0
