"""The live state on the page: new within a tick, and nothing stale shown as current."""

import copy
import re
import time

import pytest

from demo_pot import PSI
from paged import Watched, post, shown
from potvigil.model.events import Action, AlarmId, AlarmState, Command
from potvigil.outputs.live import LiveFile
from potvigil.page.views.pots import SHELVE_MINUTES, _shelve_minutes
from potvigil.record.store import Store
from rehearsal import Bench, watching

WITHDRAWN = (
    *("pressure", "pressure_pa", "corrected", "trend", "stage", "stage_word", "cure", "cure_progress"),
    *("forecast", "temperatures", "do"),
)


@pytest.fixture
def fresh(watched, tmp_path):
    """Get /api/now, never from the page's cache."""
    with shown(watched, tmp_path / "reports") as client:

        def ask():
            time.sleep(0.26)
            return client.get("/api/now").json()

        ask.client = client
        yield ask


def test_the_page_shows_what_the_watch_knows(fresh, watched):
    now = fresh()
    snapshot = watched.bench.service.watches["lantern"].snapshot()
    (pot,) = now["pots"]
    assert (now["silent"], now["since"]) == (False, None)
    assert (now["workshop"], now["rehearsed"], now["unit"]) == ("harbour-models", "two-in-the-morning", "psi")
    assert now["now"] == "03:30:00"  # five and a half hours after 22:00
    assert pot["pressure_pa"] == pytest.approx(snapshot.reading.gauge_pa)
    assert float(pot["pressure"].split()[0]) == pytest.approx(snapshot.reading.gauge_pa / PSI, abs=0.05)
    assert (pot["word"], pot["level"], pot["sign"]) == ("leak: floor ahead", "alarm", "■")
    assert (pot["batch"], pot["stage"]) == (1, "holding")
    assert pot["cure_progress"] == pytest.approx(snapshot.cure.progress, abs=1e-3)
    (alarm,) = pot["alarms"]
    assert alarm["alarm"] == "floor-ahead"
    assert alarm["text"] == snapshot.alarms[0].text
    assert re.fullmatch(r"02:\d\d", alarm["since"])
    assert (alarm["is_new"], alarm["old"]) == (True, False)


@pytest.mark.parametrize("age_s", [6.0, 60.0, 86_400.0, 1e7])
def test_when_the_watch_is_silent_every_value_is_withdrawn(fresh, watched, age_s):
    known = fresh()["pots"][0]
    watched.speak(age_s=age_s)
    now = fresh()
    (pot,) = now["pots"]
    assert now["silent"] is True
    assert now["since"] == "03:30"
    assert now["strip"]["word"] == "no data since 03:30" and now["strip"]["do"]
    assert pot["word"] == "no data since 03:30"
    assert (pot["level"], pot["sign"]) == ("unknown", "○")
    assert {key: pot[key] for key in WITHDRAWN} == dict.fromkeys(WITHDRAWN)
    assert all(alarm["old"] for alarm in pot["alarms"]) and pot["alarms"]
    # nor on the pages themselves
    for path in ("/", "/pot/lantern"):
        html = fresh.client.get(path).text
        assert "no data since 03:30" in html
        for name in ("pressure", "cure", "corrected", "temperatures"):
            assert known[name] not in html


def test_a_watch_that_returns_is_shown_as_live_again(fresh, watched):
    watched.speak(age_s=60.0)
    assert fresh()["silent"] is True
    watched.speak()
    assert fresh()["silent"] is False


def test_a_live_file_that_ages_becomes_silent(fresh, watched):
    watched.speak(age_s=4.0)
    assert fresh()["silent"] is False
    time.sleep(1.2)
    assert fresh()["silent"] is True


def test_a_live_file_from_before_a_reboot_is_silent(fresh, watched):
    watched.speak(age_s=-1000.0)  # written in the future: before a reboot
    assert fresh()["silent"] is True


def test_without_a_live_file_the_record_gives_the_last_time(fresh, watched):
    assert fresh()["silent"] is False
    watched.live.unlink()
    with shown(watched, watched.live.parent / "again") as client:
        now = client.get("/api/now").json()
    (pot,) = now["pots"]
    assert now["silent"] is True
    assert pot["word"].startswith("no data since") and "03:" in pot["word"]
    assert {key: pot[key] for key in WITHDRAWN} == dict.fromkeys(WITHDRAWN)
    assert [alarm["alarm"] for alarm in pot["alarms"]] == ["floor-ahead"]
    assert pot["alarms"][0]["old"] is True
    assert fresh()["silent"] is False  # a running page keeps the last live state


def test_without_any_data_the_page_says_so(tmp_path):
    nothing = Watched(None, tmp_path / "live.json", tmp_path / "record.db")
    with shown(nothing, tmp_path / "reports") as client:
        now = client.get("/api/now").json()
        assert (now["silent"], now["since"], now["pots"]) == (True, None, [])
        for path, status in (("/", 200), ("/batches", 503), ("/batch/1", 503), ("/pot/lantern", 404)):
            assert client.get(path).status_code == status
        assert "start the watch" in client.get("/batches").text


def test_a_missing_record_does_not_hide_live_values(fresh, watched):
    fresh()
    watched.record.write_bytes(b"gone")
    now = fresh()
    assert now["silent"] is False
    assert now["pots"][0]["word"] == "leak: floor ahead"
    assert fresh.client.get("/").status_code == 200
    assert fresh.client.get("/pot/lantern").status_code == 200
    assert fresh.client.get("/batches").status_code == 503


def test_the_live_file_of_another_workshop_is_ignored(watched, tmp_path):
    """A page of an archived record, on a machine whose watch writes another one."""
    service = watched.bench.service
    other = LiveFile(watched.live, "harbour-models", None, 1.0)  # a real watch beside a rehearsal's record
    other.begin(0.0, 0.0)
    other.write({pot: watch.snapshot() for pot, watch in service.watches.items()}, service.batch_ids)
    with shown(watched, tmp_path / "reports") as client:
        now = client.get("/api/now").json()
    assert now["silent"] is True
    assert now["rehearsed"] == "two-in-the-morning"


def test_a_rehearsal_is_marked_on_every_view(client):
    for path in ("/", "/pot/lantern", "/batches", "/batch/1", "/login", "/nowhere"):
        answer = client.get(path)
        if answer.status_code != 303:
            assert "Rehearsal" in answer.text, path


def test_the_page_shows_the_outcome_of_a_command(client, watched, tmp_path):
    answer = post(client, "/pot/lantern/acknowledge", alarm="all")
    html = client.get(answer.headers["location"]).text
    assert 'role="alert">The watch is not running; start' in html and 'role="status"' not in html
    bench = Bench(watched.bench.night, tmp_path / "again")
    bench.pass_unwatched(watched.bench.now_s)
    with watching(bench, watched.record):
        answer = post(client, "/pot/lantern/acknowledge", alarm="floor-ahead")
        refused = post(client, "/pot/lantern/shelve", alarm="over-pressure", minutes="5")
        shelved = post(client, "/pot/lantern/shelve", alarm="floor-ahead", minutes="5")
        back = post(client, "/pot/lantern/unshelve", alarm="floor-ahead")
        post(client, "/pot/lantern/acknowledge", alarm="floor-ahead")
    html = client.get(answer.headers["location"]).text
    assert 'role="status">Leak: floor ahead: acknowledged on its page.<' in html
    assert 'role="alert">Over-pressure is not active' in client.get(refused.headers["location"]).text
    assert re.search(
        r"Leak: floor ahead: shelved until \d\d:\d\d\.<", client.get(shelved.headers["location"]).text
    )
    assert "Leak: floor ahead: not acknowledged.<" in client.get(back.headers["location"]).text
    standing = {each.alarm: each.state for each in bench.service.watches["lantern"].snapshot().alarms}
    assert standing[AlarmId.FLOOR_AHEAD] is AlarmState.ACKNOWLEDGED


@pytest.mark.parametrize(
    "asked", ["1", "1-", "-1", "0-999999999", "9-1", "1-1;", "\u0661-\u0662", "9" * 400, "7-8"]
)
def test_a_url_without_valid_commands_shows_no_outcome(client, asked):
    answer = client.get("/pot/lantern", params={"asked": asked})
    assert answer.status_code == 200
    assert 'class="banner said"' not in answer.text and 'class="banner fault"' not in answer.text


def test_care_due_is_shown_on_the_pots_card_and_page(fresh, watched):
    assert fresh()["pots"][0]["care"] is None
    now_utc_s = time.time()
    with Store.open(watched.record) as store:
        store.add_care("lantern", 1.5e9, "seal", "<b>old ring", "anna", 1.5e9, due_utc_s=1.6e9)
        store.add_care(
            "lantern", 1.5e9, "inspection", "", "anna", 1.5e9, due_utc_s=now_utc_s + 86_400.0 * 300
        )
    with shown(watched, watched.record.parent / "again") as client:  # a running page reads care once a minute
        (pot,) = client.get("/api/now").json()["pots"]
        assert pot["care"].startswith("Overdue since 13 September 2020: the seal (last on 14 July 2017")
        assert "inspection" not in pot["care"]
        for path in ("/", "/pot/lantern"):
            html = client.get(path).text
            assert "Overdue since 13 September 2020: the seal" in html
            assert "&lt;b&gt;old ring" in html and "<b>old ring" not in html


def test_a_shelved_alarm_shows_its_end_and_can_be_unshelved(client, watched):
    service = watched.bench.service
    before = service.watches["lantern"]._watch._alarms
    service.watches["lantern"]._watch._alarms = copy.deepcopy(before)  # the night is shared with other tests
    try:
        shelve = Command(Action.SHELVE, 19_800.0, AlarmId.FLOOR_AHEAD, duration_s=900.0)
        service.watches["lantern"].handle(shelve)
        watched.speak()
    finally:
        service.watches["lantern"]._watch._alarms = before
    time.sleep(0.26)
    (pot,) = client.get("/api/now").json()["pots"]
    assert [(each["state"], each["state_words"]) for each in pot["alarms"]] == [
        ("shelved", "shelved until 03:45")
    ]
    for path in ("/", "/pot/lantern"):
        html = client.get(path).text
        assert "shelved until 03:45" in html and 'action="/pot/lantern/unshelve"' in html
    assert 'action="/pot/lantern/shelve"' not in client.get("/pot/lantern").text


@pytest.mark.parametrize(("alarm", "minutes"), [("floor-ahead", [5, 10, 15]), ("leak", list(SHELVE_MINUTES))])
def test_shelving_is_offered_within_the_alarms_limits(alarm, minutes):
    assert _shelve_minutes(alarm) == minutes
