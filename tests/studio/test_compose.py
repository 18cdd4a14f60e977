"""Checks compose.yaml, its Dockerfile and the files they name, without Docker."""

import re
import tomllib
from pathlib import Path

import pytest
import yaml

from potvigil.commands.arguments.parser import build_parser
from potvigil.settings.network import MqttSettings, PageSettings
from potvigil.settings.studio import StudioSettings
from sandbox import UNITS, settings

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "config/studio"
TEXT = (FOLDER / "compose.yaml").read_text(encoding="utf-8")
COMPOSE = yaml.safe_load(TEXT)
SERVICES = COMPOSE["services"]
DOCKERFILE = (FOLDER / "Dockerfile").read_text(encoding="utf-8").replace("\\\n", " ")
UP = (FOLDER / "up.sh").read_text(encoding="utf-8")
SHARE = Path("/opt/potvigil/share/potvigil")
each_service = pytest.mark.parametrize("service", SERVICES.values(), ids=SERVICES)


def test_the_ports_are_the_defaults_of_the_settings():
    """No other port is open: database.conf, broker.conf and the page listen at these."""
    usual = {
        PageSettings.model_validate({}).port,
        StudioSettings.model_fields["port"].default,
        MqttSettings.model_validate({"host": "b", "tls": {}}).port,
    }
    published = [port.split(":") for each in SERVICES.values() for port in each.get("ports", ())]
    assert {int(port) for pair in published for port in pair} == usual
    assert all(own == other for own, other in published)
    (listener,) = re.findall(r"^listener (\d+)$", (FOLDER / "broker.conf").read_text(), re.MULTILINE)
    assert int(listener) in usual


@each_service
def test_a_service_has_no_more_rights_than_it_needs(service):
    assert service["cap_drop"] == ["ALL"] and service["read_only"] is True
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert (
        not service.keys() & {"privileged", "devices", "cgroup", "pid"} and service["network_mode"] != "host"
    )
    runs_on = service["restart"] != "no"
    assert ("user" in service) is runs_on  # a step that changes owners, as root, without a network
    assert runs_on is not ("cap_add" in service)
    assert runs_on or service["network_mode"] == "none"
    assert ("healthcheck" in service) is runs_on
    (of_settings,) = [each for each in service["volumes"] if each.startswith("settings:")]
    assert of_settings.endswith(":ro") is runs_on


@pytest.fixture(autouse=True)
def _own_network(monkeypatch):
    """The database's network is the one all share; it names none itself."""
    monkeypatch.setitem(SERVICES["database"], "network_mode", "bridge")


def test_each_user_is_created_by_the_image_or_its_packages():
    users = {each["user"] for each in SERVICES.values() if "user" in each}
    made = set(re.findall(r"useradd .* ([\w-]+)$", DOCKERFILE, re.MULTILINE))
    packages = {"postgres": "postgresql", "mosquitto": "mosquitto"}
    installed = re.findall(r"apt-get install ([^&]*)", DOCKERFILE)[0].split()
    assert users - made == set(packages) and set(packages.values()) <= set(installed)
    assert made == set(settings(UNITS / "potvigil-studio.service", "User"))


@each_service
def test_each_service_command_exists_and_parses(service):
    words = service["entrypoint"]
    for word in words:
        if word.startswith(str(SHARE)):
            assert (ROOT / Path(word).relative_to(SHARE)).is_file()
    if words[0] == "bash":
        assert re.search(rf"^{words[2]}\(\) {{", UP, re.MULTILINE)
        assert words[2] in re.findall(r"^case .* in (.*?)\)", UP, re.MULTILINE)[0].split(" | ")
    elif words[0].endswith("potvigil"):
        build_parser().parse_args(words[1:])
    else:
        assert words[0] == "mosquitto"
    test = service.get("healthcheck", {"test": ["CMD", "true"]})["test"]
    if test[1].endswith("potvigil"):
        build_parser().parse_args(test[2:])


def test_each_volume_is_declared_and_mounted_at_one_path():
    places = {tuple(each.split(":")[:2]) for service in SERVICES.values() for each in service["volumes"]}
    names = [name for name, _ in places]
    assert sorted(names) == sorted(set(names)) == sorted(COMPOSE["volumes"])
    begun = set(re.findall(r"install -d [^&]*?(/\S+)\s", f"{DOCKERFILE} "))
    assert {place for _, place in places} == begun  # so that its user owns it from the start
    (state,) = [place for name, place in places if name == "logins"]
    assert SERVICES["page"]["environment"] == {"STATE_DIRECTORY": state}


def test_each_dependency_waits_for_a_condition_that_can_be_met():
    for service in SERVICES.values():
        for name, how in service.get("depends_on", {}).items():
            ends = SERVICES[name]["restart"] == "no"
            assert how == {"condition": "service_completed_successfully" if ends else "service_healthy"}
            assert ends or "healthcheck" in SERVICES[name]
        if service["network_mode"].startswith("service:"):
            assert service["network_mode"].partition(":")[2] in SERVICES


def test_the_file_contains_no_password():
    assert not re.search(r"password\s*[:=]|PASSWORD|secret\s*[:=]", TEXT + DOCKERFILE)
    assert "environment" not in str({k: v for k, v in SERVICES.items() if k != "page"})


def test_the_image_is_built_from_the_clone_with_existing_extras():
    (build,) = [service["build"] for name, service in SERVICES.items() if name == "page"]
    assert (FOLDER / build["context"]).resolve() == ROOT and (ROOT / build["dockerfile"]).is_file()
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    (named,) = re.findall(r"'/source\[(.+)\]'", DOCKERFILE)
    assert set(named.split(",")) == {"page", "studio", "report"} <= extras.keys()
    assert len({each["image"] for each in SERVICES.values()}) == 1
    left_out = (FOLDER / "Dockerfile.dockerignore").read_text().split()
    assert not {"daemon", "config", "systemd", "pyproject.toml", "README.md", "LICENSE"} & set(left_out)
