"""No clock, or one set late, wrongly or twice: rates do not change, and nothing is dated twice."""

from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, BatchClosed
from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench, rehearse

POT = "lantern"
NIGHT = NIGHTS["lost-before-gel"]
SET_S, WEEKS_S = 5000.0, 63 * 86_400.0


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> Bench:
    return rehearse(NIGHT, tmp_path_factory.mktemp("undisturbed"))


def late(bench: Bench) -> None:
    bench.clock.set_utc(None)


def weeks_behind(bench: Bench) -> None:
    bench.clock.set_utc(NIGHT.start_utc_s - WEEKS_S)


def weeks_ahead(bench: Bench) -> None:
    bench.clock.set_utc(NIGHT.start_utc_s + WEEKS_S)


def an_hour_behind(bench: Bench) -> None:
    bench.clock.set_utc(NIGHT.start_utc_s - 3600.0)


def played(folder, at_start: Callable[[Bench], None]) -> Bench:
    """Play the night on a wrong clock that is set during the hold, or on none."""
    bench = Bench(NIGHT, folder)
    bench.begin(utc_known=at_start is not late)
    at_start(bench)
    bench.service.run(SET_S)
    bench.clock.set_utc(NIGHT.start_utc_s + bench.now_s)
    bench.run_until()
    bench.service.stop()
    return bench


@pytest.fixture(scope="module", params=[late, weeks_behind, weeks_ahead, an_hour_behind])
def mended(request, tmp_path_factory) -> Bench:
    return played(tmp_path_factory.mktemp("mended"), request.param)


def test_setting_the_clock_changes_no_rate(mended, undisturbed):
    said, would_say = mended.summary, undisturbed.summary
    assert said.leak.rate_pa_per_s == would_say.leak.rate_pa_per_s
    assert said.verdict is would_say.verdict
    assert (said.start_s, said.hold_start_s, said.floor_crossed_s, said.end_s) == (
        would_say.start_s,
        would_say.hold_start_s,
        would_say.floor_crossed_s,
        would_say.end_s,
    )


def test_all_times_of_the_night_are_right_once_the_clock_is_set(mended):
    def is_true(t_s: float, utc_s: float | None) -> bool:
        return utc_s is not None and abs(utc_s - (NIGHT.start_utc_s + t_s)) < 1.0

    with Store.open_read_only(mended.record) as store:
        samples = list(store.samples(POT, 0.0))
        assert len(samples) > 2000
        assert all(is_true(sample.t_s, sample.utc_s) for sample in samples)
        assert len({sample.utc_s for sample in samples}) == len(samples)  # nothing is dated twice
        (row,) = store.batches()
        assert is_true(row.start_t_s, row.start_utc_s) and is_true(row.end_t_s, row.end_utc_s)
        assert is_true(row.summary.start_s, row.summary.start_utc_s)
        for event in store.events(row.id):
            assert is_true(event.t_s, event.utc_s)
            if isinstance(event, BatchClosed):
                assert is_true(event.summary.start_s, event.summary.start_utc_s)
        assert all(is_true(t_s, utc_s) for t_s, utc_s in store._db.rows("SELECT t_s, utc_s FROM event"))
        assert all(is_true(run.start_t_s, run.start_utc_s) for run in store.runs())


def test_clock_unset_is_raised_once_and_returns_when_the_clock_is_set(tmp_path):
    bench = played(tmp_path, late)
    told = [
        (event.state, event.t_s)
        for event in bench.events
        if isinstance(event, AlarmEvent) and event.alarm is AlarmId.CLOCK_UNSET and not event.repeat
    ]
    assert [state for state, _ in told] == [AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED]
    assert SET_S < told[1][1] < SET_S + 700.0


def test_a_correction_of_times_cut_off_by_a_kill_is_finished_by_the_next_watch(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin(utc_known=False)
    bench.run_until(SET_S)
    bench.clock.set_utc(NIGHT.start_utc_s + bench.now_s)
    bench.run_until(SET_S + 15.0)  # three steps of ten minutes are mended
    bench.power_cut()
    bench.pass_unwatched(20.0)
    bench.begin()  # killed only: the same boot
    bench.run_until(SET_S + 300.0)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        dated = [(sample.t_s, sample.utc_s) for sample in store.samples(POT, 0.0)]
    assert all(utc_s == pytest.approx(NIGHT.start_utc_s + t_s, abs=1.0) for t_s, utc_s in dated)


def test_an_earlier_boot_is_never_dated_by_a_later_ones_clock(tmp_path):
    bench = Bench(NIGHT, tmp_path)
    bench.begin(utc_known=False)
    bench.run_until(1000.0)
    bench.service.stop()
    bench.pass_unwatched(600.0)
    bench.begin("boot-2", boot_at_s=bench.now_s)
    bench.run_until(2000.0)
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        _, second = store.runs()
        assert not second.gap_known
        assert all(s.utc_s is None for s in store.samples(POT, 0.0, second.start_t_s - 0.5))
        assert all(s.utc_s is not None for s in store.samples(POT, second.start_t_s))


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_changes_to_and_from_summer_time_do_not_affect_a_night(day, tmp_path, undisturbed, monkeypatch):
    """Central European nights in which the clocks are changed, by the tz database."""
    zone = ZoneInfo("Europe/Berlin")
    begin = datetime.fromisoformat(f"{day}T00:30:00").replace(tzinfo=zone)
    utc_s = begin.timestamp()
    an_hour_on = datetime.fromtimestamp(utc_s + 3 * 3600.0, UTC).astimezone(zone)
    assert an_hour_on.utcoffset() != begin.utcoffset()
    bench = Bench(NIGHT, tmp_path)
    bench.begin()
    bench.clock.set_utc(utc_s)
    bench.run_until()
    bench.service.stop()
    assert bench.summary.leak.rate_pa_per_s == undisturbed.summary.leak.rate_pa_per_s
    with Store.open_read_only(bench.record) as store:
        dated = [sample.utc_s for sample in store.samples(POT, 0.0)]
    assert dated == sorted(set(dated))
    assert dated[-1] - dated[0] == pytest.approx(NIGHT.duration_s, abs=5.0)
