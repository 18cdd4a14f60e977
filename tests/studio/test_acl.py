"""Accounts at the studio's broker: what the shipped ACL allows each, tested with a real Mosquitto."""

import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from broker import HOST, Broker, Listener
from patience import PATIENCE_S, wait_until
from potvigil.settings.loading import load_studio_page

ACL = Path(__file__).parents[2] / "config/studio/acl"
GUIDE = ACL.parents[1] / "studio.md"
PI, PAGE, OTHER_PI, ROOT = "lantern-pi", "front-desk", "castle-pi", "homie/5"
WORKSHOP, OTHER = "harbour-models", "castle-models"
LANTERN, TOWER = f"{ROOT}/{WORKSHOP}-lantern", f"{ROOT}/{OTHER}-tower"
ACKNOWLEDGE = "alarms/acknowledge/set"
OF_LANTERN = {f"{LANTERN}/{path}" for path in ("pressure/gauge", ACKNOWLEDGE, "batch/label/set")}


def typed() -> list[str]:
    """Return what the guide says to type: its indented lines."""
    return re.findall(r"^ {4}(\S.*)$", GUIDE.read_text(encoding="utf-8"), re.M)


class Office(Broker):
    """The studio's broker, with an unrestricted account such as its owner's."""

    def as_user(self, user: str) -> list[str]:
        return ["-h", HOST, "-p", str(self.port), "-V", "mqttv5", "-u", user, "-P", f"{user}-secret"]

    def try_to_publish(self, user: str, topic: str) -> bytes:
        """Publish as a user, and return what was sent; only a listener knows whether it was passed on."""
        payload = f"{user} on {topic}".encode()
        command = ["mosquitto_pub", *self.as_user(user), "-t", topic, "-q", "1", "-s"]
        subprocess.run(command, input=payload, check=True, timeout=PATIENCE_S, capture_output=True)
        return payload

    def listen_as(self, user: str) -> Listener:
        return Listener(["mosquitto_sub", *self.as_user(user)], "#")


@pytest.fixture(scope="module")
def office(tmp_path_factory) -> Iterator[Office]:
    folder = tmp_path_factory.mktemp("office")
    # word for word, then a second Pi added as it says, and the owner
    second = f"user {OTHER_PI}\ntopic readwrite {ROOT}/{OTHER}/#\ntopic readwrite {ROOT}/{OTHER}-tower/#\n"
    rules = f"{ACL.read_text(encoding='utf-8')}\n{second}\nuser owner\ntopic readwrite #\n"
    (folder / "acl").write_text(rules)
    access = [line for line in typed() if line.split()[0] in ("allow_anonymous", "password_file", "acl_file")]
    assert len(access) == 3
    for user in (PI, PAGE, OTHER_PI, "owner"):
        flags = ["-b"] if (folder / "passwords").exists() else ["-b", "-c"]
        command = ["mosquitto_passwd", *flags, str(folder / "passwords"), user, f"{user}-secret"]
        subprocess.run(command, check=True, capture_output=True, timeout=PATIENCE_S)
    lines = [line.replace("/etc/mosquitto", str(folder)) for line in access]
    with Office(folder, is_open=False, more=lines) as office:
        yield office


@pytest.mark.parametrize(
    ("user", "topic", "may"),
    [
        (PI, f"{ROOT}/{WORKSHOP}/$state", True),
        (PI, f"{LANTERN}/pressure/gauge", True),
        (PI, f"{LANTERN}/$alert/leak", True),
        (PI, f"{TOWER}/pressure/gauge", False),
        (PI, f"{ROOT}/{OTHER}/$state", False),
        (PI, f"{TOWER}/{ACKNOWLEDGE}", False),
        (PI, f"{ROOT}/{WORKSHOP}-unlisted/pressure/gauge", False),
        (PI, "elsewhere", False),
        (OTHER_PI, f"{TOWER}/pressure/gauge", True),
        (OTHER_PI, f"{LANTERN}/pressure/gauge", False),
        (PAGE, f"{LANTERN}/{ACKNOWLEDGE}", True),
        (PAGE, f"{TOWER}/{ACKNOWLEDGE}", True),
        (PAGE, f"{LANTERN}/alarms/unshelve/set", False),
        (PAGE, f"{LANTERN}/batch/label/set", False),
        (PAGE, f"{LANTERN}/pressure/gauge", False),
        (PAGE, f"{LANTERN}/$alert/leak", False),
        (PAGE, f"{ROOT}/{WORKSHOP}/$state", False),
    ],
)
def test_who_may_publish_what(office, user, topic, may):
    with office.listen_as("owner") as owner:
        sent = office.try_to_publish(user, topic)
        end = office.try_to_publish("owner", f"end/{topic}")
        wait_until(lambda: any(each.payload == end for each in owner.heard), "the end never came")
        assert any((each.topic, each.payload) == (topic, sent) for each in owner.heard) is may


@pytest.mark.parametrize(
    ("user", "allowed"),
    [
        (PAGE, {*OF_LANTERN, f"{TOWER}/pressure/gauge"}),
        (PI, OF_LANTERN),
        (OTHER_PI, {f"{TOWER}/pressure/gauge"}),
    ],
)
def test_who_hears_what(office, user, allowed):
    topics = [*OF_LANTERN, f"{TOWER}/pressure/gauge", "elsewhere"]
    with office.listen_as(user) as listener, office.listen_as("owner") as owner:
        for topic in topics:
            office.try_to_publish("owner", topic)
        wait_until(lambda: {each.topic for each in owner.heard} >= set(topics), "the owner hears all")
        wait_until(lambda: {each.topic for each in listener.heard} >= allowed, "it hears less")
        # everything sent has arrived, as another message to this user shows
        own = {PAGE: f"{LANTERN}/{ACKNOWLEDGE}", PI: f"{LANTERN}/end", OTHER_PI: f"{TOWER}/end"}[user]
        end = office.try_to_publish(user, own)
        wait_until(lambda: any(each.payload == end for each in listener.heard), "the end never came")
        assert {each.topic for each in listener.heard} == allowed | {own}


def test_nobody_connects_without_an_account(office):
    command = ["mosquitto_pub", "-h", HOST, "-p", str(office.port), "-t", f"{LANTERN}/$state", "-m", "lost"]
    done = subprocess.run(command, capture_output=True, timeout=PATIENCE_S)
    assert done.returncode != 0


def test_the_settings_lines_in_the_guide_are_valid_for_a_page(tmp_path):
    blocks = {line.partition(":")[0]: line for line in typed() if re.match(r"(studio|page|mqtt): \{", line)}
    (tmp_path / "studio.yaml").write_text("\n".join(blocks.values()))
    for name in set(re.findall(r"(?:_file): ([\w.-]+)", "\n".join(blocks.values()))):
        (tmp_path / name).write_text("secret\n")
    settings = load_studio_page(tmp_path / "studio.yaml")
    assert settings.mqtt is not None and settings.mqtt.tls is not None
    assert (settings.mqtt.port, settings.mqtt.username) == (8883, PAGE)
