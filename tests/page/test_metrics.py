"""/metrics, read by the library's own parsers: names, units, unknown values, access, cost."""

import base64
import json
import sys
from dataclasses import replace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_metrics
from prometheus_client.parser import text_string_to_metric_families as plain_text

from demo_pot import HOLDING, LANTERN, NOTHING_KNOWN, PSI, T_S, UTC_S, alarm, with_alarms
from paged import shown
from potvigil import __version__
from potvigil.live_reader import Live, LivePot
from potvigil.model.broker import BrokerState
from potvigil.model.events import AlarmId, AlarmState, FloorForecast, Priority
from potvigil.page import passwords
from potvigil.page.metrics import exposition
from potvigil.page.passwords import hashed
from potvigil.page.views import access
from potvigil.record.store import Store

OPEN = "application/openmetrics-text; version=1.0.0"
PASSWORD = "lantern lens no. 3"


def live(*snapshots, rehearsed=None, broker=None, workshop="harbour-models", written_boot_s=990.0):
    pots = {each.pot_id: LivePot(7, each, ()) for each in snapshots}
    return Live(workshop, rehearsed, 1, 1.0, written_boot_s, 0.0, pots, broker)


def series(state, is_silent=False, pots=None, boot_s=1000.0):
    """Return the value of every series by (name, labels), from the strict parser."""
    text, kind = exposition(state, is_silent, boot_s, pots or {}, OPEN)
    assert kind.startswith("application/openmetrics-text; version=1.0.0")
    return read(text.decode())


def read(text):
    found = {}
    for family in open_metrics(text):
        for sample in family.samples:
            key = sample.name, tuple(sorted(sample.labels.items()))
            assert key not in found
            found[key] = sample.value
    return found


def of_lantern(found, name, **labels):
    return found.get((f"potvigil_{name}", tuple(sorted({"pot": "lantern", **labels}.items()))))


def names(found):
    return {name for name, _ in found}


def test_a_pots_values_are_exported_in_base_units() -> None:
    found = series(live(HOLDING), pots={"lantern": LANTERN})
    for name, value in {
        "gauge_pressure_pascals": 59.5 * PSI,
        "absolute_pressure_pascals": 59.5 * PSI + 101_325.0,
        "ambient_absolute_pressure_pascals": 101_325.0,
        "floor_gauge_pressure_pascals": 45.0 * PSI,
        "maximum_gauge_pressure_pascals": 80.0 * PSI,
        "leak_rate_pascals_per_second": HOLDING.leak.rate_pa_per_s.value,
        "leak_rate_low_pascals_per_second": HOLDING.leak.rate_pa_per_s.low,
        "leak_rate_high_pascals_per_second": HOLDING.leak.rate_pa_per_s.high,
        "leak_established": float(HOLDING.leak.established),
        "floor_forecast_timestamp_seconds": HOLDING.forecast.crossing_s - T_S + UTC_S,
        "cure_progress_ratio": HOLDING.cure.progress,
        "cure_done_timestamp_seconds": HOLDING.cure.done_s - T_S + UTC_S,
    }.items():
        assert of_lantern(found, name) == pytest.approx(value), name
    assert of_lantern(found, "temperature_celsius", place="gas") == pytest.approx(294.4 - 273.15)
    assert of_lantern(found, "temperature_celsius", place="contents") == pytest.approx(31.5)
    assert of_lantern(found, "stage", potvigil_stage="holding") == 1.0
    assert sum(value for (name, _), value in found.items() if name == "potvigil_stage") == 1.0
    assert found["potvigil_build_info", (("version", __version__),)] == 1.0
    assert found["potvigil_watch_age_seconds", ()] == pytest.approx(10.0)
    assert found["potvigil_watch_up", ()] == 1.0 and found["potvigil_record_failing", ()] == 0.0


def test_an_unknown_value_has_no_series() -> None:
    found = series(live(NOTHING_KNOWN))
    assert {name.removeprefix("potvigil_") for name in names(found)} == {
        *("build_info", "watch_up", "watch_info", "watch_age_seconds", "record_failing"),
        *("ambient_absolute_pressure_pascals", "stage", "reading_quality", "alarms_standing"),
    }
    assert of_lantern(found, "reading_quality", potvigil_reading_quality="bad") == 1.0
    text, _ = exposition(live(NOTHING_KNOWN), False, 1000.0, {}, OPEN)
    assert all(family.samples for family in open_metrics(text.decode()))
    forecast = FloorForecast(T_S + 600.0, T_S + 300.0, None, before_cure_done=True, top_up_until_s=None)
    perhaps_never = series(live(replace(HOLDING, forecast=forecast)))
    assert of_lantern(perhaps_never, "floor_forecast_earliest_timestamp_seconds") == UTC_S + 300.0
    assert "potvigil_floor_forecast_latest_timestamp_seconds" not in names(perhaps_never)
    no_wall = replace(HOLDING, utc_s=None)
    assert not [name for name in names(series(live(no_wall))) if name.endswith("_timestamp_seconds")]


def test_non_finite_numbers_are_not_exported() -> None:
    for value in (float("nan"), float("inf")):
        reading = replace(HOLDING.reading, gauge_pa=value, gas_k=value)
        found = series(live(replace(HOLDING, reading=reading)))
        assert of_lantern(found, "gauge_pressure_pascals") is None
        assert of_lantern(found, "temperature_celsius", place="gas") is None
        assert of_lantern(found, "temperature_celsius", place="room") is not None


def test_a_silent_watch_exports_its_age_and_no_pot() -> None:
    found = series(live(with_alarms(alarm())), is_silent=True, pots={"lantern": LANTERN})
    assert found["potvigil_watch_up", ()] == 0.0 and found["potvigil_watch_age_seconds", ()] == 10.0
    assert not [labels for _, labels in found if "pot" in dict(labels)]
    assert "potvigil_record_failing" not in names(found)
    earlier_boot = series(live(HOLDING, written_boot_s=5000.0), is_silent=True)
    assert "potvigil_watch_age_seconds" not in names(earlier_boot)
    never = series(None, is_silent=True)
    assert never["potvigil_watch_up", ()] == 0.0 and len(never) == 2


def test_alarms_have_id_priority_and_state_and_are_counted_by_priority() -> None:
    high = alarm(AlarmId.FLOOR_AHEAD, priority=Priority.HIGH)
    low = replace(alarm(), priority=Priority.LOW, state=AlarmState.SHELVED)
    found = series(live(with_alarms(high, low)))
    labels = {"alarm": "floor-ahead", "priority": "high", "state": "unacknowledged"}
    assert of_lantern(found, "alarm_standing", **labels) == 1.0
    assert of_lantern(found, "alarm_standing", alarm="leak", priority="low", state="shelved") == 1.0
    counted = {
        each: of_lantern(found, "alarms_standing", priority=each) for each in ("high", "medium", "low")
    }
    assert counted == {"high": 1.0, "medium": 0.0, "low": 1.0}


def test_a_failing_record_is_exported_while_it_fails() -> None:
    failing = alarm(AlarmId.RECORD_FAILING)
    for state, exported in ((AlarmState.UNACKNOWLEDGED, 1.0), (AlarmState.RETURNED, 0.0)):
        found = series(live(with_alarms(replace(failing, state=state))))
        assert found["potvigil_record_failing", ()] == exported


def test_broker_metrics_exist_only_with_a_broker() -> None:
    assert not [name for name in names(series(live(HOLDING))) if "broker" in name]
    found = series(live(HOLDING, broker=BrokerState(True, "two of us")))
    assert found["potvigil_broker_connected", ()] == 1.0 and found["potvigil_broker_trouble", ()] == 1.0


def test_a_rehearsal_has_metric_names_of_its_own() -> None:
    real, rehearsed = names(series(live(HOLDING))), names(series(live(HOLDING, rehearsed="sound")))
    assert real & rehearsed == {"potvigil_build_info"}
    assert all(name.startswith("potvigil_rehearsal_") for name in rehearsed - real)


@pytest.mark.parametrize("text", ['a"b\\c\nd', "Töpfe", 'x"} 1\nforged 1\n#', "\ud800"])
@pytest.mark.parametrize("parse", [open_metrics, plain_text])
def test_no_text_in_a_live_file_can_forge_a_series(text, parse) -> None:
    odd = replace(HOLDING, pot_id=text)
    accept = OPEN if parse is open_metrics else ""
    body, _ = exposition(live(odd, workshop=text), False, 1000.0, {}, accept)
    sent = text.encode("utf-8", "replace").decode()
    families = list(parse(body.decode()))
    assert all(family.name.startswith("potvigil_") for family in families)
    labels = {sample.labels.get("pot") for family in families for sample in family.samples}
    assert labels == {sent, None}


def test_every_name_ends_with_its_unit_and_every_pressure_names_its_reference() -> None:
    text, _ = exposition(live(with_alarms(alarm())), False, 1000.0, {"lantern": LANTERN}, OPEN)
    for family in open_metrics(text.decode()):
        assert family.documentation.endswith(".")
        assert not family.unit or family.name.endswith(f"_{family.unit}")
        if family.unit == "pascals":
            assert "gauge" in family.name or "absolute" in family.name


# --- over HTTP


def test_the_format_follows_the_accept_header(client) -> None:
    answer = client.get("/metrics", headers={"accept": f"{OPEN};q=0.5,text/plain;version=0.0.4;q=0.2"})
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert (
        "potvigil_rehearsal_stage",
        (("pot", "lantern"), ("potvigil_rehearsal_stage", "holding")),
    ) in read(answer.text)
    for accept in (
        "",
        "*/*",
        "text/html",
        "application/openmetrics-text; version=none",
        "text/plain;version=x",
    ):
        plain = client.get("/metrics", headers={"accept": accept})
        assert plain.status_code == 200
        assert plain.headers["content-type"].startswith("text/plain; version=0.0.4")
        assert "potvigil_rehearsal_gauge_pressure_pascals" in {each.name for each in plain_text(plain.text)}


def test_a_removed_pot_has_no_series(watched, client) -> None:
    assert 'pot="lantern"' in client.get("/metrics").text
    tree = json.loads(watched.live.read_text(encoding="utf-8"))
    tree["pots"] = {"buoy": tree["pots"]["lantern"]}
    watched.live.write_text(json.dumps(tree), encoding="utf-8")
    assert 'pot="lantern"' not in client.get("/metrics").text


def test_a_watch_going_silent_is_exported_and_its_values_withdrawn(watched, client) -> None:
    watched.speak(age_s=60.0)
    found = read(client.get("/metrics", headers={"accept": OPEN}).text)
    assert found["potvigil_rehearsal_watch_up", ()] == 0.0
    assert found["potvigil_rehearsal_watch_age_seconds", ()] == pytest.approx(60.0, abs=30.0)
    assert "potvigil_rehearsal_gauge_pressure_pascals" not in names(found)


def test_metrics_are_read_only(client) -> None:
    assert client.post("/metrics", headers={"sec-fetch-site": "same-origin"}).status_code == 405
    assert "set-cookie" not in client.get("/metrics").headers
    assert client.get("/metrics", headers={"host": "rebound.example"}).status_code == 421


def test_metrics_do_not_read_the_record(client, monkeypatch) -> None:
    client.get("/metrics")
    monkeypatch.setattr(Store, "open_read_only", lambda *_: pytest.fail("the record was opened"))
    assert all(client.get("/metrics").status_code == 200 for _ in range(5))


def test_without_the_metrics_library_the_page_still_works(client, monkeypatch) -> None:
    monkeypatch.delitem(sys.modules, "potvigil.page.metrics", raising=False)
    monkeypatch.setitem(sys.modules, "prometheus_client", None)
    monkeypatch.setitem(sys.modules, "prometheus_client.exposition", None)
    answer = client.get("/metrics")
    assert answer.status_code == 503 and "prometheus_client" in answer.text
    assert client.get("/api/now").status_code == 200


# --- behind a password


@pytest.fixture(scope="module")
def password_hash():
    return hashed(PASSWORD)


@pytest.fixture
def guarded(watched, tmp_path, password_hash):
    with shown(watched, tmp_path / "reports", password=password_hash) as client:
        yield client


def basic_auth(password, user="scraper"):
    return {"authorization": "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()}


def test_metrics_need_the_password_if_there_is_one(guarded) -> None:
    for headers in (
        *({}, basic_auth("wrong password"), {"authorization": "Basic !"}, {"authorization": "Bearer x"}),
        {"authorization": basic_auth(PASSWORD)["authorization"].replace("Basic", "Bearer")},
    ):
        answer = guarded.get("/metrics", headers=headers)
        assert answer.status_code == 401 and "potvigil" not in answer.text
        assert answer.headers["www-authenticate"].startswith("Basic ")
    assert guarded.get("/metrics", headers=basic_auth(PASSWORD)).status_code == 200
    assert guarded.get("/api/now", headers=basic_auth(PASSWORD)).status_code == 401  # for /metrics only


def test_the_right_password_is_hashed_once_and_a_wrong_one_each_time(guarded, monkeypatch) -> None:
    tried = []
    monkeypatch.setattr(
        access, "verify", lambda given, line: tried.append(given) or passwords.verify(given, line)
    )
    for _ in range(4):
        assert guarded.get("/metrics", headers=basic_auth(PASSWORD)).status_code == 200
    assert tried == [PASSWORD]
    assert guarded.get("/metrics", headers=basic_auth("wrong password")).status_code == 401
    assert len(tried) == 2


def test_a_guesser_waits_even_with_the_right_password(guarded, monkeypatch) -> None:
    assert guarded.get("/metrics", headers=basic_auth(PASSWORD)).status_code == 200
    answers = [guarded.get("/metrics", headers=basic_auth(f"guess {i}")).status_code for i in range(4)]
    assert answers == [401, 401, 401, 429]
    late = guarded.get("/metrics", headers=basic_auth(PASSWORD))
    assert late.status_code == 429 and int(late.headers["retry-after"]) >= 1
