"""How `rehearse --mqtt` signs in: by the settings, with host and port replaced if given."""

from pathlib import Path

import pytest

from broker import HOST, Broker, free_port, retained
from potvigil.cli import main
from potvigil.commands.rehearsal.rehearse import _link
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS

NIGHT = NIGHTS["vented-early"]
USER, PASSWORD = "lantern", "right"
BARE = load_text(NIGHT.settings_yaml, "night")


def settings_text(port: int, secret: Path, ca_file: Path | None = None) -> str:
    tls = "" if ca_file is None else f", tls: {{ca_file: {ca_file}}}"
    return (
        f"{NIGHT.settings_yaml}sample_period: 5 s\nmqtt: {{host: {HOST}, port: {port}, username: {USER}, "
        f"password_file: {secret}, client_id: potvigil-harbour, discovery: true{tls}}}\n"
    )


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text(f"{PASSWORD}\n")
    return path


@pytest.mark.parametrize(
    ("words", "tls"), [(["--mqtt"], False), (["--mqtt", HOST], True), (["--mqtt", "{host}:{port}"], True)]
)
def test_a_rehearsal_signs_in_as_the_settings_say(
    words: list[str], tls: bool, tmp_path: Path, secret: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Broker(tmp_path / "broker", password=(USER, PASSWORD), tls=tls) as broker:
        config = tmp_path / "workshop.yaml"
        config.write_text(settings_text(broker.port, secret, broker.ca_file))
        given = [word.format(host=HOST, port=broker.port) for word in words]
        command = ["rehearse", NIGHT.name, "--config", str(config), "--record", str(tmp_path / "record.db")]
        with broker.listen() as listener:
            # 4060 s in some seconds: long enough to connect
            assert main([*command, "--speed", "1500", *given]) == 0
            told = {message.topic.partition("/")[0] for message in listener.heard}
        assert retained(broker) == {}
    assert {"potvigil-rehearsal", "homeassistant"} == told
    # under the watch's own id the broker would put out the watch
    log = (tmp_path / "broker" / "mosquitto.log").read_text()
    assert "as potvigil-harbour-rehearsal " in log and "as potvigil-harbour " not in log
    assert PASSWORD not in capsys.readouterr().out


def test_options_replace_only_their_own_settings(secret: Path) -> None:
    settings = load_text(settings_text(8884, secret), "workshop")
    for given, host, port in (
        ("", HOST, 8884),
        ("broker.local", "broker.local", 8884),
        ("broker.local:1884", "broker.local", 1884),
        ("[fe80::1]:1884", "fe80::1", 1884),
        ("[fe80::1]", "fe80::1", 8884),
    ):
        link = _link(given, settings)
        assert (link.host, link.port, link.username, link.password) == (host, port, USER, PASSWORD)
        assert link.discovery_prefix == "homeassistant"


def test_without_an_mqtt_block_only_the_options_count() -> None:
    link = _link("broker.local", BARE)
    assert (link.host, link.port, link.username, link.tls) == ("broker.local", 1883, None, False)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ([], "which broker? give HOST[:PORT], or --config with an mqtt block"),
        (["broker.local:mqtt"], "give HOST or HOST:PORT"),
        (["broker.local:99999"], "give HOST or HOST:PORT"),
        ([":1883"], "give HOST or HOST:PORT"),
        (["mqtt://broker.local"], "give HOST or HOST:PORT"),
        (["anna:secret@broker.local"], "give HOST or HOST:PORT"),
        (["broker.local/path"], "give HOST or HOST:PORT"),
        (["[fe80::1"], "give HOST or HOST:PORT"),
        (["sound"], "that is a night; name it before --mqtt"),
    ],
)
def test_an_impossible_broker_is_refused_in_one_line(
    given: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rehearse", "--mqtt", *given]) == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


def test_a_missing_password_file_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "workshop.yaml"
    config.write_text(settings_text(free_port(), tmp_path / "no-such-file"))
    assert main(["rehearse", "--config", str(config), "--mqtt", "broker.local"]) == 2
    assert "no-such-file" in capsys.readouterr().err
