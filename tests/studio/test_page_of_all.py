"""The page of all records: most urgent pot first, one list of alarms, one of batches, no other workshop's."""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from uuid import UUID, uuid4

import pytest
from sqlalchemy import text
from starlette.testclient import TestClient

from many_records import Studio, kept, page_config, raised
from paged import SAME, post
from patience import wait_until
from potvigil.commands.page import pots_of
from potvigil.model.events import AlarmId, AlarmState, BatchClosed, BatchOpened, Detail, EditEvent, Priority
from potvigil.page.many.site import ManyPage
from potvigil.page.passwords import hashed
from potvigil.page.views.curve import CurveQuery, curve
from potvigil.record.errors import AwayRecordError
from potvigil.record.store import Store
from potvigil.upkeep import pictures
from record_night import SUMMARY, alarm
from shipped import identity

HARBOUR, CASTLE, MILL = "harbour", "castle", "mill"
PNG = bytes.fromhex("89504e470d0a1a0a") + b"\0" * 40


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    return {
        "lantern": kept(folder / "a.db", HARBOUR, "lantern", alarm=AlarmId.FLOOR_AHEAD, leaks=True),
        "tower": kept(folder / "b.db", CASTLE, "tower", unit="bar", label="battlements 100 %"),
        "gate": kept(folder / "c.db", CASTLE, "gate", ago_s=4000.0, alarm=AlarmId.LEAK),
        "wheel": kept(folder / "d.db", MILL, "wheel", ago_s=90_000.0, is_open=False),
    }


@pytest.fixture(scope="module")
def studio(postgres, records):
    studio = Studio(postgres)
    numbers = {pot: studio.ship(record) for pot, record in records.items()}
    studio.heard(numbers["wheel"], 90_000.0)
    return studio


@pytest.fixture(scope="module")
def of(records):
    """Return the path of the pages of a pot's record."""
    return lambda pot: f"/of/{identity(records[pot])}"


@pytest.fixture
def client(studio):
    with studio.shown("front-desk", HARBOUR, CASTLE, MILL) as client:
        yield client


@pytest.fixture
def own(studio):
    """A page that sees one workshop, which has no record yet."""
    workshop = f"own-{uuid4().hex[:8]}"
    with studio.shown("own-page", workshop) as client:
        yield client, workshop, studio


def pot_of(client: TestClient, pot: str) -> dict:
    return next(each for each in client.get("/api/now").json()["pots"] if each["pot"] == pot)


def listed(client: TestClient, query: str = "") -> list[str]:
    """Return the links of the list of batches, in order."""
    return re.findall(r'<li><a href="(/of/[^"]+)"', client.get(f"/batches{query}").text)


def test_pots_of_all_workshops_are_ordered_by_urgency(client):
    html = client.get("/").text
    assert re.findall(r'data-pot="([^"]+)"', html) == [
        *("harbour/lantern", "castle/gate", "mill/wheel", "castle/tower")
    ]
    now = client.get("/api/now").json()
    assert (now["strip"]["pot"], now["strip"]["do"]) == ("harbour/lantern", pot_of(client, "lantern")["do"])
    assert now["strip"]["href"] == pot_of(client, "lantern")["href"]
    assert "1 more pot needs attention" in now["strip"]["state"]


def test_each_pot_has_its_own_unit_and_last_known_state(client):
    lantern, tower = pot_of(client, "lantern"), pot_of(client, "tower")
    assert lantern["pressure"].endswith(" psi") and tower["pressure"].endswith(" bar")
    assert (lantern["word"], lantern["stage"], lantern["batch"]) == ("leak: floor ahead", "holding", 2)
    assert (tower["word"], tower["trend"]) == ("holding", "No air loss detected.")
    assert lantern["label"] == "lenses, blue" and lantern["cure_progress"] == 0.12
    assert tower["heard"].startswith("As of ") and tower["forecast"] is None


def test_a_pi_that_fell_silent_under_pressure_shows_no_value(client):
    gate = pot_of(client, "gate")
    assert gate["level"] == "unknown" and gate["word"].startswith("no data since ")
    assert {gate[each] for each in ("pressure", "trend", "stage", "cure", "temperatures", "do")} == {None}
    assert [(each["alarm"], each["old"]) for each in gate["alarms"]] == [("leak", True)]
    assert "as last known" in client.get("/alarms").text


def test_a_pi_switched_off_with_an_open_pot_is_not_urgent(client):
    wheel = pot_of(client, "wheel")
    assert wheel["level"] == "note" and wheel["word"].startswith("last heard ")
    assert wheel["pressure"] is None and wheel["heard"].startswith("Nothing from its Pi since ")


def test_an_alarm_active_at_switch_off_is_urgent(own, tmp_path):
    client, workshop, studio = own
    alarmed = kept(
        tmp_path / "r.db", workshop, "pot", ago_s=9e4, is_open=False, alarm=AlarmId.PRESSURE_SENSOR
    )
    studio.ship(alarmed)
    pot = pot_of(client, "pot")
    assert pot["level"] == "unknown" and pot["word"].startswith("no data since ")


def test_a_rehearsed_night_has_its_own_clock_and_says_so(own, tmp_path):
    client, workshop, studio = own
    record = studio.ship(kept(tmp_path / "r.db", workshop, "pot", ago_s=9e6, rehearsed="sound"))
    pot = pot_of(client, "pot")
    assert pot["level"] == "calm" and pot["heard"].startswith("Rehearsal, simulated: sound. As of ")
    assert "This pot has no finished batch yet" in client.get("/health").text  # of real ones
    studio.heard(record, 305.0)
    with studio.shown("own-page-3", workshop) as later:
        assert pot_of(later, "pot")["level"] == "unknown"


@pytest.mark.parametrize(("ago_s", "is_silent"), [(240.0, False), (305.0, True)])
def test_the_last_sample_counts_even_if_the_shipper_goes_on(own, tmp_path, ago_s, is_silent):
    client, workshop, studio = own
    studio.ship(kept(tmp_path / "r.db", workshop, "pot", ago_s=ago_s))
    assert (pot_of(client, "pot")["level"] == "unknown") is is_silent


def test_a_record_no_longer_shipped_is_silent_whatever_its_clock(own, tmp_path):
    client, workshop, studio = own
    record = studio.ship(kept(tmp_path / "r.db", workshop, "pot", ago_s=-3600.0))  # an hour fast
    assert pot_of(client, "pot")["level"] == "calm"
    studio.heard(record, 305.0)
    with studio.shown("own-page-2", workshop) as later:
        assert pot_of(later, "pot")["level"] == "unknown"


def test_news_is_shown_without_a_restart(own, tmp_path):
    client, workshop, studio = own
    path = kept(tmp_path / "r.db", workshop, "pot")
    studio.ship(path)
    assert pot_of(client, "pot")["alarms"] == []
    with Store.open(path, create=False) as store:
        store.add_event("pot", 2, raised(AlarmId.RAPID_LOSS, 7190.0, time.time() - 7190.0))
    studio.ship(path)
    wait_until(lambda: pot_of(client, "pot")["alarms"], "the alarm is not shown")
    assert pot_of(client, "pot")["level"] == "alarm"


def test_two_pots_of_one_name_are_distinguished(own, tmp_path):
    client, workshop, studio = own
    numbers = [studio.ship(kept(tmp_path / f"{name}.db", workshop, "pot")) for name in "ab"]
    names = {each["id"] for each in client.get("/api/now").json()["pots"]}
    assert names == {f"{workshop}/pot-{str(number)[:8]}" for number in numbers}


def test_all_alarms_are_in_one_list_the_most_urgent_first(client, of):
    html = client.get("/alarms").text
    found = re.findall(r'<li class="(\w+) (\w*)">\s*<h2><a href="([^"]+)"><bdi>([^<]+)', html)
    assert found == [
        ("alarm", "unseen", f"{of('lantern')}/pot/lantern", "harbour/lantern"),
        ("alarm", "", f"{of('gate')}/pot/gate", "castle/gate"),
    ]
    assert "Top up by " in html and "the Pi's own page" in html


def test_a_low_alarm_of_the_first_pot_comes_after_a_high_one_of_the_second(own, tmp_path):
    client, workshop, studio = own
    first = kept(tmp_path / "a.db", workshop, "a", alarm=AlarmId.FLOOR_AHEAD)
    with Store.open(first, create=False) as store:
        store.add_event("a", 2, raised(AlarmId.LEAK, 7100.0, time.time() - 7200.0, Priority.LOW))
    studio.ship(first)
    second = kept(tmp_path / "b.db", workshop, "b", alarm=AlarmId.RAPID_LOSS)
    with Store.open(second, create=False) as store:
        seen = raised(AlarmId.RAPID_LOSS, 7190.0, time.time() - 7200.0)
        store.add_event("b", 2, replace(seen, state=AlarmState.ACKNOWLEDGED))
    studio.ship(second)
    pots = re.findall(r"<bdi>own-\w+/(\w)</bdi></a></h2>", client.get("/alarms").text)
    assert pots == ["a", "b", "a"]


def test_an_alarm_that_is_over_leaves_the_list(own, tmp_path):
    client, workshop, studio = own
    path = kept(tmp_path / "r.db", workshop, "pot", alarm=AlarmId.LEAK)
    with Store.open(path, create=False) as store:
        over = replace(alarm(7195.0, AlarmState.NORMAL), utc_s=time.time(), priority=Priority.HIGH)
        store.add_event("pot", 2, over)
    studio.ship(path)
    assert "No alarm is active" in client.get("/alarms").text


def test_the_batches_of_all_records_are_one_list(client, of):
    assert listed(client) == [
        *(f"{of(pot)}/batch/2" for pot in ("tower", "lantern")),
        *(f"{of(pot)}/batch/1" for pot in ("tower", "lantern")),
        *(f"{of('gate')}/batch/{number}" for number in (2, 1)),
        f"{of('wheel')}/batch/1",
    ]


@pytest.mark.parametrize(
    ("query", "pots"),
    [
        ("?workshop=castle", {("tower", 1), ("tower", 2), ("gate", 1), ("gate", 2)}),
        ("?pot=wheel", {("wheel", 1)}),
        ("?verdict=open&workshop=harbour", {("lantern", 2)}),
        ("?find=100+%25", {("tower", 1), ("tower", 2)}),
        ("?find=LENSES&verdict=leaked&pot=gate", {("gate", 1)}),
        ("?alarm=floor-ahead", {("lantern", 2)}),
        ("?alarm=leak&verdict=open", {("gate", 2)}),
        ("?since=2000-01-01&until=2000-02-01", set()),
        ("?workshop=elsewhere", set()),
        ("?find=_", set()),
    ],
)
def test_the_list_can_be_filtered_as_on_a_pi(client, of, query, pots):
    assert set(listed(client, query)) == {f"{of(pot)}/batch/{number}" for pot, number in pots}


def test_a_long_list_comes_page_by_page(own, tmp_path, monkeypatch):
    client, workshop, studio = own
    monkeypatch.setattr("potvigil.page.views.batches.PAGE", 2)
    newer = kept(tmp_path / "a.db", workshop, "a")
    older = kept(tmp_path / "b.db", workshop, "b", ago_s=9e4)
    with Store.open(newer, create=False) as store:
        for t_s in (7210.0, 7220.0, 7230.0):
            store.open_batch("a", BatchOpened(t_s, time.time() + t_s))
    paths = [f"/of/{studio.ship(each)}/batch/" for each in (newer, older)]
    pages = [listed(client, f"?page={number}") for number in (1, 2, 3, 4, 5)]
    expected = [f"{paths[0]}{n}" for n in (5, 4, 3, 2, 1)] + [f"{paths[1]}{n}" for n in (2, 1)]
    assert pages == [expected[0:2], expected[2:4], expected[4:6], expected[6:], []]
    assert "Older" in client.get("/batches").text and "Older" not in client.get("/batches?page=4").text


def test_an_invalid_filter_is_reported(client):
    answer = client.get("/batches?since=yesterday")
    assert answer.status_code == 422 and "is not a date" in answer.text


def test_a_batch_is_shown_without_a_form(client, of):
    html = client.get(f"{of('tower')}/batch/2").text
    assert "battlements 100 %" in html and "castle/tower" in html and "<form" not in html
    assert f'data-curve="{of("tower")}/api/curve?batch=2"' in html
    assert f'href="{of("tower")}/pot/tower"' in html


def test_each_pot_leads_to_the_page_of_its_own_pi(client):
    assert pot_of(client, "tower")["own_page"] == "http://castle.example:8642/pot/tower"
    where = 'href="http://harbour.example:8642/pot/lantern">Acknowledge on its own page'
    assert where in client.get("/").text and where in client.get("/alarms").text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("UPDATE potvigil.event SET line = '{' WHERE record = :r", "is damaged (unreadable row"),
        ("UPDATE potvigil.run SET settings = '{\"pots\": 1}' WHERE record = :r", "of another version"),
    ],
)
def test_an_unreadable_record_says_so_and_leaves_the_others(own, tmp_path, change, said):
    client, workshop, studio = own
    studio.ship(kept(tmp_path / "a.db", workshop, "sound-pot"))
    record = studio.ship(kept(tmp_path / "b.db", workshop, "pot", alarm=AlarmId.LEAK))
    with studio.postgres.owner().begin() as connection:
        connection.execute(text(change), {"r": record})
    broken, sound = client.get("/api/now").json()["pots"]
    assert (broken["word"], broken["level"], sound["level"]) == ("cannot be read", "unknown", "calm")
    assert said in broken["heard"] and broken["href"] == f"/batches?record={record}"
    here = f"/of/{record}"
    for page in ("/", "/alarms", "/health", "/batches", f"/batches?record={record}"):
        assert client.get(page).status_code == 200
    for page in (f"{here}/batch/1", f"{here}/api/curve?batch=1"):
        assert client.get(page).status_code in (200, 503)
    assert client.get(f"/of/{record}/pot/pot").status_code == 404


def test_a_pot_has_its_curve_its_health_and_its_batches(client, of):
    html = client.get(f"{of('lantern')}/pot/lantern").text
    assert f'data-curve="{of("lantern")}/api/curve?pot=lantern" data-live="30000"' in html
    assert "Too few batches" in html and f'href="{of("lantern")}/batch/1"' in html and "<form" not in html


def test_the_curve_is_that_of_the_record(client, records, of):
    with Store.open_read_only(records["lantern"]) as store:
        row = store.batch(2)
        expected = curve(store, pots_of, CurveQuery("lantern", row, None, None, None, 300))
    drawn = client.get(f"{of('lantern')}/api/curve?batch=2&points=300").json()
    assert drawn == json.loads(json.dumps(expected)) and len(drawn["t"]) > 200
    assert client.get(f"{of('lantern')}/api/curve?pot=lantern&points=300").json() == drawn
    for wrong, code in (("", 422), ("?batch=x", 422), ("?batch=77", 404), ("?pot=nowhere", 404)):
        assert client.get(f"{of('lantern')}/api/curve{wrong}").status_code == code


def test_a_records_stamp_changes_with_its_batches_and_care(studio, tmp_path):
    record = kept(tmp_path / "r.db", "quay", "crane")
    studio.ship(record)
    reader = studio.reader("quay-page", "quay")

    def stamp() -> str:
        studio.ship(record)
        (shipped,) = reader.records()
        return shipped.batches

    before = stamp()
    with Store.open(record) as store:
        last = store.last_sample("crane")
        store.append("crane", replace(last, t_s=last.t_s + 1.0))
        store.flush()
        assert stamp() == before
        for change in (
            lambda: store.add_care("crane", time.time(), "seal", "new", "Ben", time.time()),
            lambda: store.remove_care("crane", store.cares("crane")[-1].id),
            lambda: store.close_batch(2, BatchClosed(8000.0, None, SUMMARY)),
            lambda: store.open_batch("crane", BatchOpened(9000.0, None)),
        ):
            change()
            store.flush()
            after = stamp()
            assert after != before
            before = after
    reader.close()


def test_health_of_all_pots(client):
    html = client.get("/health").text
    for pot in ("harbour/lantern", "castle/tower", "castle/gate", "mill/wheel"):
        assert f"<bdi>{pot}</bdi>" in html
    assert html.count("Tolerable leak") == 4


def test_pictures_that_were_shipped_are_shown(own, tmp_path):
    client, workshop, studio = own
    path = kept(tmp_path / "r.db", workshop, "pot")
    pictures.keep(path, 2, "front view.png", PNG)
    with Store.open(path, create=False) as store:
        names = "front view.png\nelsewhere.jpg"
        store.add_edit(2, EditEvent(7100.0, time.time(), Detail.PICTURES, "", names, "Anna"))
    where = f"/of/{studio.ship(path)}/batch/2"
    html = client.get(where).text
    assert f'src="{where}/picture/front%20view.png"' in html and "Named, but not stored here" in html
    shown = client.get(f"{where}/picture/front%20view.png")
    assert (shown.content, shown.headers["content-type"]) == (PNG, "image/png")
    assert client.get(f"{where}/picture/elsewhere.jpg").status_code == 404
    assert client.get(f"{where}/picture/..%2Fx.png").status_code == 404
    with Store.open(path, create=False) as store:  # taken off the batch again
        store.add_edit(2, EditEvent(7110.0, time.time(), Detail.PICTURES, names, "", "Anna"))
    studio.ship(path)
    assert client.get(f"{where}/picture/front%20view.png").status_code == 404


def test_a_reader_of_one_workshop_sees_nothing_of_another(studio, of):
    with studio.shown("harbour-desk", HARBOUR) as client:
        assert [each["workshop"] for each in client.get("/api/now").json()["pots"]] == [HARBOUR]
        there = of("tower")
        for path in (
            "/batch/2",
            "/pot/tower",
            "/api/curve?batch=2",
            "/api/curve?pot=tower",
            "/batch/2/picture/a",
        ):
            answer = client.get(there + path)
            assert answer.status_code == 404, path
            assert "battlements" not in answer.text and CASTLE not in answer.text
        for query in ("", f"?record={there[4:]}", "?workshop=castle", "?find=battlements"):
            assert all(each.startswith(of("lantern")) for each in listed(client, query))
        for page in ("/", "/alarms", "/batches", "/health"):
            assert CASTLE not in client.get(page).text and MILL not in client.get(page).text


def test_no_command_can_be_sent_to_a_watch_here(client, of):
    assert client.post(f"{of('lantern')}/pot/lantern", data={}, headers=SAME).status_code == 405
    for path in ("/pot/lantern/acknowledge", "/batch/2/edit", f"{of('lantern')}/batch/2/edit"):
        assert client.post(path, data={"alarm": "all"}, headers=SAME).status_code == 404


def test_strangers_see_only_the_log_in(studio):
    with studio.shown("front-desk", HARBOUR, password=hashed("open sesame")) as client:
        for path in ("/", "/alarms", "/batches", "/health", f"/of/{uuid4()}/batch/1"):
            answer = client.get(path)
            assert answer.status_code == 303 and answer.headers["location"].startswith("/login")
        assert client.get("/api/now").status_code == 401 and HARBOUR not in client.get("/login").text
        assert post(client, "/login", password="open sesame").status_code == 303
        assert "harbour/lantern" in client.get("/").text


def test_outdated_values_are_withdrawn_while_the_database_is_away(studio):
    reader = studio.reader("front-desk", HARBOUR)
    page = ManyPage(page_config(reader))
    with TestClient(page.app, "http://localhost") as client:
        assert pot_of(client, "lantern")["pressure"] is not None

        def away():
            raise AwayRecordError("the studio's database does not answer (gone)")

        reader.records = reader.opened = lambda *_: away()
        page.ground._cached_s = float("-inf")
        now = client.get("/api/now").json()
        assert (
            now["silent"] and now["strip"]["level"] == "unknown" and "does not answer" in now["strip"]["do"]
        )
        lantern = pot_of(client, "lantern")
        assert lantern["pressure"] is None and lantern["word"].startswith("no data since")
        assert all(each["old"] for each in lantern["alarms"])
        assert client.get("/batches").status_code == 503
        assert client.get(f"/of/{uuid4()}/pot/lantern").status_code == 503
    page.close()


def test_an_earlier_record_is_left_out_and_can_be_looked_up(own, tmp_path):
    client, workshop, studio = own
    path, backup = kept(tmp_path / "r.db", workshop, "pot"), tmp_path / "backup.db"
    shutil.copyfile(path, backup)
    with Store.open(path, create=False) as store:
        store.begin_run(store.last_run().settings_json, "later", 7300.0, time.time(), None)
    before = studio.ship(path)
    with Store.open(backup, create=False) as store:
        store.begin_run(store.last_run().settings_json, "restored", 7300.0, time.time(), None)
    after = studio.ship(backup)
    assert after != before
    html = client.get("/").text
    assert html.count("data-pot=") == 1 and f"/batches?record={before}" in html
    assert {UUID(each[4:40]) for each in listed(client)} == {after}
    assert {UUID(each[4:40]) for each in listed(client, f"?record={before}")} == {before}


def test_the_page_of_a_pi_knows_nothing_of_it():
    source = "import sys, potvigil.commands.page, potvigil.page.server; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, check=True, env=os.environ
    )
    loaded = [
        each
        for each in done.stdout.split()
        if re.match(r"sqlalchemy|psycopg|potvigil\.(studio\.|page\.many)", each)
    ]
    assert loaded == []
