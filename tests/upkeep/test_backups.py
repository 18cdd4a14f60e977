"""Backups: bounded in number, restored to the same record, and reported when old."""

import shutil
import sqlite3
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from own_tables import names_of
from potvigil.cli import main
from potvigil.model.events import AlarmState, BatchClosed, BatchOpened
from potvigil.record.errors import RecordError, RecordWriteError, UnwritableRecordError
from potvigil.record.store import Store
from potvigil.upkeep import backups, pictures
from potvigil.upkeep.backup import backup
from potvigil.upkeep.backups import PICTURES, Copy, copies, rotate, surplus
from potvigil.upkeep.restoring import restore
from record_night import POT, SUMMARY, UTC_S, alarm, night

NOON = datetime(2026, 3, 2, 13, 0, tzinfo=UTC)  # a Monday


def made(*moments: datetime) -> list[Copy]:
    return [Copy(Path(f"/stick/{moment:%Y%m%dT%H%M%S}"), moment.timestamp()) for moment in moments]


@pytest.fixture
def record(tmp_path) -> Path:
    """An hour of a pot with a batch, an alarm and a note, closed."""
    path = tmp_path / "potvigil.db"
    with Store.open(path) as store:
        store.begin_run('{"workshop":"harbour-models"}', "boot", 0.0, UTC_S, None)
        batch = store.open_batch(POT, BatchOpened(0.0, UTC_S))
        for each in night(3600):
            store.append(POT, each)
        store.add_event(POT, batch, alarm(1800.0, AlarmState.UNACKNOWLEDGED))
        store.close_batch(batch, BatchClosed(3600.0, UTC_S + 3600.0, SUMMARY))
    return path


def every_row(path: Path) -> dict[str, Counter]:
    db = sqlite3.connect(path)
    tables = names_of(db)
    rows = {table: Counter(db.execute(f"SELECT * FROM {table}")) for table in tables}
    db.close()
    return rows


# --- which are kept


def test_a_year_of_daily_copies_leaves_seven_days_and_the_weeks_before() -> None:
    kept: list[Copy] = []
    for day in range(365):
        kept += made(NOON + timedelta(days=day))
        for each in surplus(kept, 7, 8):
            kept.remove(each)
    newest = max(each.utc_s for each in kept)
    ages_days = sorted(round((newest - each.utc_s) / 86_400.0) for each in kept)
    # the last seven days, and the last copy of each of the seven weeks before this one, which has one already
    weekday = (NOON + timedelta(days=364)).weekday()
    assert ages_days == sorted({*range(7), *(weekday + 1 + 7 * week for week in range(7))})


@given(st.lists(st.integers(0, 100 * 24), unique=True, max_size=60), st.integers(1, 9), st.integers(0, 9))
def test_kept_copies_are_bounded_and_include_the_newest_of_each_day_and_week(hours, daily, weekly) -> None:
    all_of_them = made(*(NOON + timedelta(hours=each) for each in hours))
    gone = surplus(all_of_them, daily, weekly)
    stays = [each for each in all_of_them if each not in gone]
    assert len(stays) <= daily + weekly
    assert surplus(stays, daily, weekly) == []
    if all_of_them:
        assert max(all_of_them, key=lambda each: each.utc_s) in stays
    days = sorted({hour // 24 + (hour % 24 >= 11) for hour in hours})[-daily:]
    found = {datetime.fromtimestamp(each.utc_s, UTC).date() for each in stays}
    assert len(days) == 0 or max(found) == max(
        datetime.fromtimestamp(each.utc_s, UTC).date() for each in all_of_them
    )
    assert len(found) >= min(daily, len({datetime.fromtimestamp(c.utc_s, UTC).date() for c in all_of_them}))


def test_a_machine_that_was_off_for_months_keeps_its_old_copies() -> None:
    kept = made(*(NOON + timedelta(days=day) for day in range(7)), NOON + timedelta(days=200))
    assert surplus(kept, 7, 0) == made(NOON)
    assert surplus(kept, 8, 0) == []


# --- copies made and deleted


def test_surplus_copies_go_once_the_new_one_is_complete_and_foreign_files_stay(record, tmp_path) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    others = {"letter.txt", "potvigil-2026.db", "potvigil-20269999T000000Z.db", "potvigil.db"}
    for name in others:
        (folder / name).write_text("of somebody")
    for day in range(12):
        done = rotate(record, folder, 3, 2, (NOON + timedelta(days=day)).timestamp())
    assert done.made.path.name == "potvigil-20260313T130000Z.db" and done.size_bytes > 100_000
    assert [each.path.name[9:17] for each in copies(folder)] == [
        "20260313",
        "20260312",
        "20260311",
        "20260308",
    ]
    assert others <= {path.name for path in folder.iterdir()}
    assert len(list(folder.iterdir())) == len(others) + 4


def test_pictures_are_backed_up_once_and_never_deleted(record, tmp_path) -> None:
    folder, png = tmp_path / "stick", b"\x89PNG\r\n\x1a\n"
    folder.mkdir()
    pictures.keep(record, 1, "lens.png", png + b"1")
    pictures.keep(record, 2, "lens.png", png + b"2")
    days = [(NOON + timedelta(days=day)).timestamp() for day in range(4)]
    assert rotate(record, folder, 1, 0, days[0]).pictures == 2
    assert rotate(record, folder, 1, 0, days[1]).pictures == 0
    pictures.keep(record, 2, "lens.png", png + b"anew")
    assert rotate(record, folder, 1, 0, days[2]).pictures == 1
    shutil.rmtree(f"{record}-pictures")
    assert rotate(record, folder, 1, 0, days[3]).pictures == 0
    kept = {
        path.relative_to(folder / PICTURES).as_posix(): path.read_bytes() for path in folder.glob("*/*/*")
    }
    assert kept == {"1/lens.png": png + b"1", "2/lens.png": png + b"anew"}


def test_a_folder_that_cannot_take_pictures_is_reported_and_no_copy_is_deleted(record, tmp_path) -> None:
    pictures.keep(record, 1, "lens.png", b"\x89PNG\r\n\x1a\n")
    (tmp_path / PICTURES).write_text("of somebody")
    rotate_day = NOON.timestamp()
    with pytest.raises(RecordWriteError, match="the record was copied"):
        rotate(record, tmp_path, 1, 0, rotate_day)
    assert len(copies(tmp_path)) == 1


def test_without_room_nothing_is_made_and_nothing_deleted(record, tmp_path, monkeypatch) -> None:
    for day in range(3):
        rotate(record, tmp_path, 9, 0, (NOON + timedelta(days=day)).timestamp())
    before = copies(tmp_path)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(backups.shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    with pytest.raises(RecordWriteError, match="1 MB free where a backup needs"):
        rotate(record, tmp_path, 1, 0, (NOON + timedelta(days=9)).timestamp())
    assert copies(tmp_path) == before


def test_a_missing_stick_is_reported_and_no_folder_made(record, tmp_path) -> None:
    with pytest.raises(UnwritableRecordError, match="plug in the drive it is on"):
        rotate(record, tmp_path / "media/stick", 7, 8, NOON.timestamp())
    assert not (tmp_path / "media").exists()


# --- what a backup restores


def test_a_backup_restores_to_an_identical_record(record, tmp_path) -> None:
    before = every_row(record)
    backup(record, tmp_path / "copy.db")
    found = restore(tmp_path / "copy.db", record)
    assert found.problems == () and (found.changed, found.newer) == (0, 0)
    assert found.same == sum(rows.total() for rows in before.values())
    assert (found.batches, found.samples) == (1, 3600)
    # and in earnest: the record is lost, the copy put in its place
    record.unlink()
    shutil.copyfile(tmp_path / "copy.db", record)
    with Store.open(record) as store:
        assert replace(store.batch(1).summary, details=SUMMARY.details) == SUMMARY
        assert len(list(store.samples(POT, 0.0))) == 3600
    assert every_row(record) == before


def test_additions_and_changes_since_the_backup_are_counted(record, tmp_path) -> None:
    backup(record, tmp_path / "copy.db")
    with Store.open(record) as store:
        for each in night(100, start_s=4000.0):
            store.append(POT, each)
    with sqlite3.connect(record) as db:
        db.execute("UPDATE sample SET wall_c = 20 WHERE t_s < 5")
        db.execute("DELETE FROM sample WHERE t_s BETWEEN 5 AND 7")
    db.close()
    found = restore(tmp_path / "copy.db", record)
    assert (found.changed, found.newer, found.problems) == (7, 100, ())


def test_a_closed_batch_that_differs_from_the_backup_is_reported(record, tmp_path) -> None:
    backup(record, tmp_path / "copy.db")
    with sqlite3.connect(tmp_path / "copy.db") as db:
        db.execute("UPDATE batch SET verdict = 'held'")
    db.close()
    assert restore(tmp_path / "copy.db", record).problems == ("batch 1 is not as in the record",)


def test_a_damaged_backup_is_reported_and_the_record_left_alone(record, tmp_path) -> None:
    copy = tmp_path / "copy.db"
    backup(record, copy)
    data = bytearray(copy.read_bytes())
    for page in range(4, len(data) // 4096, 3):
        data[page * 4096 : page * 4096 + 512] = bytes(512)
    copy.write_bytes(data)
    before = every_row(record)
    try:
        assert restore(copy, record).problems != ()
    except RecordError as error:  # so broken that it does not open
        assert "damaged" in str(error)
    assert every_row(record) == before


# --- the verb


@pytest.fixture
def workshop(record, tmp_path) -> Path:
    config = tmp_path / "workshop.yaml"
    smallest = Path(__file__).parents[2] / "config/smallest.yaml"
    kept = f"record: {{file: {record}, backups: {{daily: 2, weekly: 0}}}}\n"
    config.write_text(smallest.read_text(encoding="utf-8") + kept, encoding="utf-8")
    return config


def test_the_verb_keeps_the_configured_number_and_checks_the_newest(
    workshop, tmp_path, monkeypatch, capsys
) -> None:
    now = NOON.timestamp()
    for day in range(3):
        monkeypatch.setattr("time.time", lambda day=day: now + 86_400.0 * day)
        assert main(["record", "backup", "--config", str(workshop)]) == 0
    said = capsys.readouterr().out
    assert "deleted as surplus: potvigil-20260302T130000Z.db" in said
    assert len(copies(tmp_path / "backups")) == 2
    assert main(["record", "backup", "--check", "--config", str(workshop)]) == 0
    said = capsys.readouterr().out
    assert "20260304T130000Z.db: restored to a temporary folder, no fault found" in said
    assert "0 have changed there since, and the record has 0 more" in said and "to restore it: stop" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "give a FILE, or set in"),
        (["--check"], "give a FILE, or set in"),
    ],
)
def test_without_a_backup_folder_the_verb_says_how_to_set_one(tmp_path, words, said, capsys) -> None:
    assert main(["record", "backup", "--record", str(tmp_path / "none.db"), *words]) == 2
    err = capsys.readouterr().err
    assert said in err and err.count("\n") == 1


def test_a_clock_set_back_deletes_nothing(workshop, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.setattr("time.time", lambda: NOON.timestamp())
    assert main(["record", "backup", "--config", str(workshop)]) == 0
    for back_s, said in ((86_400.0, "behind its newest backup"), (86_400.0 * 3650, "behind the record's")):
        monkeypatch.setattr("time.time", lambda back_s=back_s: NOON.timestamp() - back_s)
        assert main(["record", "backup", "--config", str(workshop)]) == 2
        assert said in capsys.readouterr().err
    assert len(copies(tmp_path / "backups")) == 1


def test_check_and_status_say_when_the_last_backup_is_old(workshop, tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))

    def said(verb: str) -> str:
        main([verb, "--config", str(workshop)])
        return " ".join(capsys.readouterr().out.split())

    folder = tmp_path / "backups"
    monkeypatch.setattr("time.time", lambda: UTC_S + 86_400.0)  # the first is still to come
    assert f"none in {folder} yet" in said("check") and "backups" not in said("status")
    monkeypatch.setattr("time.time", lambda: UTC_S + 9 * 86_400.0)
    assert f"none in {folder}" in said("check") and f"backups: none in {folder}" in said("status")
    monkeypatch.setattr("time.time", lambda: NOON.timestamp())
    assert main(["record", "backup", "--config", str(workshop)]) == 0
    assert f"1 in {folder}, the newest 0 s old" in said("check") and "backups" not in said("status")
    monkeypatch.setattr("time.time", lambda: NOON.timestamp() + 9 * 86_400.0)
    for verb in ("check", "status"):
        assert f"the newest in {folder} is 9 days old" in said(verb)
