"""From the settings to what is opened: every key, and the default of each."""

from pathlib import Path
from typing import Any

import pytest

from potvigil.clock import Instant
from potvigil.drivers.converters.converter import Converter
from potvigil.drivers.station import BarometerWiring, PotWiring
from potvigil.drivers.thermometers.ds18b20 import THE_ONLY_ONE, InlineExecutor
from potvigil.drivers.thermometers.max31865 import RtdWiring
from potvigil.drivers.thermometers.ntc import Coefficients, NtcWiring, of_beta
from potvigil.model.quiet_hours import QuietHours
from potvigil.model.reading import Place
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import Wiring
from potvigil.service import wiring
from potvigil.service.wiring import (
    WiringError,
    mqtt_link,
    notified,
    open_inputs,
    quiet_hours,
    signal_wiring,
)
from potvigil.settings.loading import load_text
from potvigil.settings.schema import Settings
from potvigil.sim.chips import OneWireFolder

SETTINGS = """\
workshop: harbour-models
pots:
  lantern:
    internal_volume: 20 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    thermometer: {place: gas}
    supply: shut
    cure: {hold: 10 h}
"""
PROBES = ("28-0316a2794aff", "28-0517c1a3e2ff")


def open_with(folder, *probes):
    for probe in probes:
        (folder / probe).mkdir()
    settings = load_text(SETTINGS, "test")
    return open_inputs(settings, one_wire_root=folder, executor=InlineExecutor(), sleep=lambda seconds: None)


def test_the_only_probe_is_used(tmp_path):
    wires = [what for what, _, _ in open_with(tmp_path, PROBES[0]).probe_each_wire()]
    assert any(PROBES[0] in what for what in wires)


def test_a_missing_probe_is_reported_and_the_watch_goes_on(tmp_path, caplog):
    open_with(tmp_path).close()
    assert "pots.lantern.thermometer: no DS18B20 under" in caplog.text


def test_a_probe_connected_later_is_used_without_a_restart(tmp_path):
    station = open_with(tmp_path)

    def gas_c(boot_s):
        ((_, sample),) = station.read(boot_s, Instant(boot_s, None))
        return sample.gas_c

    assert gas_c(0.0) is None
    OneWireFolder(tmp_path).set_celsius(PROBES[0], 21.5, 0.0)
    assert gas_c(20.0) == 21.5
    OneWireFolder(tmp_path).set_celsius(PROBES[1], 4.0, 0.0)  # which of the two is meant?
    gas_c(40.0)
    assert gas_c(110.0) is None


def test_of_two_probes_one_must_be_named(tmp_path):
    with pytest.raises(
        WiringError, match=r"pots\.lantern\.thermometer: no id, and 2 thermometers are plugged in"
    ):
        open_with(tmp_path, *PROBES)


def settings_of(more: str = "", transducer: str = "{}", thermometer: str = "{place: none}") -> Settings:
    pot = SETTINGS.replace("{place: gas}", f"{thermometer}\n    transducer: {transducer}")
    return load_text(f"{pot}{more}", "test")


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Return what the station is opened with: pots, barometer."""

    def open_(settings: Settings) -> tuple[list[PotWiring], BarometerWiring | None]:
        monkeypatch.setattr(wiring, "open_station", lambda pots, barometer, **_: (pots, barometer))
        return open_inputs(settings, one_wire_root=tmp_path)  # type: ignore[return-value]

    return open_


@pytest.mark.parametrize(
    ("transducer", "converter", "channel", "supply_channel"),
    [
        ("{}", Converter("ads1115", 1, 0x48, 0, 6.144), 0, None),
        (
            "{device: ads1015, bus: 3, address: 0x4a, channel: 2, supply_channel: 3, full_scale: 6.144 V}",
            Converter("ads1015", 3, 0x4A, 0, 6.144),
            2,
            3,
        ),
        (
            "{device: mcp3208, spi_device: 1, channel: 6, divider: 0.5, full_scale: 5 V}",
            Converter("mcp3208", 1, 0x48, 1, 5.0),
            6,
            None,
        ),
    ],
)
def test_each_transducer_key_reaches_its_wiring(
    opened: Any, transducer: str, converter: Converter, channel: int, supply_channel: int | None
) -> None:
    ((pot,), barometer) = opened(settings_of(transducer=transducer))
    assert pot == PotWiring("lantern", converter, channel, supply_channel, ())
    assert barometer is None


@pytest.mark.parametrize(
    ("block", "found"),
    [
        ("{device: bmp280}", BarometerWiring(1, 0x76, "bmp280")),
        ("{device: bmp390, bus: 4, address: 0x77}", BarometerWiring(4, 0x77, "bmp390")),
        ("{altitude: 300 m}", None),
    ],
)
def test_each_barometer_key_reaches_its_wiring(
    opened: Any, block: str, found: BarometerWiring | None
) -> None:
    assert opened(settings_of(f"barometer: {block}\n"))[1] == found


EXACT = Coefficients(1.129148e-3, 2.34125e-4, 8.76741e-8)
I2C, SPI = "{}", "{device: mcp3208, divider: 0.6, full_scale: 3.3 V}"


@pytest.mark.parametrize(
    ("transducer", "keys", "found"),
    [
        # the defaults: 10 kohm of 10 kohm at 25 C, at ground, 3.3 V, by beta
        (
            I2C,
            "beta: 3950 K",
            NtcWiring(Converter(full_scale_v=4.096), 2, of_beta(3950.0, 10_000.0), 3.3, None, 10_000.0),
        ),
        (
            I2C,
            "supply: 5 V, supply_channel: 3, resistor: 4.7 kohm, side: supply, nominal: 100 kohm, "
            "beta: 4190 K",
            NtcWiring(
                *(Converter(full_scale_v=6.144), 2, of_beta(4190.0, 100_000.0), 5.0, 3, 4_700.0, False, True)
            ),
        ),
        (
            I2C,
            "side: ground, supply: 2 V, coefficients: [1.129148e-3, 2.34125e-4, 8.76741e-8]",
            NtcWiring(Converter(full_scale_v=2.048), 2, EXACT, 2.0, None, 10_000.0, True, False),
        ),
        # an MCP has one range: its reference, whatever supplies the divider
        (
            SPI,
            "beta: 3950 K",
            NtcWiring(Converter("mcp3208", full_scale_v=3.3), 2, of_beta(3950.0, 10_000.0), 3.3),
        ),
    ],
)
def test_each_thermistor_key_reaches_its_wiring(
    opened: Any, transducer: str, keys: str, found: NtcWiring
) -> None:
    thermometer = f"{{place: wall, device: ntc, channel: 2, {keys}}}"
    ((pot,), _) = opened(settings_of(transducer=transducer, thermometer=thermometer))
    assert pot.probes == ((Place.WALL, found),)


@pytest.mark.parametrize(
    ("supply_v", "full_scale_v"), [(2.048, 2.048), (2.05, 4.096), (4.096, 4.096), (4.1, 6.144), (5.5, 6.144)]
)
def test_a_divider_uses_the_narrowest_range_that_covers_its_supply(
    opened: Any, supply_v: float, full_scale_v: float
) -> None:
    thermometer = f"{{place: gas, device: ntc, channel: 1, beta: 3950 K, supply: {supply_v} V}}"
    ((pot,), _) = opened(settings_of(thermometer=thermometer))
    ((_, probe),) = pot.probes
    assert (probe.supply_v, probe.converter.full_scale_v) == (supply_v, full_scale_v)


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ("device: pt100", RtdWiring(0, 2, 100.0, 430.0)),
        ("device: pt1000", RtdWiring(0, 2, 1000.0, 4300.0)),
        (
            'device: pt100, spi_device: 1, wires: "3", reference_resistor: 400 ohm',
            RtdWiring(1, 3, 100.0, 400.0),
        ),
        ('device: pt1000, wires: "4", reference_resistor: 4000 ohm', RtdWiring(0, 4, 1000.0, 4000.0)),
    ],
)
def test_each_platinum_thermometer_key_reaches_its_wiring(opened: Any, keys: str, found: RtdWiring) -> None:
    ((pot,), _) = opened(settings_of(thermometer=f"{{place: gas, {keys}}}"))
    assert pot.probes == ((Place.GAS, found),)


def test_the_probe_is_the_named_one_the_only_one_or_none_yet(opened: Any, tmp_path: Path) -> None:
    named = settings_of(thermometer=f"[{{place: gas, id: {PROBES[1]}}}, {{place: room, id: {PROBES[0]}}}]")
    ((pot,), _) = opened(named)
    assert pot.probes == ((Place.GAS, PROBES[1]), (Place.ROOM, PROBES[0]))
    unnamed = settings_of(thermometer="{place: wall}")
    assert opened(unnamed)[0][0].probes == ((Place.WALL, THE_ONLY_ONE),)
    (tmp_path / PROBES[0]).mkdir()
    assert opened(unnamed)[0][0].probes == ((Place.WALL, PROBES[0]),)


# --- broker, signals, notifier


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text("driftwood\n")
    path.chmod(0o600)
    return path


def link_of(block: str) -> MqttLink:
    settings = settings_of(f"mqtt: {block}\n")
    assert settings.mqtt is not None
    return mqtt_link(settings.mqtt)


def test_by_default_the_broker_link_is_plain_and_anonymous() -> None:
    assert link_of("{host: broker.local}") == MqttLink("broker.local", 1883, "5")
    # by default TLS uses the system's certificate authorities
    assert link_of("{host: broker.local, tls: {}}") == MqttLink("broker.local", 8883, "5", tls=True)


def test_each_broker_key_reaches_its_link(secret: Path, tmp_path: Path) -> None:
    for name in ("ca.pem", "own.pem", "own.key"):
        (tmp_path / name).write_text("x")
        (tmp_path / name).chmod(0o600)
    block = (
        f"{{host: 192.0.2.7, port: 8884, version: 3.1.1, client_id: pot-1, username: watch, "
        f"password_file: {secret}, discovery: true, discovery_prefix: home, tls: {{"
        f"ca_file: {tmp_path}/ca.pem, cert_file: {tmp_path}/own.pem, key_file: {tmp_path}/own.key}}}}"
    )
    assert link_of(block) == MqttLink(
        *("192.0.2.7", 8884, "3.1.1", "watch", "driftwood", True),
        *(tmp_path / "ca.pem", tmp_path / "own.pem", tmp_path / "own.key", "pot-1", "home"),
    )


@pytest.mark.parametrize(
    ("keys", "prefix"),
    [
        ("", None),
        (", discovery: false, discovery_prefix: home", None),
        (", discovery: true", "homeassistant"),
    ],
)
def test_home_automation_discovery_is_published_only_if_configured(keys: str, prefix: str | None) -> None:
    assert link_of(f"{{host: broker.local{keys}}}").discovery_prefix == prefix


@pytest.mark.parametrize(
    ("block", "found"),
    [
        ("", Wiring()),
        ("signals: {buzzer: 22}\n", Wiring({}, 22, None)),
        ("signals: {button: 23}\n", Wiring({}, None, 23)),
        ("signals: {lamp: 17}\n", Wiring({Lamp.ALARM: 17}, None, None)),
        (
            "signals: {lamp: {calm: 5, note: 6, alarm: 13}, buzzer: 22, button: 23}\n",
            Wiring({Lamp.CALM: 5, Lamp.NOTE: 6, Lamp.ALARM: 13}, 22, 23),
        ),
        ("signals: {lamp: {note: 6, alarm: 13}}\n", Wiring({Lamp.NOTE: 6, Lamp.ALARM: 13}, None, None)),
    ],
)
def test_each_signal_pin_reaches_its_wiring(block: str, found: Wiring) -> None:
    assert signal_wiring(settings_of(block)) == found


def test_quiet_hours_are_in_the_time_zone_of_the_workshop() -> None:
    assert quiet_hours(settings_of()) is None
    assert quiet_hours(settings_of("signals: {buzzer: 22}\n")) is None
    settings = settings_of("timezone: Europe/Paris\nsignals: {buzzer: 22, quiet_hours: 22:30-06:15}\n")
    hours = quiet_hours(settings)
    assert isinstance(hours, QuietHours)
    paris_22_29 = 1_767_302_940.0  # 2026-01-01 21:29 UTC
    assert [hours.hold(paris_22_29 + 60.0 * minutes) for minutes in (0, 1, 465, 466)] == [
        *(False, True, True, False)
    ]


def test_the_notifier_is_watched_if_a_person_or_heartbeat_is_configured(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(wiring, "Notified", lambda path, names: (path, names))
    live = f"page: {{live: {tmp_path}/live.json}}\n"
    assert notified(settings_of(live)) is None
    path = wiring.usual_status(tmp_path / "live.json")
    beat = f"{live}heartbeat: {{url: 'https://beat.example/pot'}}\n"
    assert notified(settings_of(beat)) == (path, ())
    told = "notify: {targets: [{name: Ada, url: 'json://phone.example'}]}\n"
    assert notified(settings_of(live + told)) == (path, ("Ada",))
    # without its own live file, the default one that the watch can write
    monkeypatch.setattr(wiring, "usual_live", lambda writing: Path("/usual") / str(writing))
    assert notified(settings_of(told)) == (wiring.usual_status(Path("/usual/True")), ("Ada",))
