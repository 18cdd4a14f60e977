"""Editing a batch on the page, answer by answer; what its form suggests; the curve of a closed batch."""

import json
from dataclasses import replace
from datetime import UTC
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import pytest

from coroutines import run
from paged import commands_of, post
from potvigil.model.events import LAST_BATCH, Detail
from potvigil.page.views import data as data_views
from potvigil.page.views.curve import CurveQuery
from potvigil.page.views.data import SiteData, curve_json
from potvigil.page.views.details import _SUGGESTED_FROM, _digest, fields, read_sent
from potvigil.page.views.library import CLASHED
from potvigil.record.store import Store
from quick_page import quick_page


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A page with its own record, which a test may change; nobody waits for a watch that is not there."""
    monkeypatch.setattr("potvigil.page.frame.PATIENCE_S", -1.0)
    with quick_page(tmp_path) as client:
        client.record = tmp_path / "record.db"
        yield client


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    with quick_page(tmp_path_factory.mktemp("page")) as client:
        yield client


def details(own, batch: int = 1) -> dict[Detail, str]:
    with Store.open_read_only(own.record) as store:
        return store.batch(batch).details


# --- editing


def test_a_closed_batch_is_edited_by_the_page_itself(own) -> None:
    answer = post(own, "/batch/1/edit", label="lens 1", mould="no. 3")
    assert (answer.status_code, answer.headers["location"]) == (303, "/batch/1?said=kept")
    assert details(own) == {Detail.LABEL: "lens 1", Detail.MOULD: "no. 3"}
    with Store.open_read_only(own.record) as store:
        assert {each.by for each in store.edits(1)} == {"page"}
    assert commands_of(own.record) == []
    html = own.get("/batch/1?said=kept").text
    assert "The details are saved." in html and "<h1" in html and "lens 1" in html.partition("</title>")[0]
    again = post(own, "/batch/1/edit", label="lens 1")
    assert again.headers["location"] == "/batch/1?said=same"


def test_an_open_batch_is_edited_by_its_watch(own) -> None:
    answer = post(own, "/batch/2/edit", label="lens 3", mould="no. 4")
    assert (answer.status_code, answer.headers["location"]) == (303, "/batch/2?asked=1-2")
    assert [(action, field, text) for _, action, _, text, _, _, field in commands_of(own.record)] == [
        ("edit", "label", "lens 3"),
        ("edit", "mould", "no. 4"),
    ]
    assert details(own, 2) == {Detail.LABEL: "lens 2"}


def test_an_edit_that_clashes_saves_nothing_and_asks(own) -> None:
    post(own, "/batch/1/edit", label="theirs")
    sent = {"label": "mine", "base-label": _digest("old"), "mould": "no. 3"}
    answer = post(own, "/batch/1/edit", **sent)
    assert answer.status_code == 409 and CLASHED in answer.text
    assert 'value="mine"' in answer.text and 'value="no. 3"' in answer.text
    assert details(own) == {Detail.LABEL: "theirs"}


def test_an_edit_that_is_refused_comes_back_with_the_reason(own) -> None:
    answer = post(own, "/batch/1/edit", mass="250 stones", label="typed")
    assert answer.status_code == 422
    assert "Mass: &#39;250 stones&#39; has an unknown unit" in answer.text and 'value="typed"' in answer.text
    assert details(own) == {}


def test_an_edit_from_a_stale_page_comes_back_filled_in(own) -> None:
    answer = post(own, "/batch/1/edit", csrf="0" * 64, label="typed at length")
    assert answer.status_code == 403
    assert 'value="typed at length"' in answer.text and details(own) == {}
    assert post(own, "/batch/9/edit", label="x").status_code == 404


def test_a_batch_without_a_label_is_titled_by_its_number(client) -> None:
    assert "Batch 1" in client.get("/batch/1").text.partition("</title>")[0]
    assert "lens 2" in client.get("/batch/2").text.partition("</title>")[0]


def test_the_list_of_an_invalid_search_is_empty_and_keeps_the_search(client) -> None:
    good, bad = client.get("/batches?find=lens"), client.get("/batches?find=lens&since=x")
    assert (good.status_code, bad.status_code) == (200, 422)
    assert 'href="/batch/2"' in good.text and 'href="/batch/1"' not in good.text
    assert 'href="/batch/2"' not in bad.text and 'value="lens"' in bad.text
    assert client.get("/batches?page=2").status_code == 200
    assert 'href="/batch/2"' not in client.get("/batches?page=2").text


# --- the form


class Records:
    """A record of batches with these moulds, the newest first; it counts how many it is asked for."""

    def __init__(self, *moulds: str) -> None:
        self._moulds, self.limit = moulds, None

    def last_run(self):
        return None

    def edits(self, _batch_id):
        return []

    def listed(self, wanted):
        self.limit = wanted.limit
        return [SimpleNamespace(details={Detail.MOULD: each} if each else {}) for each in self._moulds]


def test_earlier_values_are_suggested_once_each_newest_first() -> None:
    store = Records("no. 4", "", "no\x1b3", "no. 4")
    found = {each["name"]: each for each in fields(store, None, lambda _: {})}
    assert found["mould"]["list"] == ["no. 4", "no\ufffd3"]
    assert {name for name, each in found.items() if each["list"]} == {"mould"}
    assert store.limit == _SUGGESTED_FROM == 200


def test_a_field_names_who_gave_it(client) -> None:
    edits = {Detail.MOULD: LAST_BATCH, Detail.LABEL: "anna"}
    with Store.open_read_only(client.page.frame.config.record) as store:
        row = store.batch(2)
    store = Records()
    store.edits = lambda _: [SimpleNamespace(field=detail, by=by) for detail, by in edits.items()]
    found = {each["name"]: (each["by"], each["changed_by"]) for each in fields(store, row, lambda _: {})}
    assert found["mould"] == (LAST_BATCH, LAST_BATCH)
    assert (found["label"], found["colour"]) == (("", "anna"), ("", ""))


MIXED = "2026-01-01T20:40:00Z"


@pytest.mark.parametrize(
    ("zone", "text"),
    [(UTC, "2026-01-01T20:40:00+00:00"), (ZoneInfo("Asia/Tokyo"), "2026-01-02T05:40:00+09:00")],
)
def test_the_time_of_mixing_is_shown_in_the_workshops_zone_and_taken_as_unchanged(client, zone, text) -> None:
    with Store.open_read_only(client.page.frame.config.record) as store:
        row = replace(store.batch(1), details={Detail.MIXED_AT: MIXED})
    store = Records()
    store.last_run = lambda: SimpleNamespace(settings_json=json.dumps({"timezone": str(zone)}))
    found = {each["name"]: each for each in fields(store, row, lambda _: {})}["mixed-at"]
    assert (found["kept"], found["value"], found["base"]) == (text, text, _digest(text))
    for same in (text, MIXED):
        assert read_sent({"mixed-at": same}, row, zone).given == {}
    assert read_sent({"mixed-at": "21:00"}, row, zone).given == {Detail.MIXED_AT: "21:00"}


# --- the curve as it is sent


def test_a_closed_batch_has_no_forecast_whatever_the_watch_says(client) -> None:
    assert client.get("/api/curve?batch=2").json()["cone"]
    assert client.get("/api/curve?pot=lantern").json()["cone"]
    closed = client.get("/api/curve?batch=1").json()
    assert (closed["cone"], closed["batch"], closed["to"]) == (None, 1, 700.0)
    part = client.get("/api/curve?batch=2&from=2000&to=3000&points=250").json()
    assert (part["from"], part["to"]) == (2000.0, 3000.0)


def test_a_curve_is_compact_json_in_its_own_letters(monkeypatch) -> None:
    monkeypatch.setattr(data_views, "curve", lambda *_: {"text": "♯2", "t": [1.5, None]})
    query = CurveQuery("lantern", None, None, None, None, 200)
    assert curve_json(None, None, query) == '{"text":"♯2","t":[1.5,null]}'.encode()
    monkeypatch.setattr(data_views, "curve", lambda *_: {"t": float("nan")})
    with pytest.raises(ValueError, match="not JSON compliant"):
        curve_json(None, None, query)


@pytest.mark.parametrize(("open_streams", "status"), [(0, 200), (19, 200), (20, 503), (21, 503)])
def test_the_twentieth_stream_is_the_last(open_streams, status) -> None:
    data = SiteData(None)
    data._streams = open_streams
    assert run(data.events(None)).status_code == status
