"""Batches as a list, and filtered."""

from dataclasses import replace

import pytest

from potvigil.model.events import AlarmId, AlarmState, BatchOpened, Detail, Interval, Verdict
from potvigil.record.requests.batch_query import OPEN, Wanted
from potvigil.record.store import Store
from record_night import CLOSED, POT, SUMMARY, UTC_S, alarm

DAY_S = 86_400.0


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    """Four batches: a closed one that leaked, one below the floor, one of another pot, an open one."""
    with Store.open(tmp_path_factory.mktemp("listed") / "record.db") as store:
        for number, (pot, verdict, label) in enumerate(
            ((POT, Verdict.LEAKED, "Lens, red"), (POT, Verdict.FELL_BELOW_FLOOR, "lens, 100 % green"))
        ):
            opened_s = 100.0 + number * DAY_S
            batch_id = store.open_batch(pot, BatchOpened(opened_s, UTC_S + number * DAY_S))
            store.add_event(pot, batch_id, alarm(opened_s + 5.0, AlarmState.UNACKNOWLEDGED))
            store.close_batch(batch_id, replaced(verdict))
            store.edit(batch_id, {Detail.LABEL: label}, "anna", UTC_S)
        store.open_batch("beacon", BatchOpened(100.0 + 2 * DAY_S, None))
        store.edit(2, {Detail.LABEL: "lens, green"}, "anna", UTC_S)
        store.open_batch(POT, BatchOpened(100.0 + 3 * DAY_S, UTC_S + 3 * DAY_S))
        yield store


def replaced(verdict):
    return replace(CLOSED, summary=replace(SUMMARY, verdict=verdict))


def ids(store, **wanted):
    return [row.id for row in store.listed(Wanted(**wanted))]


def test_all_batches_are_listed_newest_first(store):
    assert ids(store) == [4, 3, 2, 1]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({"pot_id": POT}, [4, 2, 1]),
        ({"pot_id": "nobody's"}, []),
        ({"verdict": Verdict.LEAKED}, [1]),
        ({"verdict": OPEN}, [4, 3]),
        ({"since_utc_s": UTC_S + DAY_S}, [4, 2]),  # the other pot's batch started without a wall clock
        ({"before_utc_s": UTC_S + DAY_S}, [1]),
        ({"text": "LENS"}, [2, 1]),
        ({"text": "100 %"}, []),  # its name before it was renamed
        ({"text": "%"}, []),  # plain text, not a pattern
        ({"text": "_"}, []),
        ({"alarm": AlarmId.LEAK}, [2, 1]),
        ({"alarm": AlarmId.BELOW_FLOOR}, []),
        ({"limit": 1}, [4]),
        ({"limit": 0}, []),
        ({"limit": 2, "skip": 1}, [3, 2]),
        ({"pot_id": POT, "verdict": Verdict.FELL_BELOW_FLOOR, "text": "green"}, [2]),
    ],
)
def test_a_list_can_be_filtered(store, wanted, found):
    assert ids(store, **wanted) == found


def test_a_listed_batch_matches_the_batch_itself(store):
    line, whole = store.listed(Wanted(limit=1, skip=3))[0], store.batch(1)
    assert (line.id, line.pot_id, line.label, line.verdict) == (1, POT, "Lens, red", Verdict.LEAKED)
    assert (line.start_t_s, line.start_utc_s) == (whole.start_t_s, whole.start_utc_s)
    assert (line.end_t_s, line.end_utc_s) == (whole.end_t_s, whole.end_utc_s)
    assert line.leak_pa_per_s == whole.summary.leak.rate_pa_per_s
    assert isinstance(line.leak_pa_per_s, Interval)
    assert line.leak_t_s == whole.summary.leak.t_s
    assert line.leak_established is whole.summary.leak.established
    assert line.alarms == len(whole.summary.alarms) > 0


def test_an_open_batch_has_no_verdict_and_no_leak_yet(store):
    line = store.listed(Wanted(verdict=OPEN, pot_id=POT))[0]
    assert (line.verdict, line.end_t_s, line.leak_pa_per_s, line.leak_t_s, line.alarms) == (None,) * 4 + (0,)


def test_the_count_covers_all_matches_whatever_the_limit(store):
    assert store.count() == 4
    assert store.count(Wanted(pot_id=POT, limit=1)) == 3
    assert store.count(Wanted(text="lens", alarm=AlarmId.LEAK, skip=1)) == 2


def test_the_leaks_of_a_pot_come_from_its_closed_batches_oldest_first(store):
    rows = store.leaks(POT)
    assert [row.batch_id for row in rows] == [1, 2]
    first, whole = rows[0], store.batch(1)
    assert first.rate_pa_per_s == whole.summary.leak.rate_pa_per_s
    assert (first.t_s, first.utc_s) == (whole.summary.leak.t_s, whole.start_utc_s)
    assert (first.established, first.verdict) == (whole.summary.leak.established, whole.verdict)
    assert store.leaks("beacon") == []
