"""The list of batches, one batch, and editing its details on the page."""

import re
import time
from dataclasses import replace

import pytest

from paged import commands_of, post, shown, token_of
from potvigil.model.events import LAST_BATCH, BatchClosed, BatchOpened, Detail, Verdict
from potvigil.record.store import Store


def with_season(watched):
    """Add batches 2 to 121 after the night: every third leaked, labels by number."""
    summary = watched.bench.service.watches["lantern"].summary()
    with Store.open(watched.record) as store:
        store.begin_run(watched.bench.settings.as_json(), "boot", 0.0, None, "two-in-the-morning")
        for number in range(2, 122):
            t_s = 100_000.0 + number * 86_400.0
            utc_s = watched.bench.night.start_utc_s + t_s
            store.open_batch("lantern", BatchOpened(t_s, utc_s))
            verdict = Verdict.LEAKED if number % 3 == 0 else Verdict.HELD
            closed = replace(summary, verdict=verdict, complete=True, start_s=t_s, end_s=t_s + 36_000.0)
            store.close_batch(number, BatchClosed(t_s + 36_000.0, utc_s + 36_000.0, closed))
            store.edit(number, {Detail.LABEL: f"lens {number}"}, "command line", utc_s)
    return watched


@pytest.fixture
def season(watched):
    return with_season(watched)


@pytest.fixture
def client(season, tmp_path):
    with shown(season, tmp_path / "reports") as client:
        yield client


def numbers_of(html: str) -> list[int]:
    return [int(found) for found in re.findall(r'href="/batch/(\d+)"', html)]


def test_the_newest_come_first_fifty_a_page(client):
    first = client.get("/batches").text
    assert numbers_of(first) == list(range(121, 71, -1))
    second = client.get("/batches?page=2").text
    assert numbers_of(second) == list(range(71, 21, -1))
    last = client.get("/batches?page=3").text
    assert numbers_of(last) == list(range(21, 0, -1))
    assert "page=3" not in first and "page=2" in first
    assert numbers_of(client.get("/batches?page=4").text) == []


@pytest.mark.parametrize(
    ("query", "numbers"),
    [
        ("verdict=leaked&find=lens 1", [120, 117, 114, 111, 108, 105, 102, 18, 15, 12]),
        ("verdict=open", [1]),
        ("find=LENS 77", [77]),
        ("alarm=floor-ahead", [1]),
        ("alarm=over-pressure", []),
        ("pot=nobody", []),
        ("since=2026-05-01&until=2026-05-02", [119, 118]),
    ],
)
def test_the_list_can_be_narrowed(client, query, numbers):
    found = numbers_of(client.get(f"/batches?{query}").text)
    assert found == numbers


def test_page_links_keep_the_filters(client):
    html = client.get("/batches?find=lens&verdict=held").text
    assert "find=lens" in html and "verdict=held" in html and "page=2" in html


@pytest.mark.parametrize("query", ["since=yesterday", "verdict=fine", "alarm=none", "until=2026-02-30"])
def test_an_invalid_search_says_why(client, query):
    answer = client.get(f"/batches?{query}")
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


def test_details_of_a_closed_batch_change_at_once(client, season):
    answer = post(
        client, "/batch/77/edit", label="lens 77, green", note="two bubbles\r\nat the rim", mass="250 g"
    )
    assert (answer.status_code, answer.headers["location"]) == (303, "/batch/77?said=kept")
    assert "The details are saved." in client.get(answer.headers["location"]).text
    with Store.open_read_only(season.record) as store:
        row, edits = store.batch(77), store.edits(77)
    assert row.details == {
        Detail.LABEL: "lens 77, green",
        Detail.NOTE: "two bubbles\nat the rim",
        Detail.MASS: "250 g",
    }
    assert [edit.by for edit in edits if edit.field is Detail.LABEL] == ["command line", "page"]
    again = post(
        client, "/batch/77/edit", label="lens 77, green", note="two bubbles\nat the rim", mass="250 g"
    )
    assert again.headers["location"] == "/batch/77?said=same"
    with Store.open_read_only(season.record) as store:
        assert len(store.edits(77)) == len(edits)
    assert commands_of(season.record) == []


def test_an_empty_field_clears_a_detail(client, season):
    post(client, "/batch/77/edit", label="")
    with Store.open_read_only(season.record) as store:
        assert store.batch(77).label == ""


def test_details_of_an_open_batch_go_through_the_watch(client, season):
    answer = post(client, "/batch/1/edit", label="lens 1", mould="no. 3")
    assert answer.headers["location"] == "/batch/1?asked=1-2"
    assert "The watch is not running; start the watch" in client.get(answer.headers["location"]).text
    assert [(action, field, text) for _, action, _, text, _, _, field in commands_of(season.record)] == [
        ("edit", "label", "lens 1"),
        ("edit", "mould", "no. 3"),
    ]


def test_a_refused_edit_stays_in_the_form(client, season):
    answer = post(client, "/batch/77/edit", mass="a lot", note="three bubbles")
    assert answer.status_code == 422
    assert "a lot" in answer.text and "three bubbles" in answer.text
    with Store.open_read_only(season.record) as store:
        assert store.batch(77).details == {Detail.LABEL: "lens 77"}


def test_a_detail_copied_from_the_last_batch_is_marked_until_edited(client, season):
    with Store.open(season.record) as store:
        store.edit(77, {Detail.RESIN: "clear, slow"}, LAST_BATCH, 0.0)
    assert "taken over from the last batch" in client.get("/batch/77").text
    post(client, "/batch/77/edit", resin="clear, slow", label="other")
    with Store.open_read_only(season.record) as store:
        assert [edit.by for edit in store.edits(77) if edit.field is Detail.RESIN] == [LAST_BATCH]


def test_a_mixing_time_is_taken_as_the_one_nearest_the_fill(client, season):
    # the night and its batch begin at 22:00 UTC
    post(client, "/batch/1/edit", **{"mixed-at": "21:40"})
    ((*_, text, _, _, field),) = commands_of(season.record)
    assert (field, text) == ("mixed-at", "2026-01-01T21:40:00Z")


def test_a_batch_is_opened_by_hand_with_its_details(client, season):
    summary = season.bench.service.watches["lantern"].summary()
    with Store.open(season.record) as store:
        store.close_batch(1, BatchClosed(20_000.0, None, summary))
    answer = post(client, "/pot/lantern/open", resin="epoxy-casting", label="lens 122", mass="")
    assert answer.headers["location"] == "/pot/lantern?asked=1-3"
    assert [(action, field, text) for _, action, _, text, _, _, field in commands_of(season.record)] == [
        ("open", None, ""),
        ("edit", "label", "lens 122"),
        ("edit", "resin", "epoxy-casting"),
    ]


def test_the_page_of_a_batch_says_how_it_went(client):
    html = client.get("/batch/120").text
    assert "It leaked, but held long enough" in html and "10 h" in html
    assert "Still open" in client.get("/batch/1").text
    assert "Losing" in client.get("/batch/1").text  # the alarm's own text


def test_resins_and_earlier_values_are_suggested(client, season):
    with Store.open(season.record) as store:
        store.edit(100, {Detail.MOULD: "harbour lamp, small"}, "command line", time.time())
    html = client.get("/batch/77").text
    assert '<option value="epoxy-casting">' in html
    assert '<option value="harbour lamp, small">' in html
    assert token_of(html)
