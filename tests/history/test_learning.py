"""What was learnt is kept with the pot and used again: by service, replay, report and the health of a pot."""

import json
import logging
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from potvigil.cli import main
from potvigil.commands.shared.open_batch import settings_of, summary_so_far
from potvigil.history.forgetting import OF_THE_MOULD, OF_THE_PROBES
from potvigil.history.learning import Past
from potvigil.leak.estimator import sizes_of
from potvigil.leak.known import FLOOR, Known
from potvigil.leak.pot_model import LEARNT, usual
from potvigil.model.events import BatchOpened, Detail, EditEvent, LeakEstimate, Stage, Verdict
from potvigil.record.store import Store
from potvigil.reports.collect import collect_report
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import Night
from potvigil.watch.pot_watch import PotWatch
from record_night import CLOSED, SUMMARY
from rehearsal import Bench
from shut_pot import PSI, Swing, night

POT = "lantern"
NIGHT = NIGHTS["sound"]
WITHIN_S = 2.0 * 3600.0  # of a hold
HELD = replace(SUMMARY, verdict=Verdict.HELD, details={})
SETTINGS = """workshop: harbour-models
barometer: {device: bmp280}
pots:
  lantern:
    internal_volume: 20 L
    contents_volume: 3 L
    maximum_pressure: 80 psi
    working_pressure: 60 psi
    floor_pressure: 45 psi
    supply: shut
    cure: {hold: 3.2 h}
    transducer: {device: ads1115, channel: 0, span: 100 psi}
    thermometer: {place: gas}
"""


def found_of(of: Night = NIGHT, by: float = 0.5) -> dict[str, tuple[float, float]]:
    """Something that is surely not what is thought of any pot: all means moved, all sigmas small."""
    pot = load_text(of.settings_yaml, "night").core_pots()[POT]
    return {name: (mean + by * sigma, 0.3 * sigma) for name, (mean, sigma) in usual(sizes_of(pot)).items()}


def taught(
    path: Path,
    mould: str = "lens",
    rehearsed: str | None = NIGHT.name,
    found: object = None,
    batches: int = 7,
) -> None:
    """Keep a batch of the morning before that taught."""
    with Store.open(path) as store:
        begun_utc_s = NIGHT.start_utc_s - 40_000.0
        store.begin_run(NIGHT.settings_yaml, f"boot-0-{rehearsed}", 0.0, begun_utc_s, rehearsed)
        number = store.open_batch(POT, BatchOpened(1.0, begun_utc_s))
        if mould:
            store.add_edit(number, EditEvent(2.0, None, Detail.MOULD, "", mould, "anna"))
        end_utc_s = begun_utc_s + 36_500.0
        store.close_batch(number, replace(CLOSED, utc_s=end_utc_s, summary=HELD))
        store.add_taught(number, batches, found_of())
        if found is not None:
            store._db.execute("UPDATE taught SET found = ? WHERE batch = ?", (found, number))


def bench_with(tmp_path: Path, **row: object) -> Bench:
    bench = Bench(NIGHT, tmp_path)
    taught(bench.record, **row)  # type: ignore[arg-type]
    return bench


def known_in(bench: Bench) -> Known | None:
    return bench.service.watches[POT]._watch.learnt()


def leak_in(bench: Bench) -> LeakEstimate:
    leak = bench.service.watches[POT].snapshot().leak
    assert leak is not None
    return leak


@pytest.fixture(scope="module")
def unknown(tmp_path_factory: pytest.TempPathFactory) -> LeakEstimate:
    """What is estimated two hours into the night of a pot of which nothing is known."""
    bench = Bench(NIGHT, tmp_path_factory.mktemp("unknown"))
    bench.begin()
    bench.run_until(WITHIN_S)
    assert known_in(bench) is None
    return leak_in(bench)


# -- the service -------------------------------------------------------------------------------------


def test_a_batch_uses_what_was_learnt_and_a_restart_gives_the_same_results(
    tmp_path: Path, unknown: LeakEstimate
) -> None:
    bench = bench_with(tmp_path)
    bench.begin()
    bench.run_until(WITHIN_S)
    leak, summary = leak_in(bench), bench.service.watches[POT].summary()
    assert bench.service.batch_ids == {POT: 2}
    assert known_in(bench) == Known(7, found_of())
    assert summary is not None and summary.known_from == 7
    assert leak.rate_pa_per_s != unknown.rate_pa_per_s
    bench.service.stop()
    # whatever was learnt or noted since must not change what a batch is watched with
    with Store.open(bench.record) as store:
        store.add_care(POT, NIGHT.start_utc_s + WITHIN_S, "thermometer", "", "anna", 0.0)
        store.add_taught(2, 8, found_of(by=-0.5))
    bench.begin("boot-2", boot_at_s=bench.now_s)
    again = bench.service.watches[POT]
    assert bench.service.batch_ids == {POT: 2}
    assert again._watch.learnt() == Known(7, found_of())
    # fed again from two minutes before the fill: the scatter of the readings is a trifle another
    was, now = leak.rate_pa_per_s, leak_in(bench).rate_pa_per_s
    assert now.value == pytest.approx(was.value, rel=1e-3)
    assert (now.low, now.high) == pytest.approx((was.low, was.high), rel=1e-3)
    restarted = again.summary()
    assert restarted is not None and restarted.known_from == 7
    bench.service.stop()

    with Store.open_read_only(bench.record) as store:
        row = store.batch(2)
        judged = summary_so_far(store, row, settings_of(store, row))
        assert judged is not None and judged.known_from == 7
        assert judged.leak is not None
        assert judged.leak.rate_pa_per_s.value == pytest.approx(leak.rate_pa_per_s.value, rel=1e-3)
        collected = collect_report(store, 2)
        assert collected.summary.known_from == 7
        assert store.events(2)


def test_a_whole_night_teaches_the_next(tmp_path: Path) -> None:
    bench = bench_with(tmp_path)
    bench.begin()
    bench.run_until()
    assert bench.summary.verdict is Verdict.HELD and bench.summary.known_from == 7
    bench.service.stop()
    with Store.open_read_only(bench.record) as store:
        newest, older = store.taught(POT, rehearsed=True, limit=9)
        assert (newest.batch_id, newest.batches, newest.mould) == (2, 8, "lens")
        assert (older.batch_id, older.batches) == (1, 7)
        assert json.loads(newest.found).keys() == LEARNT.keys()
        assert newest.found != older.found
        assert store.batch(2).summary == bench.summary


@pytest.mark.parametrize(
    ("part", "names"),
    [("thermometer", OF_THE_PROBES), ("transducer", frozenset()), ("seal", frozenset())],
)
def test_care_between_two_batches_makes_the_watch_forget(
    tmp_path: Path, part: str, names: frozenset[str]
) -> None:
    bench = bench_with(tmp_path)
    with Store.open(bench.record) as store:
        store.add_care(POT, NIGHT.start_utc_s - 30_000.0, "thermometer", "while it held", "anna", 0.0)
        (during,) = store.cares(POT)
        assert store.remove_care(POT, during.id)
        store.add_care(POT, NIGHT.start_utc_s - 50_000.0, "thermometer", "before it taught", "anna", 0.0)
        store.add_care(POT, NIGHT.start_utc_s - 600.0, part, "", "anna", 0.0)
    bench.begin()
    bench.run_until(900.0)
    known = known_in(bench)
    assert known is not None and bench.service.batch_ids == {POT: 2}
    assert known.found.keys() == LEARNT.keys() - names


@pytest.mark.parametrize(
    ("before", "said", "names"),
    [
        ("lens", None, frozenset()),  # taken over from the last batch
        ("lens", "Lens", frozenset()),
        ("lens", "gear", OF_THE_MOULD),
        ("", None, OF_THE_MOULD),
        ("", "lens", OF_THE_MOULD),
    ],
)
def test_another_or_an_unnamed_mould_is_not_known(
    tmp_path: Path, before: str, said: str | None, names: frozenset[str]
) -> None:
    bench = bench_with(tmp_path, mould=before)
    bench.begin()
    bench.run_until(20.0)
    if said is not None:
        with Store.open(bench.record) as store:
            store.add_edits(POT, {Detail.MOULD: said}, "anna", None, opening=True)
    bench.run_until(900.0)
    assert bench.service.watches[POT].stage in (Stage.SETTLING, Stage.HOLDING)
    known = known_in(bench)
    assert known is not None and known.found.keys() == LEARNT.keys() - names
    # said when the hold has begun it is too late, now as after a restart
    leak_s = bench.now_s
    with Store.open(bench.record) as store:
        store.add_edits(POT, {Detail.MOULD: "another"}, "anna", None)
    bench.run_until(leak_s + 600.0)
    assert known_in(bench) == known
    bench.service.stop()
    bench.begin("boot-2", boot_at_s=bench.now_s)
    assert known_in(bench) == known


@pytest.mark.parametrize("of_the_watch", [False, True])
@pytest.mark.parametrize("of_the_record", [None, "sound", "replay of night.csv"])
def test_real_and_rehearsed_batches_never_teach_each_other(
    tmp_path: Path, of_the_record: str | None, of_the_watch: bool
) -> None:
    taught(tmp_path / "record.db", rehearsed=of_the_record)
    pot = load_text(NIGHT.settings_yaml, "night").core_pots()[POT]
    watch = PotWatch(pot)
    with Store.open_read_only(tmp_path / "record.db") as store:
        Past(store, pot, watch, rehearsed=of_the_watch).hear(2, BatchOpened(1e6, None))
    assert (watch.learnt() is not None) == ((of_the_record is not None) == of_the_watch)


@pytest.mark.parametrize(
    "found",
    [
        "",
        "{",
        "[1, 2]",
        "null",
        '{"surface-wall": 0.5}',
        '{"surface-wall": [0.5]}',
        '{"surface-wall": [0.5, NaN]}',
        '{"surface-wall": [0.5, -1]}',
        '{"surface-wall": ["a", "b"]}',
        '{"surface-wall": [1e999, 1]}',
        "[" * 100_000,
    ],
)
def test_an_unreadable_row_is_skipped_with_one_line(
    tmp_path: Path, found: str, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(NIGHT, tmp_path)
    taught(bench.record, batches=6)
    taught(bench.record, found=found)
    with caplog.at_level(logging.WARNING, "potvigil"):
        bench.begin()
        bench.run_until(200.0)
    known = known_in(bench)
    assert known is not None and known.batches == 6
    warnings = {line.getMessage() for line in caplog.records if "taught" in line.getMessage()}
    assert len(warnings) == 1 and "batch 2" in warnings.pop()


def test_unknown_names_and_extreme_figures_are_kept_within_bounds(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(NIGHT, tmp_path)
    odd = {"surface-wall": [1e9, 1e-12], "\x1b[31mnew": [0.0, 1.0], "room-wall": [-1e9, 1e12]}
    taught(bench.record, found=json.dumps(odd))
    with caplog.at_level(logging.WARNING, "potvigil"):
        bench.begin()
        bench.run_until(200.0)
    known = known_in(bench)
    any_pot = usual(sizes_of(bench.settings.core_pots()[POT]))
    assert known is not None and known.found.keys() == {"surface-wall", "room-wall"}
    for name, (mean, sigma) in known.found.items():
        usual_mean, usual_sigma = any_pot[name]
        assert 0.0 < abs(mean - usual_mean) < 3.0 * usual_sigma
        assert FLOOR * usual_sigma <= sigma <= usual_sigma
    (line,) = {record.getMessage() for record in caplog.records}
    assert "names this version does not know" in line and "\x1b" not in line


# -- replay ------------------------------------------------------------------------------------------


def logged(path: Path, number: int, psi_per_h: float = 0.0) -> Path:
    """A night as a recorded log that ends with the vent."""
    rate = psi_per_h * PSI / 3600.0 / (60 * PSI + 101_325.0)
    swing = Swing(20.0, 2.0, phase=0.1 * number)
    rows = ["elapsed_s,gauge_pressure_kpa,gas_temperature_c,ambient_pressure_hpa"]
    held = list(night(3.4, celsius=swing, rate_per_s=rate, seed=number, step_s=20.0))
    last = held[-1]
    held += [replace(last, t_s=last.t_s + 20.0 * step, gauge_pa=0.0) for step in range(1, 30)]
    rows += [f"{s.t_s},{s.gauge_pa / 1e3},{s.gas_c},{s.ambient_pa / 100.0}" for s in held]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "workshop.yaml"
    path.write_text(SETTINGS, encoding="utf-8")
    return path


def replayed(log: Path, config: Path, record: Path | None, out: Path) -> list[dict[str, object]]:
    """Replay a log; return its batches as JSON lines."""
    words = ["replay", log, "--config", config, "--json", out, "--replace"]
    assert main([str(word) for word in (*words, *(["--record", record] if record else []))]) == 0
    lines = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]
    return [line for line in lines if line["kind"] == "batch"]


def test_ten_replayed_nights_teach_and_a_leak_teaches_nothing(
    tmp_path: Path, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record, out, leaks = tmp_path / "record.db", tmp_path / "out.jsonl", (4, 7)
    known_from, rates = [], []
    for number in range(10):
        log = logged(tmp_path / f"{number}.csv", number, 0.5 if number in leaks else 0.0)
        (batch,) = replayed(log, config, record, out)
        assert batch["verdict"] == ("leaked" if number in leaks else "held")
        known_from.append(batch["known_from"])
        rates.append(batch["leak"])
        assert batch["start_s"] == pytest.approx(80.0, abs=30.0)  # of the log, whatever the record's axis
    assert known_from == [0, 1, 2, 3, 4, 4, 5, 6, 6, 7]
    with Store.open_read_only(record) as store:
        rows = store.taught(POT, rehearsed=True, limit=20)
        assert [row.batches for row in rows] == [8, 7, 6, 5, 4, 3, 2, 1]
        assert [row.batch_id for row in rows] == [10, 9, 7, 6, 4, 3, 2, 1]
        batches = store.batches(POT)
        # one after the other on the record's axis, each with all its samples
        spans = [(row.start_t_s, row.end_t_s) for row in reversed(batches)]
        assert all(one[1] < other[0] for one, other in pairwise(spans))
        assert len(list(store.samples(POT, float("-inf")))) == 10 * (len(list(night(3.4, step_s=20.0))) + 29)
    assert "Traceback" not in capsys.readouterr().err
    # without a record nothing is known of the pot; the very same night comes out otherwise
    log = tmp_path / "9.csv"
    (alone,) = replayed(log, config, None, out)
    assert alone["known_from"] == 0 and alone["leak"] != rates[-1]
    (first,) = replayed(log, config, tmp_path / "other.db", out)
    assert first == alone


def test_a_log_that_ends_in_the_hold_still_teaches(tmp_path: Path, config: Path) -> None:
    record, out = tmp_path / "record.db", tmp_path / "out.jsonl"
    log = logged(tmp_path / "0.csv", 0)
    log.write_text("\n".join(log.read_text(encoding="utf-8").splitlines()[:-29]) + "\n", encoding="utf-8")
    (batch,) = replayed(log, config, record, out)
    assert (batch["verdict"], batch["complete"]) == ("held", False)
    with Store.open_read_only(record) as store:
        (row,) = store.taught(POT, rehearsed=True)
        assert row.batches == 1
        assert store.batch(1).summary.complete is False


# -- reported -----------------------------------------------------------------------------------------


def test_the_health_of_a_pot_says_what_was_learnt_and_forgotten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "record.db"

    def said() -> str:
        words = ["pot", "health", POT, "--record", str(record), "--out", str(tmp_path / "h.html")]
        assert main([*words, "--replace"]) == 0
        page = (tmp_path / "h.html").read_text(encoding="utf-8")
        out = capsys.readouterr().out
        lines = [
            line for line in out.splitlines() if "Learnt from" in line or "learnt" in line or "taught" in line
        ]
        for line in lines:  # the page says the same
            assert line.split('"')[0].split("`")[0] in page.replace("&#34;", '"')
        assert "safe" not in out
        return "\n".join(lines)

    settings_json = load_text(NIGHT.settings_yaml, "night").as_json()
    with Store.open(record) as store:
        store.begin_run(settings_json, "boot", 0.0, NIGHT.start_utc_s, None)
        number = store.open_batch(POT, BatchOpened(1.0, NIGHT.start_utc_s))
        store.close_batch(number, replace(CLOSED, summary=HELD))
    assert said() == ""
    with Store.open(record) as store:
        store.add_taught(number, 8, found_of())
        store.edit(number, {Detail.MOULD: "lens"}, "anna", None)
    assert said() == "Learnt from 8 batches: leaks are found sooner."
    with Store.open(record) as store:
        store.add_care(POT, NIGHT.start_utc_s + 90_000.0, "thermometer", "on the lid now", "anna", 0.0)
        opened = store.open_batch(POT, BatchOpened(1e5, NIGHT.start_utc_s + 1e5))
        store.edit(opened, {Detail.MOULD: "gear"}, "anna", None)
    known, moved, mould = said().splitlines()
    assert known.startswith("Learnt from 8 batches")
    assert moved.startswith("A thermometer was moved or changed on ") and "learnt again" in moved
    assert mould.startswith('The mould of batch 2 is "gear", that of batch 1 was "lens"')
