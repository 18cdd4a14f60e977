"""A batch in the list and on its page, field by field; the list's filters and paging."""

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_pot import PSI, UTC_S
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchClosed,
    BatchOpened,
    Cure,
    Detail,
    EditEvent,
    Interval,
    NoteEvent,
    NoteId,
    Priority,
    Stage,
    StageEvent,
    Verdict,
)
from potvigil.page.views import batches
from potvigil.page.views.batches import (
    LAST_PAGE,
    MOST_EVENTS,
    PAGE,
    QueryError,
    line,
    list_page,
    listed,
    page_number,
    shown_batch,
    wanted_of,
)
from potvigil.page.views.words import SIGNS, Severity
from potvigil.record.rows import EditRow, ListedBatch
from potvigil.record.store import Store
from potvigil.wording.alarm_names import ALARM_WORDS
from quick_page import LESS_S, quick_record
from record_night import SUMMARY

HOUR_PSI = PSI / 3600.0
NOTHING = dict.fromkeys(batches.QUERY, "")
ROW = ListedBatch(
    id=7,
    pot_id="lantern",
    start_t_s=100.0,
    start_utc_s=UTC_S,
    end_t_s=100.0 + 36_000.0,
    end_utc_s=UTC_S + 36_000.0,
    rehearsed=None,
    verdict=Verdict.HELD,
    details={},
    leak_pa_per_s=Interval(0.5 * HOUR_PSI, 0.4 * HOUR_PSI, 0.6 * HOUR_PSI),
    leak_t_s=36_000.0,
    leak_established=True,
    alarms=2,
    above_maximum=False,
)


# --- a line of the list


def test_a_line_of_the_list() -> None:
    row = replace(
        ROW, details={Detail.LABEL: "lens\x00", Detail.RESIN: "clear", Detail.OUTCOME: "flawed: rim"}
    )
    assert line(row, "psi", UTC) == {
        "id": 7,
        "pot": "lantern",
        "label": "lens\ufffd",
        "resin": "clear",
        "began": "Thu 2026-01-01 22:00",
        "lasted": "10 h",
        "verdict": "held",
        "word": "The pressure held",
        "level": "calm",
        "sign": "●",
        "leak": "0.50 psi/h",
        "alarms": 2,
        "cast": "cast flawed",
        "flawed": True,
        "rehearsed": None,
    }


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"end_t_s": None}, {"lasted": ""}),
        ({"verdict": None}, {"verdict": "open", "word": "Still open", "level": "note"}),
        ({"start_utc_s": None}, {"began": ""}),
        ({"leak_established": False}, {"leak": ""}),
        ({"leak_pa_per_s": None}, {"leak": ""}),
        ({"above_maximum": True}, {"level": "warn", "sign": "▲", "verdict": "held"}),
        ({"above_maximum": True, "verdict": Verdict.LEAKED}, {"level": "warn", "verdict": "leaked"}),
        ({"above_maximum": True, "verdict": Verdict.VENTED_EARLY}, {"level": "alarm", "sign": "■"}),
        ({"verdict": Verdict.INCOMPLETE}, {"level": "unknown", "sign": "○"}),
        ({"details": {Detail.OUTCOME: "good"}}, {"flawed": False}),
        ({"rehearsed": "sound"}, {"rehearsed": "sound"}),
    ],
)  # fmt: skip
def test_fields_of_a_line_that_vary(changes, found) -> None:
    text = line(replace(ROW, **changes), "psi", UTC)
    assert {key: text[key] for key in found} == found


def test_a_lines_start_is_in_the_workshops_time_zone() -> None:
    assert line(ROW, "psi", ZoneInfo("Asia/Tokyo"))["began"] == "Fri 2026-01-02 07:00"


def test_filters_are_cut_to_their_longest_length() -> None:
    assert batches.query_of({"find": "x" * 201, "pot": "a\x1bb", "page": "2"}) == NOTHING | {
        "find": "x" * 200,
        "pot": "a\ufffdb",
    }
    assert batches.query_of({"find": "x" * 200}, ("find",)) == {"find": "x" * 200}


# --- pages of the list


@given(st.integers(0, PAGE + 1), st.integers(1, LAST_PAGE))
def test_a_page_links_to_older_and_newer_ones_only_if_they_exist(count, page) -> None:
    query = NOTHING | {"find": "lens 3 & 4"}
    found = list_page([{"id": n} for n in range(count)], query, page)
    assert [row["id"] for row in found["rows"]] == list(range(min(count, 50)))
    older = f"/batches?find=lens+3+%26+4&page={page + 1}"
    newer = f"/batches?find=lens+3+%26+4&page={page - 1}"
    assert found["older"] == (older if count > 50 and page < 10_000 else None)
    assert found["newer"] == (newer if page > 1 else None)
    assert (found["page"], found["query"], found["fault"]) == (page, query, None)


def test_the_last_page_has_no_older_link() -> None:
    full = [{"id": n} for n in range(PAGE + 1)]
    assert list_page(full, NOTHING, LAST_PAGE)["older"] is None
    assert list_page(full, NOTHING, LAST_PAGE - 1)["older"] == "/batches?page=10000"
    assert list_page(full[:PAGE], NOTHING, 1)["older"] is None
    assert list_page(full, NOTHING, 2)["newer"] == "/batches?page=1"


def test_an_invalid_search_lists_nothing_and_shows_why() -> None:
    found = batches.empty_list(NOTHING, "no")
    assert (found["rows"], found["page"], found["newer"], found["older"], found["fault"]) == (
        [],
        1,
        None,
        None,
        "no",
    )
    assert [each["value"] for each in found["verdicts"]] == [*Verdict, "open"]
    assert [each["value"] for each in found["alarm_kinds"]] == list(ALARM_WORDS)


@pytest.mark.parametrize(
    ("text", "number"),
    [("1", 1), ("2", 2), ("0", 1), ("-3", 1), ("", 1), ("x", 1), ("9999", 9999), ("10000", 10_000),
     ("10001", 10_000), ("999999", 10_000), ("1000000", 1), ("٣", 1), ("1.5", 1)],
)  # fmt: skip
def test_a_page_number_is_clamped(text, number) -> None:
    assert page_number(text) == number


def test_the_list_knows_whether_older_batches_follow(tmp_path) -> None:
    with Store.open(quick_record(tmp_path / "r.db")) as store:
        for n in range(3, PAGE + 5):
            store.open_batch("lantern", BatchOpened(1000.0 * n, LESS_S + 1000.0 * n))
        first, second = (listed(store, NOTHING, page) for page in (1, 2))
    assert [row["id"] for row in first["rows"]] == list(range(54, 4, -1)) and first["older"]
    assert [row["id"] for row in second["rows"]] == [4, 3, 2, 1] and second["older"] is None


# --- filters


def test_each_filter_becomes_part_of_the_query() -> None:
    query = {
        "pot": "lantern",
        "verdict": "leaked",
        "since": "2026-01-01",
        "until": "2026-01-01",
        "find": "  rim ",
        "alarm": "leak",
    }
    wanted = wanted_of(query, UTC, 51, 100)
    assert (wanted.pot_id, wanted.verdict, wanted.text, wanted.alarm) == (
        *("lantern", Verdict.LEAKED, "rim", AlarmId.LEAK),
    )
    assert (wanted.since_utc_s, wanted.before_utc_s) == (1_767_225_600.0, 1_767_225_600.0 + 86_400.0)
    assert (wanted.limit, wanted.skip) == (51, 100)
    assert wanted_of(query | {"verdict": "open"}, UTC, 1, 0).verdict == "open"
    bare = wanted_of(NOTHING | {"find": "   "}, UTC, 1, 0)
    assert {bare.pot_id, bare.verdict, bare.since_utc_s, bare.before_utc_s, bare.text, bare.alarm} == {None}


def test_a_day_with_a_clock_change_has_its_true_length() -> None:
    """Lisbon moves from UTC to UTC+1 on 29 March 2026 (EU directive 2000/84/EC): that day has 23 hours."""
    wanted = wanted_of(
        NOTHING | {"since": "2026-03-29", "until": "2026-03-29"}, ZoneInfo("Europe/Lisbon"), 1, 0
    )
    assert wanted.before_utc_s - wanted.since_utc_s == 23 * 3600.0


def test_without_a_zone_a_day_is_in_the_machines_zone(monkeypatch) -> None:
    import time

    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        wanted = wanted_of(NOTHING | {"since": "2026-01-02"}, None, 1, 0)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert wanted.since_utc_s == 1_767_225_600.0 + 15 * 3600.0


@pytest.mark.parametrize(
    ("query", "text"),
    [
        ({"verdict": "fine"}, "There is no verdict 'fine'."),
        ({"alarm": "none"}, "There is no alarm 'none'."),
        ({"since": "01.03.2026"}, "'01.03.2026' is not a date; give one like 2026-03-01."),
        ({"until": "9999-12-31"}, "'9999-12-31' is not a date; give one like 2026-03-01."),
    ],
)
def test_an_invalid_filter_is_explained(query, text) -> None:
    with pytest.raises(QueryError) as error:
        wanted_of(NOTHING | query, UTC, 1, 0)
    assert str(error.value) == text


# --- one batch


@pytest.fixture
def store(tmp_path):
    with Store.open(quick_record(tmp_path / "r.db")) as store:
        yield store


def shown(store, summary=None, **row):
    batch = store.batch(1)
    summary = batch.summary if summary is None else summary
    return shown_batch(store, replace(batch, **({"summary": summary, "verdict": summary.verdict} | row)))


def facts(store, **changes) -> dict[str, str]:
    found = shown(store, replace(store.batch(1).summary, **changes))["batch"]["facts"]
    return {each["name"]: each["text"] for each in found}


def test_the_facts_of_a_batch(store) -> None:
    assert facts(store) == {
        "Hold": "60.0 psi to 54.0 psi",
        "Lowest": "54.0 psi",
        "Air lost": "0.49 psi/h (0.48 psi/h to 0.51 psi/h)",
        "Cure": "100 %, done at 06:21",
    }


@pytest.mark.parametrize(
    ("changes", "name", "text"),
    [
        ({"hold_start_gauge_pa": None}, "Hold", None),
        ({"hold_end_gauge_pa": None}, "Hold", None),
        ({"lowest_gauge_pa": None}, "Lowest", None),
        ({"leak": None}, "Air lost", "not known"),
        ({"cure": Cure(0.256, 900.0)}, "Cure", "26 %"),
        ({"cure": Cure(0.994, 900.0)}, "Cure", "99 %"),
        ({"cure": Cure(1.0, 22_800.0)}, "Cure", "100 %, done at 02:56"),
        ({"top_ups": 0}, "Top-ups", None),
        ({"top_ups": 2}, "Top-ups", "2"),
        (
            {"leak": replace(SUMMARY.leak, established=False)},
            "Air lost",
            "no leak established, at most 0.51 psi/h",
        ),
        (
            {"leak": replace(SUMMARY.leak, established=False, rate_pa_per_s=Interval(-2.0, -3.0, -1.0))},
            "Air lost",
            "no leak established, at most 0.00 psi/h",
        ),
    ],
)
def test_each_fact(store, changes, name, text) -> None:
    assert facts(store, **changes).get(name) == text


def test_without_a_wall_clock_the_cure_shows_no_time(store) -> None:
    found = shown(store, start_utc_s=None)["batch"]
    assert found["began"] == "started with the clock not set"
    assert {each["name"]: each["text"] for each in found["facts"]}["Cure"] == "100 %"


def test_the_head_of_a_batch(store) -> None:
    head = shown(store, details={Detail.OUTCOME: "flawed: rim", Detail.LABEL: "lens"})["batch"]
    head.pop("facts")
    assert head == {
        "id": 1,
        "pot": "lantern",
        "label": "lens",
        "began": "Thu 2026-01-01 20:38",
        "ended": "Thu 2026-01-01 20:48",
        "lasted": "10 min",
        "word": "It leaked, but held long enough",
        "verdict": "leaked",
        "level": "warn",
        "sign": "▲",
        "reason": "Air was lost from 23:00 on; the floor was kept.",
        "rehearsed": None,
        "is_open": False,
        "is_asked": False,
        "outcome": "flawed: rim",
        "flawed": True,
    }
    assert shown(store)["batch"]["is_asked"] is True
    above = replace(SUMMARY, verdict=Verdict.HELD, alarms=(BatchAlarm(AlarmId.OVER_PRESSURE, 1.0, None),))
    assert shown(store, above)["batch"]["level"] == "warn"
    opened = shown_batch(store, store.batch(2))["batch"]
    assert (opened["is_open"], opened["is_asked"], opened["ended"], opened["lasted"]) == (True, False, "", "")
    assert (opened["facts"], opened["reason"], opened["verdict"]) == ([], "", "open")


ALARM = AlarmEvent(1500.0, None, AlarmId.LEAK, AlarmState.UNACKNOWLEDGED, Priority.LOW, "Air is lost.")


def timeline(store, *events):
    for each in events:
        store.add_event("lantern", 2, each)
    return shown_batch(store, store.batch(2))["events"]


def test_each_kind_of_event_has_its_words_and_its_level(store) -> None:
    other = (
        ALARM,
        replace(ALARM, t_s=1501.0, repeat=True),
        replace(ALARM, t_s=1502.0, priority=Priority.HIGH),
        replace(ALARM, t_s=1503.0, state=AlarmState.ACKNOWLEDGED),
        NoteEvent(1504.0, None, NoteId.TOP_UP, "by\x1b 3 psi"),
        NoteEvent(1505.0, None, NoteId.REFUSED, "no such alarm"),
        EditEvent(1506.0, None, Detail.LABEL, "", "x", "anna"),
        BatchClosed(1507.0, None, SUMMARY),
        BatchClosed(
            1508.0,
            None,
            replace(SUMMARY, verdict=Verdict.HELD, alarms=(BatchAlarm(AlarmId.OVER_PRESSURE, 1.0, None),)),
        ),
    )
    found = timeline(store, *other)[2:]
    assert [(each["what"], each["text"], each["level"]) for each in found] == [
        ("alarm", "leak: Air is lost.", "warn"),
        ("alarm", "leak: Air is lost.", "alarm"),
        ("alarm", "leak: acknowledged", "note"),
        ("note", "by\ufffd 3 psi", "note"),
        ("note", "no such alarm", "warn"),
        ("batch", "batch closed: it leaked, but held long enough", "warn"),
        ("batch", found[-1]["text"], "warn"),
    ]
    assert found[-1]["text"].endswith("but had gone above the maximum")
    assert all(each["sign"] == SIGNS[Severity(each["level"])] for each in found)
    assert {(each["time"], each["day"]) for each in found} == {("8 min in", "")}


def test_a_day_heads_its_events_once(store) -> None:
    day_s = 86_400.0
    found = timeline(
        store, *(StageEvent(t_s, LESS_S + t_s, Stage.SETTLING) for t_s in (1500.0, day_s, day_s + 1))
    )
    assert [(each["day"], each["time"], each["text"]) for each in found] == [
        ("Thu 2026-01-01", "20:53:30", "filling"),
        ("", "21:00:00", "holding"),
        ("", "21:01:40", "settling"),
        ("Fri 2026-01-02", "20:36:40", "settling"),
        ("", "20:36:41", "settling"),
    ]


@pytest.mark.parametrize(("more", "last"), [(0, None), (1, "and 1 more; the report has them all")])
def test_beyond_a_limit_events_are_only_counted(store, more, last, monkeypatch) -> None:
    assert MOST_EVENTS == 500
    monkeypatch.setattr(batches, "MOST_EVENTS", 10)
    found = timeline(store, *(StageEvent(1500.0 + n, None, Stage.SETTLING) for n in range(8 + more)))
    assert len(found) == 10 + more
    if last is not None:
        assert found[-1] == {
            "day": "",
            "time": "",
            "what": "note",
            "text": last,
            "level": "note",
            "sign": "●",
        }


def test_an_edit_shows_who_made_it_and_when(store) -> None:
    store.edit(1, {Detail.MOULD: "no. 3"}, "an\x1bna", UTC_S)
    (edit,) = shown_batch(store, store.batch(1))["edits"]
    assert edit == {
        "time": "Thu 2026-01-01 22:00",
        "field": "Mould",
        "old": "",
        "new": "no. 3",
        "by": "an\ufffdna",
    }
    unknown = EditRow(Detail.LABEL, "a", "b", "anna", None, None)
    assert batches._edit_line(unknown, UTC)["time"] == "time not known"
