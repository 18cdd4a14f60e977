"""When the watch wakes: at its deadlines, however long a tick takes; and what a restart replays."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from potvigil.clock import Instant, ManualClock
from potvigil.model.events import Command, NoteEvent, NoteId
from potvigil.model.reading import Sample
from potvigil.outputs import systemd
from potvigil.record.store import Store
from potvigil.service import restart
from potvigil.service.guarded_watch import GuardedWatch
from potvigil.service.loop import Service
from potvigil.service.restart import kept_samples, resume_batch
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from record_night import CLOSED
from shut_pot import pot

PERIOD_S = 5.0
SETTINGS = load_text(f"{NIGHTS['sound'].settings_yaml}sample_period: {PERIOD_S:g} s\n", "the demo studio")


class SlowStation:
    """A station that reads nothing and takes as long as `takes_s` says, one entry a tick, then no time."""

    def __init__(self, clock: ManualClock, *takes_s: float) -> None:
        self.clock, self.takes_s = clock, list(takes_s)
        self.read_at_s: list[float] = []

    def read(self, t_s: float, instant: Instant) -> list[tuple[str, Sample]]:
        now_s = self.clock.now().boot_s
        self.read_at_s.append(now_s)
        if self.takes_s:
            self.clock.sleep_until(now_s + self.takes_s.pop(0))
        return [("lantern", Sample(t_s))]

    def close(self) -> None:
        return


def read_at(tmp_path: Path, *takes_s: float, until_s: float = 30.0) -> list[float]:
    clock = ManualClock(0.0)
    station = SlowStation(clock, *takes_s)
    service = Service(SETTINGS, clock, "boot", station, Store.open_for_watch(tmp_path / "record.db"))
    service.start()
    service.run(until_s)
    service.stop()
    return station.read_at_s


def test_a_tick_within_its_period_does_not_delay_the_next(tmp_path: Path) -> None:
    assert read_at(tmp_path, 1.0, 3.0, 4.9, 2.0) == [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0]


def test_a_late_tick_runs_at_once_and_the_period_counts_from_there(tmp_path: Path) -> None:
    assert read_at(tmp_path, 7.0) == [0.0, 7.0, 12.0, 17.0, 22.0, 27.0]


def test_missed_ticks_are_not_made_up_after_a_long_stall(tmp_path: Path) -> None:
    assert read_at(tmp_path, 1.0, 600.0, until_s=620.0) == [0.0, 5.0, 605.0, 610.0, 615.0, 620.0]


class AskedRecord:
    """A record with one empty batch; `asked` lists the samples that were requested."""

    def __init__(self, end_t_s: float | None) -> None:
        self.row = SimpleNamespace(id=3, start_t_s=5000.0, end_t_s=end_t_s)
        self.asked: list[tuple[float, float | None]] = []
        self.commands_asked: list[tuple[float, float | None]] = []

    def latest_unseen_batch(self, pot_id: str) -> object:
        return self.row

    def commands(self, pot_id: str, from_s: float, until_s: float | None) -> list[Command]:
        self.commands_asked.append((from_s, until_s))
        return []

    def samples(self, pot_id: str, from_s: float, until_s: float | None) -> list[Sample]:
        self.asked.append((from_s, until_s))
        return []

    def last_sample(self, pot_id: str) -> Sample | None:
        return None


@pytest.mark.parametrize(("end_t_s", "until_s"), [(None, None), (40_000.0, 43_600.0)])
def test_a_restart_replays_from_two_minutes_before_the_batch_and_an_hour_past_an_unacknowledged_one(
    end_t_s: float | None, until_s: float | None
) -> None:
    record = AskedRecord(end_t_s)
    watch = GuardedWatch(pot())
    batch_ids: dict[str, int | None] = {"lantern": None}
    resume_batch(record, SETTINGS, {}, batch_ids, "lantern", watch)  # type: ignore[arg-type]
    assert record.asked == [(4880.0, until_s)]
    assert record.commands_asked == [(5000.0, until_s)]
    assert batch_ids == {"lantern": None}


def test_a_restart_replays_three_hours_in_full_and_older_samples_as_means() -> None:
    samples = [Sample(float(t_s), gauge_pa=4e5) for t_s in range(0, 20_000, 2)]
    record = AskedRecord(None)
    record.samples = lambda pot_id, from_s, until_s: samples  # type: ignore[method-assign]
    record.last_sample = lambda pot_id: samples[-1]  # type: ignore[method-assign]
    record.moments = lambda pot_id, from_s: []  # type: ignore[attr-defined]
    kept = [each.t_s for each in kept_samples(record, SETTINGS, "lantern", 0.0, None)]  # type: ignore[arg-type]
    full_from_s = samples[-1].t_s - 10_800.0
    assert [t_s for t_s in kept if t_s >= full_from_s] == [s.t_s for s in samples if s.t_s >= full_from_s]
    means = [t_s for t_s in kept if t_s < full_from_s - 20.0]
    assert len(means) == pytest.approx(full_from_s / 20.0, rel=0.01)


def test_a_restart_replays_a_regulated_pot_in_full() -> None:
    samples = [Sample(float(t_s), gauge_pa=4e5) for t_s in range(0, 20_000, 2)]
    record = AskedRecord(None)
    record.samples = lambda pot_id, from_s, until_s: samples  # type: ignore[method-assign]
    record.last_sample = lambda pot_id: samples[-1]  # type: ignore[method-assign]
    one = SETTINGS.pots["lantern"]
    regulated = SETTINGS.model_copy(
        update={"pots": {"lantern": one.model_copy(update={"supply": "regulated"})}}
    )
    assert list(kept_samples(record, regulated, "lantern", 0.0, None)) == samples  # type: ignore[arg-type]


@pytest.mark.parametrize(("until_s", "full_from_s"), [(None, 9200.0), (40_000.0, 9200.0), (15_000.0, 4200.0)])
def test_the_three_hours_count_back_from_the_end_of_the_replay(
    monkeypatch: pytest.MonkeyPatch, until_s: float | None, full_from_s: float
) -> None:
    record = AskedRecord(None)
    record.last_sample = lambda pot_id: Sample(20_000.0)  # type: ignore[method-assign]
    record.moments = lambda pot_id, from_s: [from_s]  # type: ignore[attr-defined]
    monkeypatch.setattr(restart, "thinned", lambda samples, moments, from_s: (samples, moments, from_s))
    kept = kept_samples(record, SETTINGS, "lantern", 7.0, until_s)  # type: ignore[arg-type]
    assert kept == ([], [7.0], full_from_s)


# --- the replayed batch: continued or closed

NOTE = NoteEvent(5100.0, None, NoteId.TOP_UP, "")
# a line each: what the record receives, which past it has, which batch is open afterwards
ENDS = [
    # the batch is open, and goes on
    (None, [[NOTE], []], False, True, ["hears NoteEvent", "fed 2", "open 3"]),
    # the machine stopped between the last sample and the closing
    (None, [[CLOSED], []], False, False, ["hears BatchClosed", "fed 2", "closed 3", "keeps 3", "open None"]),
    # the watch failed during it: a later batch is another one
    (None, [[CLOSED], []], True, False, ["hears BatchClosed", "fed 1", "closed 3", "keeps 3", "open None"]),
    (None, [[NOTE], []], True, True, ["hears NoteEvent", "fed 2", "open 3"]),
    # nothing happened
    (None, [[NOTE], []], False, False, ["hears NoteEvent", "fed 2", "open None"]),
    # closed long ago, replayed only for its alarms
    (9000.0, [[CLOSED], []], False, False, ["hears BatchClosed", "fed 2", "open None"]),
    (9000.0, [[NOTE], []], False, True, ["hears NoteEvent", "fed 2", "open None"]),
]


@pytest.mark.parametrize(("end_t_s", "steps", "has_failed", "is_open", "said"), ENDS)
def test_a_replayed_batch_goes_on_or_is_closed(
    monkeypatch: pytest.MonkeyPatch,
    end_t_s: float | None,
    steps: list[list[object]],
    has_failed: bool,
    is_open: bool,
    said: list[str],
) -> None:
    found: list[str] = []
    record = AskedRecord(end_t_s)
    record.close_batch = lambda batch, event: found.append(f"closed {batch}")  # type: ignore[attr-defined]
    past = SimpleNamespace(
        hear=lambda batch, event: found.append(f"hears {type(event).__name__}"),
        keep=lambda batch: found.append(f"keeps {batch}"),
    )
    fed: list[int] = []

    def feed_again(*_: object) -> object:
        for number, events in enumerate(steps, 1):
            fed.append(number)
            yield None, events

    watch = SimpleNamespace(has_failed=has_failed, summary=lambda: "so far" if is_open else None)
    monkeypatch.setattr(restart, "feed_again", feed_again)
    batch_ids: dict[str, int | None] = {"lantern": None}
    resume_batch(record, SETTINGS, {"lantern": past}, batch_ids, "lantern", watch)  # type: ignore[arg-type, dict-item]
    at = sum(line.startswith("hears") for line in found)
    found[at:at] = [f"fed {fed[-1]}"]
    assert [*found, f"open {batch_ids['lantern']}"] == said


def test_a_long_replay_keeps_asking_the_service_manager_for_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[float] = []
    monkeypatch.setattr(systemd, "starting", asked.append)
    monkeypatch.setattr(restart, "feed_again", lambda *_: ((None, []) for _ in range(4001)))
    watch = GuardedWatch(pot())
    resume_batch(AskedRecord(None), SETTINGS, {}, {}, "lantern", watch)  # type: ignore[arg-type]
    assert asked == [60.0, 60.0, 60.0]


def test_without_a_batch_nothing_is_replayed(monkeypatch: pytest.MonkeyPatch) -> None:
    record = AskedRecord(None)
    record.row = None  # type: ignore[assignment]
    resume_batch(record, SETTINGS, {}, {}, "lantern", GuardedWatch(pot()))  # type: ignore[arg-type]
    assert record.asked == []
