"""The page of all records over a fake reader: silence, order, responses."""

import re
import time
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from many_records import kept, page_config, raised
from potvigil.commands.page import pots_of
from potvigil.model.events import AlarmId, AlarmState, BatchOpened, Detail, EditEvent, Priority
from potvigil.page.many.all_pots import AllPots
from potvigil.page.many.site import ManyPage
from potvigil.record.errors import AwayRecordError, DamagedRecordError
from potvigil.record.store import Store
from potvigil.studio.reading import SILENT_S, Shipped
from potvigil.wording.alarm_names import ALARM_WORDS
from record_night import CLOSED

PNG = bytes.fromhex("89504e470d0a1a0a") + b"\0" * 40
ONE, TWO, PAST = (UUID(int=number) for number in (1, 2, 3))


class Reader:
    """SQLite records in place of a studio's database. heard: age of each record's newest data, s."""

    def __init__(self, paths: dict[UUID, tuple[str, Path]], past: tuple[UUID, ...] = ()) -> None:
        self.paths, self.past = paths, past
        self.heard = dict.fromkeys(paths, 0.0)
        self.came = dict.fromkeys(paths, time.time())
        self.batches = dict.fromkeys(paths, "1")
        self.queried: list[set[UUID]] = []
        self.opened_times = 0
        self.fault: Exception | None = None
        self.broken: set[UUID] = set()
        self.kept: dict[tuple[UUID, int, str], bytes] = {}

    def close(self) -> None:
        pass

    def records(self):
        if self.fault is not None:
            raise self.fault
        return [
            Shipped(
                *(each, workshop, self.came[each], self.heard[each], each in self.past, "any-pi"),
                self.batches[each],
            )
            for each, (workshop, _) in self.paths.items()
        ]

    def opened(self, record):
        self.opened_times += 1
        if self.fault is not None:
            raise self.fault
        if record in self.broken:
            raise DamagedRecordError("the record is damaged (unreadable row)")
        return Store.open_read_only(self.paths[record][1])

    def of_each(self, sql, values, *, order, among=None, most=None, skip=0):
        """Imitate PostgreSQL: `order` uses column numbers, the first being the record."""
        self.order = order
        self.queried.append(set(self.paths if among is None else among))
        rows = []
        for record, (_, path) in self.paths.items():
            if among is None or record in among:
                with Store.open_read_only(path) as store:
                    rows += [(record, row) for row in store._db.rows(sql, values)]
        rows.sort(key=lambda each: (each[1][3] is None, -(each[1][3] or 0.0), -each[1][0], str(each[0])))
        return rows[skip : None if most is None else skip + most]

    def pictures(self, record, batch):
        return {name for (of, number, name) in self.kept if (of, number) == (record, batch)}

    def picture(self, record, batch, name):
        return self.kept.get((record, batch, name))


@pytest.fixture(scope="module")
def paths(tmp_path_factory):
    folder = tmp_path_factory.mktemp("many")
    return {
        ONE: ("harbour", kept(folder / "a.db", "harbour", "lantern", alarm=AlarmId.FLOOR_AHEAD, leaks=True)),
        TWO: ("castle", kept(folder / "b.db", "castle", "tower", unit="bar", label="battlements")),
    }


@pytest.fixture
def reader(paths):
    return Reader(dict(paths))


@contextmanager
def shown(reader, **config):
    page = ManyPage(page_config(reader, **config))
    try:
        with TestClient(page.app, "http://localhost", follow_redirects=False) as client:
            client.page = page
            yield client
    finally:
        page.close()


def all_pots_of(reader, known=pots_of) -> AllPots:
    """Return the state over these records, without a broker."""
    return AllPots(reader, known, None, may_ask=False)


def pots_by_name(reader):
    return {each["pot"]: each for each in all_pots_of(reader).state()["pots"]}


# --- silence


def test_the_last_state_in_each_record_is_shown_with_its_time(reader) -> None:
    state = pots_by_name(reader)
    lantern, tower = state["lantern"], state["tower"]
    assert list(state) == ["lantern", "tower"]  # most urgent first
    assert (lantern["id"], lantern["record"], lantern["workshop"]) == ("harbour/lantern", str(ONE), "harbour")
    assert lantern["href"] == f"/of/{ONE}/pot/lantern" and lantern["heard"].startswith("As of ")
    assert (lantern["word"], lantern["stage"], lantern["batch"]) == ("leak: floor ahead", "holding", 2)
    assert (lantern["cure_progress"], lantern["label"]) == (0.12, "lenses, blue")
    assert lantern["alarms"][0]["word"] == ALARM_WORDS[AlarmId.FLOOR_AHEAD]
    assert (tower["word"], tower["level"], tower["trend"]) == ("holding", "calm", "No air loss detected.")
    assert tower["own_page"] == "http://castle.example:8642/pot/tower"
    assert (tower["pressure"].split()[1], tower["forecast"], tower["care"]) == ("bar", None, None)
    assert tower["corrected"] == "4.01 bar"


def test_an_established_leak_is_shown_with_its_rate(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "harbour", "lantern", leaks=True)
    lantern = pots_by_name(Reader({ONE: ("harbour", path)}))["lantern"]
    assert lantern["trend"] == "Falling 0.99 psi/h: air is being lost."  # 1.9 Pa/s; 1 psi = 6894.757 Pa
    assert lantern["word"] == "leak, may not hold"
    assert (
        lantern["forecast"].startswith("Falls below the floor about ")
        and "before the cure" in lantern["forecast"]
    )


@pytest.mark.parametrize(("age_s", "is_silent"), [(SILENT_S - 30.0, False), (SILENT_S + 5.0, True)])
def test_after_five_minutes_without_data_every_value_is_withdrawn(reader, age_s, is_silent) -> None:
    assert SILENT_S == 300.0
    reader.heard[TWO] = age_s
    tower = pots_by_name(reader)["tower"]
    assert (tower["pressure"] is None, tower["level"] == "unknown") == (is_silent, is_silent)
    assert tower["heard"].startswith("Nothing from its Pi since " if is_silent else "As of ")
    assert (tower["word"].startswith("no data since ")) is is_silent


def test_the_last_sample_counts_even_if_the_shipper_still_runs(tmp_path) -> None:
    for ago_s, is_silent in ((200.0, False), (305.0, True)):
        path = kept(tmp_path / f"{ago_s}.db", "harbour", "pot", ago_s=ago_s)
        assert (pots_by_name(Reader({ONE: ("harbour", path)}))["pot"]["level"] == "unknown") is is_silent


def test_a_silent_empty_pot_is_not_urgent_unless_it_has_an_alarm(tmp_path) -> None:
    empty = kept(tmp_path / "a.db", "mill", "wheel", ago_s=9e4, is_open=False)
    alarmed = kept(tmp_path / "b.db", "mill", "stone", ago_s=9e4, is_open=False, alarm=AlarmId.LEAK)
    state = pots_by_name(Reader({ONE: ("mill", empty), TWO: ("mill", alarmed)}))
    assert (state["wheel"]["level"], state["wheel"]["sign"]) == ("note", "●")
    assert state["wheel"]["word"].startswith("last heard ") and state["wheel"]["stage"] is None
    assert state["stone"]["level"] == "unknown" and state["stone"]["alarms"][0]["old"] is True
    assert list(state) == ["stone", "wheel"]


def test_a_pot_without_samples_says_so(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel", is_open=False)
    with Store.open(path, create=False) as store:
        store._db.execute("DELETE FROM sample", ())
    wheel = pots_by_name(Reader({ONE: ("mill", path)}))["wheel"]
    assert (wheel["heard"], wheel["word"]) == ("Nothing from its Pi yet.", "last heard never")


def test_a_rehearsal_is_as_old_as_its_last_shipment(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel", ago_s=9e6, rehearsed="sound")
    reader = Reader({ONE: ("mill", path)})
    wheel = pots_by_name(reader)["wheel"]
    assert wheel["level"] == "calm" and wheel["heard"].startswith("Rehearsal, simulated: sound. As of ")
    reader.heard[ONE] = 305.0
    assert pots_by_name(reader)["wheel"]["level"] == "unknown"


def test_a_fast_clock_does_not_make_data_newer(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel", ago_s=-3600.0)
    reader = Reader({ONE: ("mill", path)})
    assert pots_by_name(reader)["wheel"]["level"] == "calm"
    reader.heard[ONE] = 305.0
    assert pots_by_name(reader)["wheel"]["level"] == "unknown"


def test_pots_of_the_same_name_show_their_record(tmp_path) -> None:
    numbers = [UUID(int=n << 96) for n in (0x1234ABCD, 0xFEDC0001)]
    paths = {n: ("mill", kept(tmp_path / f"{n}.db", "mill", "wheel")) for n in numbers}
    names = {each["id"] for each in all_pots_of(Reader(paths)).state()["pots"]}
    assert names == {"mill/wheel-1234abcd", "mill/wheel-fedc0001"}


def test_a_trace_older_than_three_minutes_is_not_shown(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel", leaks=True)
    with Store.open(path, create=False) as store:
        (last_s,) = store._db.rows("SELECT max(t_s) FROM sample")[0]
        store._db.execute("DELETE FROM trace WHERE t_s >= ?", (last_s - 180.0,))
    wheel = pots_by_name(Reader({ONE: ("mill", path)}))["wheel"]
    assert (wheel["stage"], wheel["cure"], wheel["corrected"]) == ("holding", None, None)
    assert wheel["trend"] == "Too early to tell whether air is being lost."


# --- reading again


def test_a_record_is_read_again_after_new_data_or_an_hour(reader, monkeypatch) -> None:
    now = {"s": 1000.0}
    monkeypatch.setattr("potvigil.page.many.all_pots.time.monotonic", lambda: now["s"])
    monkeypatch.setattr("potvigil.page.many.known.time.monotonic", lambda: now["s"])
    all_pots = all_pots_of(reader)
    times = []
    for change in (None, None, "came", "hour", "more"):
        if change == "came":
            reader.came[ONE] += 1.0
        now["s"] += {"hour": 3600.0, "more": 1.0}.get(change, 0.0)
        before = reader.opened_times
        all_pots.state()
        times.append(reader.opened_times - before)
    assert times == [2, 0, 1, 0, 2]


def test_without_the_database_values_are_withdrawn_and_pots_stay(reader) -> None:
    all_pots = all_pots_of(reader)
    assert all_pots.state()["silent"] is False
    reader.fault = AwayRecordError("gone")
    state = all_pots.state()
    assert state["silent"] is True and state["since"] and "does not answer" in state["strip"]["do"]
    assert [each["pressure"] for each in state["pots"]] == [None, None]
    assert all(each["word"].startswith("no data since") for each in state["pots"])
    assert all(each["heard"].startswith("Nothing from its Pi since") for each in state["pots"])
    reader.fault = None
    assert all_pots.state()["silent"] is False
    first = all_pots_of(reader)
    reader.fault = AwayRecordError("gone")
    never = first.state()
    assert (never["silent"], never["since"], never["pots"]) == (True, None, [])


def test_an_unreadable_record_is_shown_and_does_not_affect_others(reader) -> None:
    reader.broken = {ONE}
    broken, tower = all_pots_of(reader).state()["pots"]
    assert (broken["id"], broken["word"], broken["level"]) == (
        f"harbour/{str(ONE)[:8]}",
        "cannot be read",
        "unknown",
    )
    assert broken["heard"] == "The record is damaged (unreadable row)."
    assert (broken["href"], broken["pot"], broken["batch"]) == (f"/batches?record={ONE}", "", None)
    assert (broken["own_page"], broken["care"], tower["level"]) == (None, None, "calm")


def test_settings_of_another_version_are_reported(paths) -> None:
    def unknown(_: str):
        raise ValueError("no such key")

    state = all_pots_of(Reader(dict(paths)), unknown).state()["pots"]
    assert {each["heard"] for each in state} == {
        "Its settings are of another version of Potvigil; update this page's machine."
    }


def test_an_earlier_record_is_listed_as_past(paths) -> None:
    state = all_pots_of(Reader(dict(paths), past=(TWO,))).state()
    assert [each["pot"] for each in state["pots"]] == ["lantern"]
    assert state["past"] == [{"record": str(TWO), "workshop": "castle"}]
    assert (state["workshop"], state["rehearsed"]) == ("Studio", None)


def test_a_record_without_a_run_has_no_pots(tmp_path) -> None:
    with Store.open(tmp_path / "r.db"):
        pass
    assert all_pots_of(Reader({ONE: ("mill", tmp_path / "r.db")})).state()["pots"] == []


# --- its pages


@pytest.fixture
def client(reader):
    with shown(reader) as client:
        client.reader = reader
        yield client


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/", 200),
        ("/alarms", 200),
        ("/health", 200),
        ("/batches", 200),
        ("/batches?since=x", 422),
        (f"/of/{ONE}/pot/lantern", 200),
        (f"/of/{ONE}/pot/tower", 404),
        (f"/of/{PAST}/pot/lantern", 404),
        ("/of/x/pot/lantern", 404),
        (f"/of/{ONE}/batch/1", 200),
        (f"/of/{ONE}/batch/9", 404),
        (f"/of/{ONE}/batch/2147483648", 404),
        (f"/of/{ONE}/batch/1/picture/none.png", 404),
        (f"/of/{ONE}/api/curve?batch=1", 200),
        (f"/of/{ONE}/api/curve?pot=lantern", 200),
        (f"/of/{ONE}/api/curve", 422),
        (f"/of/{ONE}/api/curve?pot=lantern&batch=1", 422),
        (f"/of/{ONE}/api/curve?pot=nobody", 404),
        (f"/of/{ONE}/api/curve?batch=9", 404),
        (f"/of/{ONE}/api/curve?batch=1&from=x", 422),
    ],
)
def test_each_url_has_its_status(client, path, status) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    if "/api/curve" in path and status == 200:
        assert answer.headers["content-type"] == "application/json" and answer.json()["pot"] == "lantern"


def test_without_the_database_a_pot_is_unavailable_not_missing(client) -> None:
    client.get("/")
    client.reader.fault = AwayRecordError("gone")
    client.page.ground._cached_s = float("-inf")
    assert client.get(f"/of/{PAST}/pot/lantern").status_code == 503
    assert client.get("/batches").status_code == 503


def test_alarms_are_listed_most_urgent_first_and_unacknowledged_first(tmp_path) -> None:
    paths = {}
    for n, (name, state, priority) in enumerate(
        [
            ("low", AlarmState.UNACKNOWLEDGED, Priority.LOW),
            ("seen", AlarmState.ACKNOWLEDGED, Priority.HIGH),
            ("unseen", AlarmState.UNACKNOWLEDGED, Priority.HIGH),
        ]
    ):
        path = kept(tmp_path / f"{name}.db", "mill", name)
        with Store.open(path, create=False) as store:
            event = raised(AlarmId.RAPID_LOSS, 7100.0, time.time() - 7200.0, priority)
            store.add_event(name, 2, replace(event, state=state))
        paths[UUID(int=n)] = ("mill", path)
    with shown(Reader(paths)) as client:
        html = client.get("/alarms").text
    assert re.findall(r'<h2><a href="[^"]+"><bdi>mill/(\w+)', html) == ["unseen", "seen", "low"]


def test_full_rows_are_read_only_from_records_on_that_page(tmp_path) -> None:
    many, few = (
        kept(tmp_path / "a.db", "mill", "wheel"),
        kept(tmp_path / "b.db", "castle", "tower", ago_s=9e7),
    )
    with Store.open(many) as store:
        for number in range(60):
            store.close_batch(number + 2, replace(CLOSED, utc_s=None))
            store.open_batch("wheel", BatchOpened(9000.0 + number, time.time() + number))
    reader = Reader({ONE: ("mill", many), TWO: ("castle", few)})
    with shown(reader) as client:
        first = re.findall(r'<li><a href="(/of/[^"]+)"', client.get("/batches").text)
        assert reader.queried == [{ONE, TWO}, {ONE}]
        assert first[:2] == [f"/of/{ONE}/batch/62", f"/of/{ONE}/batch/61"] and len(first) == 50
        second = client.get("/batches?page=2").text
        assert reader.queried[2:] == [{ONE, TWO}, {ONE, TWO}]
        # batches 1 and 2 of both records
        links = re.findall(r'<li><a href="(/of/[^"]+)"', second)
        assert [f"/of/{TWO}/batch/2", f"/of/{TWO}/batch/1"] == links[-2:]
        assert {f"/of/{ONE}/batch/2", f"/of/{ONE}/batch/1"} < set(links)
        assert client.get("/batches?find=nowhere").status_code == 200
        assert reader.queried[4:] == [{ONE, TWO}]


def test_the_list_rereads_settings_only_when_they_may_have_changed(tmp_path) -> None:
    record = kept(tmp_path / "a.db", "mill", "wheel", leaks=True)
    reader = Reader({ONE: ("mill", record)})
    with shown(reader) as client:
        assert " psi/h" in client.get("/batches").text
        read = reader.opened_times
        client.get("/batches")
        assert reader.opened_times == read
        with Store.open(record) as store:
            settings = store.last_run().settings_json.replace('"pressure":"psi"', '"pressure":"bar"')
            assert settings != store.last_run().settings_json
            store.begin_run(settings, "boot-2", 9000.0, None, None)
        reader.batches[ONE] = "2"
        html = client.get("/batches").text
        assert " bar/h" in html and " psi/h" not in html


def test_health_rereads_a_record_only_when_batches_or_care_changed(reader) -> None:
    with shown(reader) as client:
        first = client.get("/health").text
        read = reader.opened_times
        assert "harbour/lantern" in first and "castle/tower" in first
        client.get("/health")
        assert reader.opened_times == read
        with Store.open(reader.paths[ONE][1]) as store:
            store.add_care(
                "lantern", time.time(), "seal", "greased", "Ben", time.time(), time.time() - 86_400.0
            )
        assert "is due" not in client.get("/health").text
        reader.batches[ONE] = "2"
        assert client.get("/health").text != first
        assert reader.opened_times == read + 1
        reader.broken.add(TWO)  # its pots are then missing
        reader.came[TWO] += 1.0
        client.page.ground.drop_cached()
        html = client.get("/health").text
        assert "harbour/lantern" in html and "castle/tower" not in html


def test_a_pot_page_has_its_last_ten_batches_and_its_health(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel")
    with Store.open(path, create=False) as store:
        for n in range(12):
            store.open_batch("wheel", BatchOpened(7300.0 + n, None))
    with shown(Reader({ONE: ("mill", path)})) as client:
        html = client.get(f"/of/{ONE}/pot/wheel").text
        assert [n for n in range(1, 15) if f'href="/of/{ONE}/batch/{n}"' in html] == list(range(5, 15))
        assert "Too few batches" in html
        assert "<bdi>mill/wheel</bdi>" in client.get("/health").text


def test_batches_of_all_records_are_paged_together(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr("potvigil.page.views.batches.PAGE", 3)
    paths = {n: ("mill", kept(tmp_path / f"{n}.db", "mill", f"pot-{n.int}")) for n in (ONE, TWO)}
    reader = Reader(paths)
    with shown(reader) as client:
        pages = [client.get(f"/batches?page={n}").text for n in (1, 2, 3)]
    found = [[f"/of/{r}/batch/{n}" in page for r in (ONE, TWO) for n in (1, 2)] for page in pages]
    assert [sum(each) for each in found] == [3, 1, 0]
    assert ["Older" in page for page in pages] == [True, False, False]
    assert ["Newer" in page for page in pages] == [False, True, True]
    assert reader.order.startswith("5 DESC NULLS LAST, 2 DESC")


def test_the_list_can_be_filtered_by_workshop_or_record(client) -> None:
    def of(query):
        html = client.get(f"/batches{query}").text
        return {record for record in (ONE, TWO) if f"/of/{record}/batch/" in html}

    assert of("") == {ONE, TWO}
    assert of("?workshop=castle") == {TWO}
    assert of(f"?record={ONE}") == {ONE}
    assert of("?workshop=mill") == set()
    assert of("?record=x") == set() or client.get("/batches?record=x").status_code == 422
    assert of(f"?record={ONE}&workshop=castle") == set()


def test_only_pictures_the_batch_lists_are_shown(tmp_path) -> None:
    path = kept(tmp_path / "r.db", "mill", "wheel")
    with Store.open(path, create=False) as store:
        names = "rim view.png\nlost.png\nbad.png"
        store.add_edit(2, EditEvent(7100.0, None, Detail.PICTURES, "", names, "anna"))
    reader = Reader({ONE: ("mill", path)})
    reader.kept = {(ONE, 2, "rim view.png"): PNG, (ONE, 2, "other.png"): PNG, (ONE, 2, "bad.png"): b"GIF89a"}
    with shown(reader) as client:
        here = f"/of/{ONE}/batch/2"
        html = client.get(here).text
        assert f'src="{here}/picture/rim%20view.png"' in html and "Named, but not stored here" in html
        answer = client.get(f"{here}/picture/rim%20view.png")
        assert (answer.content, answer.headers["content-type"]) == (PNG, "image/png")
        assert answer.headers["cache-control"] == "private, max-age=3600"
        for name in ("other.png", "lost.png", "bad.png"):
            assert client.get(f"{here}/picture/{name}").status_code == 404


def test_a_batch_with_unreadable_settings_is_still_shown(paths) -> None:
    def unknown(_: str):
        raise ValueError("no such key")

    page = ManyPage(page_config(Reader(dict(paths)), pots_of=unknown))
    with TestClient(page.app, "http://localhost") as client:
        assert client.get(f"/of/{ONE}/batch/1").status_code == 200
        assert client.get("/health").status_code == 200
    page.close()


def test_the_page_of_all_records_is_not_this_machines_own(client) -> None:
    assert client.page.ground.is_own is False
