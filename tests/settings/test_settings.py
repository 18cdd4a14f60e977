"""The settings: the examples load, every key is explained, every kind of fault is told where it stands."""

import re
import subprocess
import sys
from datetime import time as clock_time
from pathlib import Path
from typing import Any, get_args

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil import units
from potvigil.model.events import Priority
from potvigil.model.pot import Pot, Reference, Resin, Supply, Transducer
from potvigil.model.reading import Place
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load, load_text
from potvigil.settings.notify import page_address
from potvigil.settings.schema import Settings

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted(set((ROOT / "config").glob("*.yaml")) - {ROOT / "config/resins.yaml"})
BAD = sorted((ROOT / "tests" / "bad_settings").glob("*.yaml"))
SMALLEST = (ROOT / "config" / "smallest.yaml").read_text(encoding="utf-8")
WORKSHOP = (ROOT / "config" / "workshop.yaml").read_text(encoding="utf-8")


def faults_of(text: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        load_text(text, "workshop.yaml")
    return caught.value.faults


# --- the examples


def test_the_published_smallest_file_loads() -> None:
    loaded = load(ROOT / "config" / "smallest.yaml")
    assert (loaded.workshop, list(loaded.pots)) == ("harbour-models", ["lantern"])
    assert loaded.mqtt is None
    assert loaded.sample_period_s == 1.0


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_example_of_a_workshop_loads(path: Path) -> None:
    assert load(path).pots


def keys_of(model: Any) -> set[str]:
    """Every key that a model and the models in it know."""
    keys = set(model.model_fields)
    waiting = [field.annotation for field in model.model_fields.values()]
    while waiting:
        annotation = waiting.pop()
        waiting += get_args(annotation)
        if hasattr(annotation, "model_fields"):
            keys |= keys_of(annotation)
    return keys


def test_every_key_is_in_the_complete_example() -> None:
    written = set(re.findall(r"([a-z_]+):(?= |$)", WORKSHOP, re.MULTILINE))
    assert len(keys_of(Settings)) > 40
    assert keys_of(Settings) - written == set()


def test_every_key_of_the_complete_example_has_a_comment() -> None:
    lines = WORKSHOP.splitlines()
    bare = [
        line
        for above, line in zip(["", *lines], lines, strict=False)
        if re.match(r"[ #-]*[a-z_]+:( |$)", line)
        and not re.search(r"\S +# ", line.lstrip("# "))
        and not above.lstrip().startswith("# ")
    ]
    assert bare == []


# --- what the core gets


def test_the_core_gets_si_units_and_the_defaults() -> None:
    settings = load_text(SMALLEST, "smallest.yaml")
    assert settings.core_pots() == {
        "lantern": Pot(
            pot_id="lantern",
            internal_volume_m3=0.02,
            contents_volume_m3=0.003,
            maximum_pa=pytest.approx(551_580.583, abs=1e-3),  # psi: NIST SP 811 (2008), Appendix B.8
            working_pa=pytest.approx(413_685.438, abs=1e-3),
            floor_pa=pytest.approx(310_264.078, abs=1e-3),
            hold_s=36_000.0,
            thermometers=frozenset({Place.GAS}),
            supply=Supply.SHUT,
            # ADS1115 datasheet (SBAS444), table of full-scale ranges: 187.5 uV a count at 6.144 V
            transducer=Transducer(
                volts_per_count=pytest.approx(187.5e-6), span_pa=pytest.approx(689_475.729, abs=1e-3)
            ),
            ambient_pa=101_325.0,
            resins=settings.core_resins(),
        )
    }
    # resins.yaml: an epoxy's typical day under pressure, given for 23 C
    assert settings.core_resins()["epoxy-casting"] == Resin(86_400.0, 14_400.0, 2400.0, pytest.approx(296.15))


def test_the_core_gets_every_value_of_the_complete_example() -> None:
    pot = load_text(WORKSHOP, "workshop.yaml").core_pots()["lantern"]
    assert (pot.gel_s, pot.working_time_s, pot.room_swing_k) == (2400.0, 720.0, 8.0)
    assert pot.thermometers == {Place.GAS, Place.ROOM}
    assert pot.has_barometer
    assert str(pot.tz) == "Europe/Lisbon"
    assert pot.transducer is not None
    assert pot.transducer.volts_per_count == pytest.approx(125e-6 / 0.6)
    assert pot.transducer.supply_volts_per_count == pot.transducer.volts_per_count


def test_a_divider_and_a_narrower_range_change_the_volts_per_count() -> None:
    text = (
        SMALLEST + "    transducer: {divider: 0.5, full_scale: 4.096V, reference: absolute, zero: -700 Pa}\n"
    )
    transducer = load_text(text, "workshop.yaml").core_pots()["lantern"].transducer
    assert transducer is not None
    assert transducer.volts_per_count == pytest.approx(2 * 125e-6)  # SBAS444: 125 uV a count at 4.096 V
    assert (transducer.reference, transducer.zero_pa) == (Reference.ABSOLUTE, -700.0)


def transducer_of(keys: str) -> Any:
    return load_text(SMALLEST + f"    transducer: {{{keys}}}\n", "workshop.yaml").pots["lantern"].transducer


# TI SBAS444 and SBAS473: ranges of 6.144, 4.096 and 2.048 V. NE 43: a failure is told by 21 mA, so 2.1 V must
# be seen over 100 ohm, and 1.05 V over 50.
@pytest.mark.parametrize(
    ("keys", "full_scale_v"),
    [
        ("supply: 5 V", 6.144),
        ("divider: 0.667", 4.096),
        ("divider: 0.4, supply_channel: 1", 2.048),
        ("signal: 4-20 mA, shunt: 100 ohm", 4.096),
        ("signal: 4-20 mA, shunt: 50 ohm", 2.048),
        ("signal: 4-20 mA, shunt: 250 ohm", 6.144),
        ("signal: 1-5 V", 6.144),
        ("signal: 0-10 V, divider: 0.333", 4.096),
        ("signal: 0-10 V, divider: 0.6", 6.144),
        ("device: ads1015, divider: 0.667", 4.096),
        ("device: mcp3208, divider: 0.6", 3.3),
        ("device: mcp3008, full_scale: 5 V", 5.0),
    ],
)
def test_the_default_range_is_the_narrowest_that_covers_the_signal(keys: str, full_scale_v: float) -> None:
    assert transducer_of(keys).full_scale.si == full_scale_v


@pytest.mark.parametrize(
    ("keys", "volts_per_count"),
    [  # full scale over 2^15, 2^11, 2^10 and 2^12, by the data sheets, and over the divider
        ("device: ads1115", 187.5e-6),
        ("device: ads1015", 3e-3),
        ("device: mcp3008, divider: 0.6", 3.3 / 1024 / 0.6),
        ("device: mcp3208, divider: 0.6", 3.3 / 4096 / 0.6),
    ],
)
def test_volts_per_count_depend_on_the_converter(keys: str, volts_per_count: float) -> None:
    assert transducer_of(keys).volts_per_count == pytest.approx(volts_per_count, rel=1e-12)


@pytest.mark.parametrize(
    "keys",
    [
        "transducer: {device: mcp3208, spi_device: 1, divider: 0.6, channel: 7}",
        "transducer: {signal: 4-20 mA, shunt: 120 ohm, channel: 3}",
        "transducer: {device: ads1015, signal: 0-10 V, divider: 0.3}",
        "thermometer: [{place: gas, device: pt100, wires: 3, spi_device: 1}, "
        "{place: wall, device: ntc, channel: 2, coefficients: [1.129148e-3, 2.34125e-4, 8.76741e-8]}]",
    ],
)
def test_other_wiring_in_force_loads_as_settings_again(keys: str) -> None:
    text = SMALLEST if keys.startswith("tr") else re.sub("    thermometer:.*\n", "", SMALLEST)
    loaded = load_text(f"{text}    {keys}\n", "workshop.yaml")
    assert load_text(loaded.as_json(), "record") == loaded


def test_an_spi_device_occupies_its_pins() -> None:
    spi = SMALLEST + "    transducer: {device: mcp3008, divider: 0.6}\nsignals: {buzzer: 8}\n"
    assert faults_of(spi)[0].endswith("signals.buzzer: GPIO 8 is taken by SPI; give another pin")
    assert (
        load_text(spi.replace("buzzer: 8", "buzzer: 2"), "workshop.yaml").signals is not None
    )  # no I2C then


# US Standard Atmosphere 1976, Table I, geometric altitude
@pytest.mark.parametrize(
    ("altitude", "ambient_pa"), [("0 m", 101_325), ("1000m", 89_876), ("5000 m", 54_048)]
)
def test_an_altitude_replaces_the_barometer(altitude: str, ambient_pa: float) -> None:
    loaded = load_text(SMALLEST + f"barometer: {{altitude: {altitude}}}\n", "workshop.yaml")
    pot = loaded.core_pots()["lantern"]
    assert pot.ambient_pa == pytest.approx(ambient_pa, rel=1e-5)
    assert not pot.has_barometer


@pytest.mark.parametrize("place", Place)
def test_a_thermometer_is_at_its_configured_place(place: Place) -> None:
    loaded = load_text(SMALLEST.replace("{place: gas}", f"{{place: {place}}}"), "smallest.yaml")
    assert loaded.core_pots()["lantern"].thermometers == {place}
    for example in (SMALLEST, WORKSHOP):  # told beside the key, and to whoever gets it wrong
        assert re.search(rf"# (gas .*)?\b{place}\b", example.replace("|\n" + " " * 32 + "#", "|"))
    assert place in faults_of(SMALLEST.replace("{place: gas}", "{place: lid}"))[0]
    assert place in faults_of(SMALLEST.replace("{place: gas}", "lid"))[0]


def test_place_none_means_no_thermometer() -> None:
    loaded = load_text(SMALLEST.replace("{place: gas}", "{place: none}"), "workshop.yaml")
    assert loaded.pots["lantern"].thermometer == ()
    assert loaded.core_pots()["lantern"].thermometers == frozenset()


def test_one_room_probe_may_serve_two_pots() -> None:
    pots = SMALLEST.replace("{place: gas}", "{place: room, id: 28-0316a2794aff}")
    second = pots[pots.index("  lantern:") :].replace("lantern", "mast") + "    transducer: {channel: 1}\n"
    assert set(load_text(pots + second, "workshop.yaml").pots) == {"lantern", "mast"}


def test_shared_values_of_two_pots_can_be_written_once() -> None:
    second = "  mast:\n    <<: *pot\n    internal_volume: 10 L\n    transducer: {channel: 1}\n"
    text = SMALLEST.replace("  lantern:", "  lantern: &pot").replace("{place: gas}", "{place: none}") + second
    pots = load_text(text, "workshop.yaml").core_pots()
    assert (pots["mast"].internal_volume_m3, pots["mast"].hold_s) == (0.01, 36_000.0)
    assert faults_of(text.replace("10 L", "1 L"))[0].startswith(
        "workshop.yaml:5: pots.mast.contents_volume: 3 L"
    )


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_the_settings_in_force_load_as_settings_again(path: Path) -> None:
    loaded = load(path)
    assert load_text(loaded.as_json(), "record") == without_addresses(loaded)


def without_addresses(loaded: Settings) -> Settings:
    """What the record keeps: an address somebody is told at is a secret."""
    return loaded.model_copy(update={"notify": None, "heartbeat": None})


def test_no_address_gets_into_the_record_or_an_error() -> None:
    text = SMALLEST + (
        "notify:\n  targets:\n    - {name: Anna, url: 'ntfy://host/hush-hush'}\n"
        "heartbeat: {url: 'https://host/hush-hush'}\n"
    )
    assert "hush" not in load_text(text, "workshop.yaml").as_json()
    for wrong in (text.replace("ntfy://", "ntfy:"), text.replace("https://", "ftp://")):
        assert "hush" not in "".join(faults_of(wrong))


def target_of(keys: str) -> Any:
    text = f"{SMALLEST}notify:\n  targets:\n    - {{name: Anna, url: 'ntfy://host/lenses', {keys}}}\n"
    notify = load_text(text, "workshop.yaml").notify
    assert notify is not None
    return notify.targets[0]


def test_at_night_only_high_alarms_are_sent_and_the_second_person_gets_only_those() -> None:
    first, second = target_of("after: 0 s"), target_of("after: 15 min")
    assert first.told_of == set(Priority)
    assert first.quiet_hours == (clock_time(22), clock_time(7))
    assert (second.told_of, second.after.si) == ({Priority.HIGH}, 900.0)
    assert target_of("after: 15 min, priorities: [high, low]").told_of == {Priority.HIGH, Priority.LOW}
    assert target_of("quiet_hours: none").quiet_hours is None


@pytest.mark.parametrize(
    ("keys", "address"),
    [
        ("", None),
        ("page: {names: [pot.local]}", "http://pot.local:8642/"),
        ("page: {names: [pot.local, 10.0.0.2], port: 80}", "http://pot.local/"),
        (
            "page: {names: [pot.local], tls: {cert_file: a.pem, key_file: a.key}}",
            "https://pot.local:8642/",
        ),
    ],
)
def test_a_message_links_to_the_page_by_its_configured_address(keys: str, address: str | None) -> None:
    loaded = load_text(f"{SMALLEST}{keys}\n", "workshop.yaml")
    assert page_address(loaded.notify, loaded.page) == address
    notify = "notify: {page: 'https://elsewhere/', targets: [{name: Anna, url: 'ntfy://host/lenses'}]}\n"
    loaded = load_text(f"{SMALLEST}{keys}\n{notify}", "workshop.yaml")
    assert page_address(loaded.notify, loaded.page) == "https://elsewhere/"


# --- where files are


def mqtt(**keys: str) -> str:
    return SMALLEST + "mqtt:\n  host: broker.local\n" + "".join(f"  {k}: {v}\n" for k, v in keys.items())


def test_a_password_file_is_looked_for_in_the_credentials_then_beside_the_settings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "workshop.yaml"
    file.write_text(
        mqtt(username="potvigil", password_file="broker", tls="{ca_file: ca.pem}"), encoding="utf-8"
    )
    monkeypatch.delenv("CREDENTIALS_DIRECTORY", raising=False)
    beside = load(file).mqtt
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/run/credentials/potvigil.service")
    credential = load(file).mqtt
    assert beside is not None
    assert credential is not None
    assert beside.password_file == tmp_path / "broker"
    assert credential.password_file == Path("/run/credentials/potvigil.service/broker")
    assert credential.tls is not None
    assert credential.tls.ca_file == tmp_path / "ca.pem"  # no secret


def test_the_record_is_kept_in_the_state_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/home/caster")
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    own = load_text(SMALLEST + 'record: {file: "~/nights.db"}\n', "workshop.yaml")
    assert own.record_file == Path("/home/caster/nights.db")
    usual = Path("/home/caster/.local/state/potvigil/potvigil.db")
    assert load_text(SMALLEST, "workshop.yaml").record_file == usual
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/potvigil")
    assert load_text(SMALLEST, "workshop.yaml").record_file == Path("/var/lib/potvigil/potvigil.db")


def test_the_default_port_depends_on_encryption() -> None:
    # IANA service names: mqtt 1883, secure-mqtt 8883
    for keys, port in (({}, 1883), ({"tls": "{}"}, 8883), ({"tls": "{}", "port": "9001"}, 9001)):
        broker = load_text(mqtt(**keys), "workshop.yaml").mqtt
        assert broker is not None
        assert broker.port == port


def test_home_automation_discovery_is_off_by_default() -> None:
    for keys, told in (
        ({}, (False, "homeassistant")),
        ({"discovery": "true"}, (True, "homeassistant")),
        ({"discovery": "True", "discovery_prefix": "home_1"}, (True, "home_1")),
        ({"discovery": "false"}, (False, "homeassistant")),
    ):
        broker = load_text(mqtt(**keys), "workshop.yaml").mqtt
        assert broker is not None
        assert (broker.discovery, broker.discovery_prefix) == told


@pytest.mark.parametrize("host", ["broker.local", "192.168.1.7", "fe80::1", "::1"])
def test_a_host_is_a_name_or_an_address(host: str) -> None:
    broker = load_text(mqtt().replace("broker.local", f'"{host}"'), "workshop.yaml").mqtt
    assert broker is not None
    assert broker.host == host


def test_the_page_is_local_only_unless_there_is_a_password() -> None:
    page = load_text(SMALLEST, "workshop.yaml").page
    assert (page.host, page.port, page.password_file, page.tls, page.names) == (
        "127.0.0.1",
        8642,
        None,
        None,
        (),
    )
    for host in ("localhost", "127.0.0.2", "::1"):
        assert load_text(SMALLEST + f'page: {{host: "{host}"}}\n', "workshop.yaml").page.host == host
    for host in ("0.0.0.0", "::", "192.168.1.7", "pot.local"):
        (fault,) = faults_of(SMALLEST + f'page: {{host: "{host}"}}\n')
        assert "page.password_file" in fault
        guarded = load_text(SMALLEST + f'page: {{host: "{host}", password_file: secret}}\n', "workshop.yaml")
        assert guarded.page.password_file == Path("secret").absolute()


def test_lamps_are_one_for_all_or_one_per_meaning() -> None:
    def signals(text: str) -> Any:
        return load_text(f"{SMALLEST}signals: {text}\n", "workshop.yaml").signals

    one = signals("{lamp: GPIO17}").lamp
    assert (one.calm, one.note, one.alarm) == (None, None, 17)
    two = signals("{lamp: {note: 22, alarm: 17}, buzzer: 18, button: 27}")
    assert (two.lamp.calm, two.lamp.note, two.lamp.alarm, two.buzzer, two.button) == (None, 22, 17, 18, 27)
    for written in ("22:00-07:00", "22:00 - 7:00", '"22:00-7:00"'):
        assert signals(f"{{quiet_hours: {written}}}").quiet_hours == (clock_time(22), clock_time(7))
    assert load_text(SMALLEST, "workshop.yaml").signals is None


# --- faults


@pytest.mark.parametrize("path", BAD, ids=lambda path: path.stem)
def test_each_bad_file_gives_the_error_it_expects(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    expected = re.findall(r"^# expect: (.*)$", text, re.MULTILINE)
    assert expected
    with pytest.raises(SettingsError) as caught:
        load(path)
    assert list(caught.value.faults) == [f"{path}:{line}" for line in expected]
    assert str(caught.value) == "\n".join(caught.value.faults)


def test_a_secret_is_never_repeated() -> None:
    for name in ("mqtt-password", "mqtt-host-a-url"):
        text = (ROOT / "tests" / "bad_settings" / f"{name}.yaml").read_text(encoding="utf-8")
        assert "hush" in text
        assert not any("hush" in fault for fault in faults_of(text))


def test_a_file_that_is_not_settings_says_so(tmp_path: Path) -> None:
    latin, log = tmp_path / "latin.yaml", tmp_path / "night.csv"
    latin.write_bytes(SMALLEST.encode() + b"# r\xe9sine\n")
    log.write_bytes(b"elapsed_s,gauge_pressure_psi\n" * 10_000)
    for path, said in (
        (tmp_path / "absent.yaml", ": cannot be read: No such file or directory; give a settings file"),
        (tmp_path, ": cannot be read: Is a directory; give a settings file"),
        (latin, ":12: byte 0xe9 is not UTF-8; save the file as UTF-8"),
        (log, ": over 256 kB; give a settings file"),
    ):
        with pytest.raises(SettingsError) as caught:
            load(path)
        assert caught.value.faults == (f"{path}{said}",)


def test_a_byte_order_mark_and_windows_line_ends_are_accepted(tmp_path: Path) -> None:
    file = tmp_path / "workshop.yaml"
    file.write_bytes(b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode())
    assert load(file).workshop == "harbour-models"


NASTY = st.sampled_from(
    [
        *(
            "",
            "~",
            "no",
            "1",
            "-1",
            "0x7f",
            "nan",
            ".inf",
            "60psi",
            "1e400 psi",
            "10:30",
            "[]",
            "{}",
            "{a: 1}",
        ),
        *(
            "!!binary",
            "2026-01-01",
            "é",
            "'\u202e'",
            '"\\0"',
            "Europe",
            "../..",
            "~nobody/x",
            "9" * 5000,
            "|",
        ),
        *("*nothing", "&a 5", "&b [*b]", "? x", "{<<: 3}", "{<<: [1, {a: 2}]}", "{place: none}", "[[3]]"),
    ]
)
LINES_WITH_A_KEY = [n for n, line in enumerate(WORKSHOP.splitlines()) if re.match(r" *[a-z_]+: *\S", line)]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(changes=st.dictionaries(st.sampled_from(LINES_WITH_A_KEY), NASTY, min_size=1, max_size=4))
def test_any_content_gives_an_error_in_our_own_words(changes: dict[int, str]) -> None:
    lines = WORKSHOP.splitlines()
    for n, value in changes.items():
        lines[n] = f"{lines[n].split(':')[0]}: {value}"
    try:
        loaded = load_text("\n".join(lines), "workshop.yaml")
    except SettingsError as error:
        for fault in error.faults:
            assert re.fullmatch(
                r"workshop\.yaml:[0-9]+: [^\n]+; [^\n]+|workshop\.yaml:.* did you mean .*", fault
            ), fault
            assert fault.isprintable()
            assert len(fault) < 300
            leaks = r"Input|Value error|should be|pydantic|Traceback|<class|extra_|type="
            assert not re.search(leaks, fault), fault
    else:
        assert load_text(loaded.as_json(), "record") == without_addresses(loaded)


# --- quantities, against pint (its own tables: CODATA, NIST SP 811)

PINT: dict[str, tuple[units.QuantityKind, str, dict[str, str]]] = {
    "pressure": (units.PRESSURE, "pascal", {}),
    "volume": (units.VOLUME, "meter ** 3", {"m3": "meter ** 3", "gal": "gallon", "qt": "quart"}),
    "length": (units.LENGTH, "meter", {}),
    "size": (units.SIZE, "meter", {"in": "inch"}),
    "area": (units.AREA, "meter ** 2", {"mm2": "millimeter ** 2", "cm2": "centimeter ** 2"}),
    "free air": (
        units.FREE_AIR,
        "meter ** 3 / second",
        {
            "L/min": "liter / minute",
            "L/s": "liter / second",
            "m3/h": "meter ** 3 / hour",
            "cfm": "foot ** 3 / minute",
        },
    ),
    "time": (units.TIME, "second", {"min": "minute", "h": "hour", "d": "day"}),
    "voltage": (units.VOLTAGE, "volt", {}),
    "resistance": (units.RESISTANCE, "ohm", {}),
    "temperature": (units.TEMPERATURE, "kelvin", {"C": "degC", "F": "degF", "K": "kelvin"}),
    "difference": (
        units.TEMPERATURE_DIFFERENCE,
        "kelvin",
        {"C": "delta_degC", "F": "delta_degF", "K": "kelvin"},
    ),
}
UNITS = [(name, unit) for name, (kind, _, _) in PINT.items() for unit in kind.factors]
REGISTRY = pint.UnitRegistry()


@pytest.mark.parametrize(("name", "unit"), UNITS, ids=[f"{name}-{unit}" for name, unit in UNITS])
@settings(max_examples=30, deadline=None, derandomize=True)
@given(number=st.floats(-1e6, 1e6), blanks=st.sampled_from(["", " ", "  "]))
def test_a_quantity_means_what_pint_says(name: str, unit: str, number: float, blanks: str) -> None:
    kind, si, pint_names = PINT[name]
    expected = REGISTRY.Quantity(number, pint_names.get(unit, unit)).to(si).magnitude
    quantity = kind.read(f"{number!r}{blanks}{unit}")
    assert quantity.si == pytest.approx(expected, rel=1e-12, abs=1e-9)
    assert str(quantity) == f"{number!r}{blanks}{unit}"


@pytest.mark.parametrize(
    "text", ["", "psi", "1 2 psi", "1,5 psi", "0x10 psi", "1_0 psi", "inf psi", "٣ psi", "1 psi/h"]
)
def test_text_that_is_not_a_quantity_is_refused(text: str) -> None:
    with pytest.raises(
        ValueError, match=r"is not a pressure; give a number and its unit, psi, bar, kPa, Pa or MPa"
    ):
        units.PRESSURE.read(text)


def test_settings_use_little_memory_of_a_small_board() -> None:
    example = str(ROOT / "config" / "workshop.yaml")
    program = f"""
from pathlib import Path
from potvigil.settings.loading import load
load(Path({example!r}))
print(Path("/proc/self/status").read_text())
"""
    run = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    peak = re.search(r"VmHWM:\s*([0-9]+) kB", run.stdout)
    assert peak is not None
    assert int(peak[1]) < 40 * 1024  # the whole service has 48 MB
