"""Any mangled input: read, or refused in one line; quickly, and without growing in memory.

The short form; tests/bench/campaign_fuzz.py goes on for as long as it is given.
"""

import gc
import tracemalloc

import pytest
from hypothesis import HealthCheck, given, settings

from fuzz_targets import bounded, done, measured, targets
from potvigil.commands.page import _read_hash
from potvigil.commands.shared.common import UseError
from potvigil.imports.csv_log import LogError, read_log
from potvigil.outputs.broker.mqtt_link import MqttPasswordError, read_password
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_text

EXAMPLES = {"settings-text": 25, "stored-settings": 25, "settings-bombs": 25, "log": 30, "archive": 25}
GROWTH_BYTES = 100_000


@pytest.fixture(scope="module", autouse=True)
def clean():
    yield
    done()


@pytest.mark.parametrize("target", targets(), ids=str)
def test_any_input_is_read_or_refused(target):
    @settings(
        max_examples=EXAMPLES.get(target.name, 80),
        deadline=None,
        database=None,
        derandomize=True,  # the campaign draws others
        suppress_health_check=list(HealthCheck),
    )
    @given(target.inputs)
    def act(value):
        with bounded():
            target.act(value)

    act()


# --- inputs once found, each the smallest with the effect, and the time it took before


@pytest.mark.parametrize(
    "text",
    [
        "workshop: a\nmqtt: {host: '" + ":" * 3000 + "!'}",  # 108 s: three stars in one pattern
        "workshop: a\nsample_period: '" + "1" * 20_000 + "!'",  # 65 s: two stars over the same digits
        "[" * 3000,  # 3 s
        "{" * 60_000 + "}" * 60_000,
        "workshop: a\npots:\n" + "".join(f"  p{n}: {{x: 1}}\n" for n in range(3000)),  # 4 s, 12,000 lines
        "workshop: a\nx:\n" + "".join(f" - {n}\n" for n in range(11_000)),
        "a: " + "x" * 10_000_000,
        "? " * 400,  # a RecursionError
        "\n".join(
            [f"a{n}: &a{n} [*a{n - 1}, *a{n - 1}]" if n else "a0: &a0 [x]" for n in range(40)] + ["? *a39"]
        ),
    ],
    ids=["colons", "digits", "brackets", "braces", "pots", "values", "length", "keys", "key-of-anchors"],
)
def test_no_settings_take_long_or_give_a_long_error(text):
    with bounded(5.0), pytest.raises(SettingsError) as refused:
        load_text(text, "workshop.yaml")
    with bounded(30.0), measured(), pytest.raises(SettingsError):  # measuring takes its time
        load_text(text, "workshop.yaml")
    assert 1 <= len(refused.value.faults) <= 100
    assert all(len(fault) < 300 and fault.isprintable() for fault in refused.value.faults)


def test_a_log_of_very_many_columns_is_refused_at_once(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("elapsed_s," + ",".join(f"c{n}" for n in range(100_000)) + "\n1\n")
    with bounded(2.0), pytest.raises(LogError, match="100001 columns") as refused:
        read_log(path)
    assert len(str(refused.value)) < 300


@pytest.mark.parametrize("values", ["39120,20", "-1e300,20", "60,301"])
def test_impossible_pot_values_are_refused_and_not_computed_with(tmp_path, values):
    path = tmp_path / "night.csv"  # the gas law had no answer, and the replay broke off
    path.write_text(f"elapsed_s,gauge_pressure_psi,gas_temperature_c\n0,60,20\n10,{values}\n")
    with pytest.raises(LogError, match="up to"):
        read_log(path)


def test_no_control_character_of_a_log_reaches_the_terminal(tmp_path):
    path = tmp_path / "night.csv"
    path.write_text("elapsed_s,gauge_pressure_psi\n1,\x1b[31m\n")
    with pytest.raises(LogError) as refused:
        read_log(path)
    assert "\x1b" not in str(refused.value)


def test_an_endless_password_file_is_not_read_to_its_end(tmp_path):
    endless = tmp_path / "endless"
    endless.symlink_to("/dev/zero")
    with bounded(2.0), measured(2**20):
        with pytest.raises(MqttPasswordError):
            read_password(endless)
        with pytest.raises(UseError):
            _read_hash(endless)


# --- growth


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("settings-text", "workshop: [nonsense"),
        ("stored-settings", '{"workshop": "a", "pots": {}}'),
        ("log", "elapsed_s,gauge_pressure_psi\n1,x\n"),
        ("w1-slave", "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n"),
        ("mqtt-set", ("homie/5/harbour-models-lantern/batch/mass/set", b"nonsense")),
        ("mqtt-left", ("homie/5/harbour-models-gone/$description", b'{"root": "harbour-models"}')),
        ("archive", b"PK\5\6" + bytes(18)),
        ("live-file", '{"format": 1'),
        ("unwritten", '["lantern", 1]\n'),
        ("password-file", "nonsense"),
    ],
)
def test_repeated_refusals_leave_nothing_behind(name, value):
    act = next(target.act for target in targets() if target.name == name)

    def often():
        for number in range(60):
            # a new one each time, so that nothing comes from a cache
            act(value.replace("nonsense", f"nonsense{number}") if isinstance(value, str) else value)
        gc.collect()
        return tracemalloc.get_traced_memory()[0]

    tracemalloc.start()
    try:
        often()
        before = often()
        assert often() - before < GROWTH_BYTES
    finally:
        tracemalloc.stop()
