"""Check, restore and atomic files: all of their words, all of their boundaries."""

import os
import stat
import tempfile
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from potvigil.model.events import AlarmId, BatchOpened
from potvigil.record import validation
from potvigil.record.database import Database
from potvigil.record.errors import (
    DamagedRecordError,
    ExistingFileError,
    RecordWriteError,
    UnwritableRecordError,
)
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.upkeep import archive, atomic_file, backups, own_file, pictures, restoring
from potvigil.upkeep import check as check_module
from potvigil.upkeep.atomic_file import check_free, whole, whole_file
from potvigil.upkeep.backup import backup
from potvigil.upkeep.check import Checked, Gap, check, check_lines
from potvigil.upkeep.pictures import PictureError
from potvigil.upkeep.restoring import Restored, restore
from record_night import CLOSED, POT, UTC_S, sample

DAY_S = 86_400.0


@pytest.fixture
def record(tmp_path: Path) -> Path:
    """One row at least of each table."""
    path = tmp_path / "record.db"
    with Store.open(path) as store:
        store.begin_run("{}", "boot-a", 0.0, UTC_S, None)
        store.open_batch(POT, BatchOpened(0.0, UTC_S))
        for t_s in range(20):
            store.append(POT, sample(float(t_s)))
        store.close_batch(1, CLOSED)
        store.add_taught(1, 1, {"uptake": (0.5, 0.1)})
        store.add_care(POT, UTC_S, "seal", "", "", UTC_S)
        store.add_deliveries([DeliveryRow(1.0, None, POT, AlarmId.LEAK, "Anna", "raised", None)])
    return path


def change(path: Path, *statements: str) -> None:
    db = Database.open(path)
    with db.transaction(durable=True):
        for each in statements:
            db.execute(each)
    db.close()


# --- check


def test_the_check_validates_every_table_with_checkable_rows() -> None:
    assert check_module._LOOKED_AT.keys() == validation._CHECKS.keys()


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE delivery SET alarm = 'fire'", "delivery 1: alarm: 'fire' is not known"),
        ("UPDATE taught SET batches = 0", "taught 1: batches: none taught it"),
        ("UPDATE care SET part = 'lamp'", "care 1: part: 'lamp' is not known"),
    ],
)
def test_an_unreadable_row_is_reported_by_table_and_number(record: Path, statement: str, said: str) -> None:
    assert check(record).problems == ()
    change(record, statement)
    assert check(record).problems == (said,)


def test_the_constants_of_the_check_are_pinned() -> None:
    assert (check_module.RATE_OVER_S, check_module.RATE_LEAST_S) == (30 * DAY_S, 7 * DAY_S)
    assert (check_module.BACKUP_PAGES, check_module.BACKUP_REST_S) == (256, 0.02)
    assert check_module.MOST_PROBLEMS == 20


SOUND = Checked(
    *(Path("/there/record.db"), 5_000_000, 3_000_000_000, 0),
    *(1, 2, 1234, 0, 0),
    gaps=(),
    bytes_per_day=None,
    problems=(),
)


@pytest.mark.parametrize(
    ("changes", "lines"),
    [
        (
            {},
            [
                "/there/record.db: 5 MB",
                "1 pot, 2 batches, 1,234 samples",
                "3.0 GB left on its disk: how long that lasts is not known until a week is recorded",
                "no fault found",
            ],
        ),
        (
            {"free_bytes": 1000, "pots": 0, "batches": 1, "samples": 1, "means": 1000, "file_bytes": 999},
            [
                "/there/record.db: 999 B, 1 kB of it free for new samples",
                "0 pots, 1 batch, 1 sample, 1,000 of them means",
                "3.0 GB left on its disk: how long that lasts is not known until a week is recorded",
                "no fault found",
            ],
        ),
        (
            {"pots": None, "batches": None, "samples": None, "means": None, "problems": ("a", "b")},
            [
                "/there/record.db: 5 MB",
                "pots not known, batches not known, samples not known",
                "3.0 GB left on its disk: how long that lasts is not known until a week is recorded",
                "a",
                "b",
            ],
        ),
        (
            {"gaps": (Gap(7, POT, 100.0, 700.0),), "bytes_per_day": 3_000_000_000 / 730.0},
            [
                "/there/record.db: 5 MB",
                "1 pot, 2 batches, 1,234 samples",
                "3.0 GB left on its disk: room for about 730 days at the present rate",
                "batch 7 (lantern): no samples for 10 min in its hold",
                "no fault found",
            ],
        ),
        (
            {"bytes_per_day": 1_000_000.0, "disk_free_bytes": 999_000_000, "free_bytes": 1_000_000},
            [
                "/there/record.db: 5 MB, 1 MB of it free for new samples",
                "1 pot, 2 batches, 1,234 samples",
                "999 MB left on its disk: room for about 3 years at the present rate",
                "no fault found",
            ],
        ),
    ],
)
def test_the_words_for_the_state_of_a_record_are_pinned(changes: dict[str, object], lines: list[str]) -> None:
    assert check_lines(replace(SOUND, **changes)) == lines


def test_the_time_a_disk_lasts_needs_both_figures() -> None:
    assert replace(SOUND, bytes_per_day=1e9).lasts_days == 3.0
    assert replace(SOUND, bytes_per_day=1e9, free_bytes=None).lasts_days is None


@pytest.mark.parametrize(("days", "is_known"), [(6.99, False), (7.0, True), (60.0, True)])
def test_the_rate_is_of_the_newest_month_and_at_least_a_week(
    tmp_path: Path, days: float, is_known: bool
) -> None:
    with Store.open(tmp_path / "record.db") as store:
        count = 61
        for n in range(count):
            store.append(POT, sample(1e6 + days * DAY_S * n / (count - 1)))
        store.flush()
        rate = check_module._bytes_per_day(store._db, 6100, count)
        within = sum(days * DAY_S * (1.0 - n / (count - 1)) < 30.0 * DAY_S for n in range(count))
        if days < 30.0:
            within -= 1  # the first is the end of that stretch
        assert rate == (pytest.approx(100.0 * within / min(days, 30.0)) if is_known else None)
        assert check_module._bytes_per_day(store._db, 6100, 0) is None


def test_problems_beyond_twenty_are_counted_and_each_is_reported_once() -> None:
    problems = check_module._Problems()
    for n in (*range(20), 3):
        problems.add(f"é{n}")
    assert len(problems.listed()) == 20 and problems.listed()[3] == "\\xe93"
    problems.add("one")
    problems.add("two")
    assert problems.listed()[20:] == ("and 2 more",)


# --- restore


def test_a_backup_is_compared_with_the_record_row_by_row(record: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    Database.open(record).close()
    copy.write_bytes(record.read_bytes())
    rows = 28  # a pot, a run, a batch, a delivery, care, what was taught, and the samples
    same = restore(copy, record)
    assert same == Restored(1, 20, same.same, 0, 0, ())
    assert same.same == rows - 2
    change(
        record,
        "DELETE FROM sample WHERE t_s IN (0.0, 7.0)",
        "INSERT INTO sample (pot, t_s) VALUES (1, 7.5), (1, 30.0), (1, -1.0)",
        "UPDATE care SET text = 'greased'",
    )
    assert restore(copy, record) == Restored(1, 20, same.same - 3, 3, 3, ())
    change(record, "UPDATE batch SET verdict = 'held'")
    assert restore(copy, record).problems == ("batch 1 is not as in the record",)
    change(record, "DELETE FROM batch")
    assert restore(copy, record).problems == ("batch 1 is not as in the record",)


# --- files that appear whole


def test_a_file_appears_complete_and_with_its_mode(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        for mode in (own_file.SECRET, own_file.PUBLIC):
            own_file.write(tmp_path / "own", b"kept", mode)
            assert stat.S_IMODE((tmp_path / "own").stat().st_mode) == mode
    finally:
        os.umask(before)
    assert (own_file.SECRET, own_file.PUBLIC) == (0o600, 0o644)
    assert [each.name for each in tmp_path.iterdir()] == ["own"]


def test_a_file_is_synced_before_it_takes_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pushed: list[str] = []
    fsync = os.fsync

    def push(descriptor: int) -> None:
        pushed.append(Path(f"/proc/self/fd/{descriptor}").readlink().name.replace(str(os.getpid()), "N"))
        fsync(descriptor)

    monkeypatch.setattr(atomic_file.os, "fsync", push)
    with whole(tmp_path / "one.db", replace=False) as part:
        part.write_text("one")
    with whole_file(tmp_path / "two.txt") as file:
        file.write("two")
    own_file.write(tmp_path / "three", b"3", 0o600)
    assert pushed == [".one.db.N.part", tmp_path.name, ".two.txt.N.part", tmp_path.name, ".three.new"]
    assert sorted(each.name for each in tmp_path.iterdir()) == ["one.db", "three", "two.txt"]


@pytest.mark.parametrize("replaces", [False, True])
def test_an_existing_file_is_replaced_only_if_allowed(tmp_path: Path, replaces: bool) -> None:
    path = tmp_path / "one.db"
    path.write_text("old")
    if replaces:
        with whole(path, replace=True) as part:
            part.write_text("new")
        with whole_file(path, replace=True) as file:
            file.write("newer")
        assert path.read_text() == "newer"
    else:
        with pytest.raises(ExistingFileError, match="exists already"), whole(path, replace=False):
            pass
        with pytest.raises(FileExistsError), whole_file(path, replace=False):
            pass
        assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_created_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "one.db"
    with pytest.raises(ExistingFileError), whole(path, replace=False) as part:
        part.write_text("new")
        path.write_text("theirs")
    with pytest.raises((ExistingFileError, FileExistsError)), whole_file(tmp_path / "two", replace=False):
        (tmp_path / "two").write_text("theirs")
    assert path.read_text() == (tmp_path / "two").read_text() == "theirs"
    assert sorted(each.name for each in tmp_path.iterdir()) == ["one.db", "two"]


def test_a_medium_without_hard_links_can_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(atomic_file.os, "link", refused)
    with whole(tmp_path / "one.db", replace=False) as part:
        part.write_text("one")
    assert (tmp_path / "one.db").read_text() == "one"


def test_an_error_leaves_no_file_and_names_the_requested_path(tmp_path: Path) -> None:
    path = tmp_path / "one.db"
    full = r"one\.db cannot be written \(No space left"
    with pytest.raises(RecordWriteError, match=full) as error, whole(path, replace=False) as part:
        for ending in ("-wal", "-shm", "-journal"):
            Path(f"{part}{ending}").touch()
        raise OSError(28, "No space left on device")
    assert ".part" not in str(error.value)
    with pytest.raises(RecordWriteError, match=r"/one\.db is full"), whole(path, replace=False) as part:
        raise RecordWriteError(f"{part} is full")
    gone, why = tmp_path / "none" / "one.db", "cannot be written: No such file"
    with pytest.raises(UnwritableRecordError, match=why), whole(gone, replace=False):
        pass
    with pytest.raises(FileNotFoundError) as missing, whole_file(tmp_path / "none" / "two"):
        pass
    assert missing.value.filename == str(tmp_path / "none" / "two")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("ending", ["-wal", "-journal"])
def test_the_log_of_another_record_blocks_unless_empty(tmp_path: Path, ending: str) -> None:
    path = tmp_path / "one.db"
    Path(f"{path}{ending}").touch()
    check_free(path, replace=False)
    Path(f"{path}{ending}").write_text("x")
    for replaces in (False, True):
        with pytest.raises(ExistingFileError, match="was not closed"):
            check_free(path, replace=replaces)
    (tmp_path / "folder").mkdir()
    with pytest.raises(ExistingFileError, match="is not a plain file"):
        check_free(tmp_path / "folder", replace=True)
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(ExistingFileError):
        check_free(tmp_path / "link", replace=True)


# --- pictures


JPEG = b"\xff\xd8\xff" + b"x" * 20


@pytest.mark.parametrize(
    ("name", "is_plain"),
    [
        *(("cast.jpg", True), ("x" * 120, True), ("x" * 121, False), ("", False), (".cast", False)),
        *(("a/b", False), ("a\\b", False), ("a\nb", False), ("Guß 1.jpg", True)),
    ],
)
def test_a_picture_name_is_plain(tmp_path: Path, name: str, is_plain: bool) -> None:
    assert pictures._is_plain(name) is is_plain
    if not is_plain:
        with pytest.raises(PictureError, match="is not a plain file name"):
            pictures.keep(tmp_path / "record.db", 1, name, JPEG)


def test_a_picture_is_kept_up_to_the_size_limit_and_readable_by_the_group_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = tmp_path / "record.db"
    assert (pictures.LARGEST_BYTES, pictures.MOST_OF_BATCH) == (12_000_000, 20)
    monkeypatch.setattr(pictures, "LARGEST_BYTES", len(JPEG))
    before = os.umask(0)
    try:
        pictures.keep(record, 1, "cast.jpg", JPEG)
    finally:
        os.umask(before)
    folder = tmp_path / "record.db-pictures" / "1"
    assert [stat.S_IMODE(each.stat().st_mode) for each in (folder.parent, folder, folder / "cast.jpg")] == [
        *(0o770, 0o770, 0o640)
    ]
    assert pictures.read(record, 1, "cast.jpg") == JPEG and pictures.read(record, 2, "cast.jpg") is None
    with pytest.raises(PictureError, match="at most"):
        pictures.keep(record, 1, "cast.jpg", JPEG + b"x")
    (folder / "cast.jpg").write_bytes(JPEG + b"x")
    assert pictures.read(record, 1, "cast.jpg") is None
    assert [pictures.kind_of(each) for each in (JPEG, b"RIFFxxxxWEBP", b"RIFFxxxxWAVE", b"\xff\xd8")] == [
        *("image/jpeg", "image/webp", None, None)
    ]


def test_only_new_pictures_are_copied(tmp_path: Path) -> None:
    record, to = tmp_path / "record.db", tmp_path / "to"
    for number, name in ((1, "a.jpg"), (1, "b.jpg"), (2, "a.jpg")):
        pictures.keep(record, number, name, JPEG)
    (tmp_path / "record.db-pictures" / "1" / "folder").mkdir()
    assert pictures.copy_to(record, to) == 3
    assert pictures.copy_to(record, to) == 0
    pictures.keep(record, 1, "b.jpg", JPEG + b"more")
    assert pictures.copy_to(record, to) == 1
    assert (to / "1" / "b.jpg").read_bytes() == JPEG + b"more"
    assert stat.S_IMODE((to / "1" / "b.jpg").stat().st_mode) == 0o640


def test_a_programming_error_while_writing_is_not_translated(tmp_path: Path) -> None:
    for opened in (whole_file(tmp_path / "one"), whole(tmp_path / "one", replace=True)):
        with pytest.raises(ZeroDivisionError), opened:
            raise ZeroDivisionError
    with pytest.raises(OSError) as error, whole_file(tmp_path / "one"):
        raise OSError(5, "Input/output error", "another")
    assert error.value.filename == "another"
    assert list(tmp_path.iterdir()) == []


# --- copies and archives


def test_an_incomplete_copy_is_reported_by_the_last_problem_found(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = "*** in database main ***\nPage 3: never used\nPage 5: never used"
    copy = SimpleNamespace(rows=lambda sql: [(found,)], close=lambda: None)
    monkeypatch.setattr(Database, "open_still", lambda path: copy)
    with pytest.raises(DamagedRecordError, match=r"is damaged \(Page 5: never used\)"):
        backup(record, tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


@pytest.mark.parametrize(
    ("has_tmpdir", "has_var_tmp", "place"),
    [(False, True, "/var/tmp"), (True, True, None), (False, False, None), (True, False, None)],
)
def test_a_backup_is_test_restored_on_a_disk_if_there_is_one(
    record: Path, monkeypatch: pytest.MonkeyPatch, has_tmpdir: bool, has_var_tmp: bool, place: str | None
) -> None:
    asked: list[tuple[str, str | None]] = []
    make, is_dir = tempfile.TemporaryDirectory, Path.is_dir

    def made(**options: Any) -> Any:
        asked.append((options["prefix"], options["dir"]))
        return make(prefix="potvigil-")

    monkeypatch.setattr(restoring.tempfile, "TemporaryDirectory", made)
    monkeypatch.setattr(
        Path, "is_dir", lambda self, **more: has_var_tmp if str(self) == "/var/tmp" else is_dir(self, **more)
    )
    if has_tmpdir:
        monkeypatch.setenv("TMPDIR", tempfile.gettempdir())
    else:
        monkeypatch.delenv("TMPDIR", raising=False)
    restore(record, record)
    assert asked == [("potvigil-", place)]


def test_the_limits_of_an_archive_are_pinned() -> None:
    assert (archive.LONGEST_LINE_BYTES, archive.MANIFEST_BYTES) == (4_194_304, 1_048_576)
    assert (archive.DIRECTORY_BYTES, archive.MOST_BYTES) == (65_536, 1_099_511_627_776)
    assert (archive.MOST_RATIO, archive.RATIO_FROM_BYTES, archive.ROWS_AT_ONCE) == (200, 1_048_576, 20_000)
    assert (backups._SPARE_BYTES, backups.PICTURES) == (20_000_000, "potvigil-pictures")


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("x" * 160, "x" * 160),
        ("x" * 161, "x" * 157 + "..."),
        ("two\n lines\x07", "two lines?"),
    ],
)
def test_a_library_error_becomes_one_short_line(said: str, shown: str) -> None:
    assert archive._brief(said) == shown


def test_a_copy_is_made_only_with_room_for_it(
    record: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "backups"
    folder.mkdir()
    needed = record.stat().st_size + 20_000_000

    def rotate(free: int) -> backups.Rotated:
        monkeypatch.setattr(backups.shutil, "disk_usage", lambda _: SimpleNamespace(free=free))
        return backups.rotate(record, folder, 1, 0, UTC_S)

    with pytest.raises(RecordWriteError, match=r"20 MB free where a backup needs 20 MB"):
        rotate(needed - 1)
    assert list(folder.iterdir()) == []
    made = rotate(needed)
    assert made.made == backups.Copy(folder / "potvigil-20260101T220000Z.db", UTC_S)
    assert (made.size_bytes, made.gone) == (made.made.path.stat().st_size, ())
    (folder / "potvigil-20260101T210000Z.db").touch()
    (folder / "potvigil-20269901T210000Z.db").touch()  # no such month: none of ours
    (folder / "other.db").touch()
    assert backups.copies(folder) == [
        made.made,
        backups.Copy(folder / "potvigil-20260101T210000Z.db", UTC_S - 3600.0),
    ]
    assert rotate(needed).gone == (folder / "potvigil-20260101T210000Z.db",)
    assert backups.copies(tmp_path / "none") == backups.copies(record) == []
