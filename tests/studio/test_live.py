"""The page of all records, live: a real watch, a real broker, a real database, and a bridge that is cut.

A pot's state comes through its watch's own topics; what was acknowledged comes from its record.
"""

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from uuid import uuid4

import pytest
from starlette.testclient import TestClient

from broker import HOST, Broker
from live_pi import ALARMED_S, HOLDING_S, OPEN_S, Pi
from many_records import Studio
from paged import SAME, post, token_of
from patience import PATIENCE_S, wait_until
from potvigil.model.events import Action, AlarmId, AlarmState
from potvigil.model.who import PAGE
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.page.many.broker import asking, listener
from potvigil.page.many.broker.listener import Listener
from potvigil.page.many.overlay import AHEAD_S
from potvigil.page.passwords import hashed
from potvigil.record.store import Store
from potvigil.reports.batch import report_html
from potvigil.reports.collect import collect_report
from potvigil.units import PRESSURE_UNITS_PA
from way import Way

PASSWORD = "open sesame"
HASHED = hashed(PASSWORD)
BRIDGE = Path(__file__).parents[2] / "config/studio/bridge.conf"


@pytest.fixture(autouse=True)
def patient(monkeypatch) -> None:
    monkeypatch.setattr(asking, "ANSWER_S", PATIENCE_S)


@pytest.fixture
def workshop() -> str:
    return f"harbour-{uuid4().hex[:8]}"


@pytest.fixture
def studio(postgres) -> Studio:
    return Studio(postgres)


@pytest.fixture
def broker(tmp_path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker") as broker:
        yield broker


@contextmanager
def page_of(
    studio: Studio, port: int, *workshops: str, password: str | None = HASHED
) -> Iterator[TestClient]:
    """Yield a client of the page, logged in if it has a password."""
    name = f"desk-{uuid4().hex[:8]}"
    heard = Listener(MqttLink(HOST, port), name)
    with studio.shown(name, *workshops, listener=heard, by="front-desk", password=password) as client:
        if password is not None:
            assert post(client, "/login", password=PASSWORD).status_code == 303
        yield client


def pot_of(client: TestClient) -> dict:
    (pot,) = client.get("/api/now").json()["pots"]
    return pot


def until(client: TestClient, done: Callable[[dict], object], what: str) -> dict:
    """Wait until the only pot satisfies a condition, and return it."""
    seen: list[dict] = []

    def is_done() -> bool:
        seen.append(pot_of(client))
        time.sleep(0.1)
        return bool(done(seen[-1]))

    wait_until(is_done, lambda: f"{what}: {json.dumps(seen[-1], ensure_ascii=False)[:1500]}")
    return seen[-1]


def is_live(pot: dict) -> bool:
    return pot["live"]


def state_of(pot: dict, alarm: str = "floor-ahead") -> str | None:
    return next((each["state_words"] for each in pot["alarms"] if each["alarm"] == alarm), None)


def acknowledge(client: TestClient, alarm: str = "floor-ahead", **fields: str):
    """Press the acknowledge button."""
    return post(client, f"{pot_of(client)['href']}/acknowledge", alarm=alarm, **fields)


def commands(pi: Pi) -> list[tuple[str, str | None]]:
    """Return who asked the watch to acknowledge something, and the outcomes."""
    pi.flush()
    with Store.open_read_only(pi.record) as store:
        return [
            (command.by, command.alarm)
            for command in store.commands("lantern", 0.0)
            if command.action is Action.ACKNOWLEDGE
        ]


# -- live ------------------------------------------------------------------------------------------


def test_the_live_state_is_shown_before_the_record_is_shipped(studio, broker, workshop, tmp_path):
    with Pi(tmp_path / "pi", workshop, broker.port, until_s=HOLDING_S) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            before = until(client, is_live, "never live")
            assert (before["heard"], before["word"], before["alarms"]) == ("Live.", "holding", [])
            pi.go_on(ALARMED_S)
            psi = PRESSURE_UNITS_PA["psi"]
            above_pa = pi.gauge_pa() + 0.05 * psi  # it leaks
            pot = until(
                client,
                lambda pot: pot["alarms"] and pot["live"] and pot["pressure_pa"] <= above_pa,
                "no alarm came with a reading of now",
            )
            assert (pot["word"], state_of(pot)) == ("leak: floor ahead", "not acknowledged")
            assert pi.gauge_pa() - 0.05 * psi <= pot["pressure_pa"]
            assert pot["pressure_pa"] < before["pressure_pa"] - psi
            assert pot["do"].startswith("Top up to 60.0 psi by ")
            pi.go_on(OPEN_S)  # it is vented
            assert until(client, lambda pot: pot["stage"] == "open", "never open")["live"]


def test_without_a_broker_the_page_shows_what_was_shipped_and_says_so(studio, broker, workshop, tmp_path):
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            assert client.get("/api/now").json()["notice"] is None
            broker.stop()
            pot = until(client, lambda pot: not pot["live"], "live for ever")
            assert pot["heard"].startswith("As of ") and pot["pressure"] is not None
            notice = client.get("/api/now").json()["notice"]
            assert (
                notice.startswith(f"MQTT broker {HOST}:{broker.port} is unreachable") and "\n" not in notice
            )
            assert "up to a minute old" in client.get("/alarms").text
            assert "/acknowledge" not in client.get("/alarms").text
            answer = acknowledge(client)
            assert answer.status_code == 503 and "Not acknowledged. MQTT broker" in answer.text
            broker.start()
            assert state_of(until(client, is_live, "never live again")) == "not acknowledged"
        assert commands(pi) == []


@pytest.mark.parametrize("ahead_s", [60.0, -60.0])
def test_a_pi_whose_clock_is_off_shows_right_ages(studio, broker, workshop, tmp_path, ahead_s):
    with Pi(tmp_path / "pi", workshop, broker.port, ahead_s=ahead_s) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            pot = until(client, is_live, "never live")
            (alarm,) = pot["alarms"]
            since_s, now_s = pi.alarms()["floor-ahead"].since_s, pi.do(lambda: pi.bench.now_s)
            began = {  # on either side of a minute's end
                time.strftime("%H:%M", time.gmtime(time.time() - (now_s - since_s) + jitter_s))
                for jitter_s in (-3.0, 3.0)
            }
            assert alarm["since"] in began
            left_s = pi.alarms()["floor-ahead"].by_s - now_s
            assert alarm["left_s"] == pytest.approx(left_s, abs=10.0)


@pytest.mark.parametrize("how", ["lost", "disconnected"])
def test_the_pots_of_a_missing_pi_are_shown_as_silent(studio, broker, workshop, tmp_path, how):
    way = Way(broker.port)
    with Pi(tmp_path / "pi", workshop, way.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            way.cut() if how == "lost" else pi.end()
            pot = until(client, lambda pot: "silent" in pot["heard"], "never silent")
            assert pot["word"].startswith("no data since ") and pot["pressure"] is None
            assert pot["level"] == "unknown" and pot["alarms"][0]["old"]
            answer = acknowledge(client)
            assert answer.status_code == 503 and "Not acknowledged. Its Pi is silent." in answer.text
        if how == "disconnected":
            return
        # its record still arrives: so not the Pi is silent, but its connection to the broker
        with page_of(studio, broker.port, workshop) as client:
            pi.go_on(ALARMED_S + 2.0 * AHEAD_S)
            pi.flush()
            studio.ship(pi.record)
            assert until(client, lambda pot: pot["pressure"], "silent for ever")["heard"].startswith("As of ")
            way.mend()
            until(client, is_live, "never live again")


# -- acknowledging ---------------------------------------------------------------------------------


def test_an_acknowledgement_at_the_studio_reaches_the_pi_with_its_author(studio, broker, workshop, tmp_path):
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            path = f"{pot_of(client)['href']}/acknowledge"
            for page, back in (("/alarms", "/alarms"), ("/", "/"), (pot_of(client)["href"], None)):
                html = client.get(page).text
                assert f'action="{path}"' in html and (f'name="back" value="{back}"' in html) is bool(back)
            answer = acknowledge(client, back="/alarms")
            assert (answer.status_code, answer.headers["location"]) == (303, "/alarms?said=acknowledged")
            html = client.get("/alarms?said=acknowledged").text
            assert "Acknowledged; its watch confirms it." in html and "acknowledged by front-desk" in html
            assert path not in html
            assert state_of(pot_of(client)) == "acknowledged by front-desk"
            assert pi.alarms()["floor-ahead"].by_whom == "front-desk"
            # once more from a stale page: it is acknowledged already, and nothing is sent again
            assert acknowledge(client).status_code == 303
            assert commands(pi) == [("front-desk", AlarmId.FLOOR_AHEAD)]
            assert pi.acknowledged() == [("floor-ahead", "front-desk")]
        with Store.open_read_only(pi.record) as store:
            assert "Acknowledged by front-desk." in report_html(collect_report(store, 1))
        # the record carries it to the studio, which shows it without any broker
        studio.ship(pi.record)
        with studio.shown(f"plain-{uuid4().hex[:8]}", workshop) as plain:
            assert state_of(pot_of(plain)) == "acknowledged by front-desk"
            assert "acknowledged by front-desk" in plain.get(f"/of/{pot_of(plain)['record']}/batch/1").text


def test_an_acknowledgement_at_the_pi_reaches_the_studio(studio, broker, workshop, tmp_path):
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            with Store.open(pi.record, create=False) as store:
                store.add_command("lantern", Action.ACKNOWLEDGE, time.time(), alarm=None, by=PAGE)
            pot = until(client, lambda pot: state_of(pot) != "not acknowledged", "never acknowledged")
            assert state_of(pot) == "acknowledged on its page"


def test_a_refusal_by_the_watch_is_shown(studio, broker, workshop, tmp_path, monkeypatch):
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        monkeypatch.setattr(asking, "set_payload", lambda alarm, by: f"{alarm} by page".encode())
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            answer = acknowledge(client)
            assert answer.status_code == 503
            assert "Not acknowledged. The watch says: alarms/acknowledge was not set" in answer.text
        assert pi.acknowledged() == []


def test_a_missing_answer_is_shown(studio, broker, workshop, tmp_path, monkeypatch):
    monkeypatch.setattr(asking, "ANSWER_S", 0.5)
    monkeypatch.setattr(listener.Listener, "ask", lambda *_: True)
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            until(client, is_live, "never live")
            answer = acknowledge(client)
            assert answer.status_code == 503 and "The watch did not answer within" in answer.text


def test_only_logged_in_users_who_may_see_the_workshop_can_acknowledge(studio, broker, workshop, tmp_path):
    with Pi(tmp_path / "pi", workshop, broker.port) as pi:
        pi.flush()
        studio.ship(pi.record)
        with page_of(studio, broker.port, workshop) as client:
            pot = until(client, is_live, "never live")
            path, fields = f"{pot['href']}/acknowledge", {"alarm": "floor-ahead"}
            csrf = token_of(client.get("/alarms").text)
            foreign = {"sec-fetch-site": "cross-site", "origin": "https://elsewhere.example"}
            assert client.post(path, data=fields | {"csrf": csrf}, headers=foreign).status_code == 403
            assert client.post(path, data=fields | {"csrf": "0" * 64}, headers=SAME).status_code == 403
            assert client.post(path, data=fields, headers=SAME).status_code == 403
            assert post(client, path, alarm="no-such-alarm").status_code == 422
            elsewhere = post(client, path, alarm="floor-ahead", back="https://elsewhere.example")
            assert elsewhere.headers["location"] == f"{pot['href']}?said=acknowledged"
            client.cookies.clear()
            stranger = client.post(path, data=fields | {"csrf": csrf}, headers=SAME)
            assert stranger.status_code == 303 and stranger.headers["location"].startswith("/login")
        with page_of(studio, broker.port, f"{workshop}-other") as other:
            token = token_of(other.get("/").text)
            assert other.post(path, data=fields | {"csrf": token}, headers=SAME).status_code == 404
        with page_of(studio, broker.port, workshop, password=None) as reading:
            until(reading, is_live, "never live")
            assert "<form" not in reading.get("/alarms").text + reading.get(pot["href"]).text
            answer = reading.post(path, data=fields, headers=SAME)
            assert answer.status_code == 403 and "can only show alarms" in answer.text
        assert [by for by, _ in commands(pi)] == ["front-desk"]


# -- a bridge --------------------------------------------------------------------------------------


def test_a_cut_bridge_acknowledges_nothing_twice_or_late(studio, workshop, tmp_path, monkeypatch):
    with Broker(tmp_path / "studio") as there:
        way = Way(there.port)
        text = BRIDGE.read_text(encoding="utf-8")
        bridge = text.replace("studio.local:8883", f"{HOST}:{way.port}").replace("harbour-models", workshop)
        bridge = re.sub(r"^(bridge_cafile|remote_username|remote_password) .*$", "", bridge, flags=re.M)
        with (
            Broker(tmp_path / "here", more=[*bridge.splitlines(), "restart_timeout 1 2"]) as here,
            Pi(tmp_path / "pi", workshop, here.port, until_s=HOLDING_S) as pi,
        ):
            pi.flush()
            studio.ship(pi.record)
            with page_of(studio, there.port, workshop) as client:
                until(client, is_live, "never live")
                way.cut()
                pi.go_on(ALARMED_S)  # the alarm is raised meanwhile
                assert pot_of(client)["alarms"] == []
                way.mend()
                pot = until(client, lambda pot: pot["live"] and pot["alarms"], "never back")
                assert state_of(pot) == "not acknowledged" and commands(pi) == []
                way.cut()
                with monkeypatch.context() as hasty:
                    hasty.setattr(asking, "ANSWER_S", 2.0)
                    hasty.setattr(listener, "EXPIRES_S", 2)
                    late = acknowledge(client)  # the page cannot know yet that the bridge is cut
                assert late.status_code == 503
                assert re.search("did not answer within|Its Pi is silent", late.text)
                way.mend()
                until(client, is_live, "never back again")
                time.sleep(3.0)  # for whatever was in transit
                assert commands(pi) == [] and state_of(pot_of(client)) == "not acknowledged"
                assert acknowledge(client).status_code == 303
                assert pi.acknowledged() == [("floor-ahead", "front-desk")]
                way.cut()
                pi.go_on(OPEN_S)  # vented; nothing of the hold is left
                way.mend()
                pot = until(client, lambda pot: pot["live"] and pot["stage"] == "open", "never open")
                assert {each["alarm"] for each in pot["alarms"]} == set(pi.alarms())
                assert pi.alarms()["vented-early"].state is AlarmState.UNACKNOWLEDGED
                assert pi.acknowledged()[:1] == [("floor-ahead", "front-desk")] and len(commands(pi)) == 1


def test_a_command_kept_for_a_pi_that_is_away_expires(tmp_path, monkeypatch):
    topic, session = "homie/5/lantern/set", ("-c", "-i", "pi", "-x", "3600")
    # a broker may be set to keep even messages of QoS 0
    with Broker(tmp_path / "broker", more=["queue_qos0_messages true"]) as broker:
        with broker.listen(topic, *session):
            pass
        desk = Listener(MqttLink(HOST, broker.port), "desk")
        desk.start()
        wait_until(lambda: desk.trouble is None, "never connected")
        monkeypatch.setattr(listener, "EXPIRES_S", 1)
        assert desk.ask(topic, b"late")
        time.sleep(2.0)  # longer than it may wait
        monkeypatch.setattr(listener, "EXPIRES_S", 600)
        assert desk.ask(topic, b"in time")
        with broker.listen(topic, *session) as pi:
            pi.wait_for(topic, b"in time")
        desk.close()
    assert [message.payload for message in pi.heard] == [b"in time"]
