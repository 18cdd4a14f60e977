"""The files of a record: which are made, with which mode, moved aside, or never touched."""

import errno
import fcntl
import os
import stat
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from potvigil.record import file, lock
from potvigil.record.database import Database
from potvigil.record.errors import (
    UnwritableRecordError,
    WatchedRecordError,
)
from potvigil.record.file import check_writable, make_new, make_ready, move_aside, read_own
from potvigil.record.lock import WatchLock, is_watched
from potvigil.record.store import Store

# 2026-01-01 22:00:07 UTC
WRITTEN_S = 1_767_304_807.0


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


# --- made, moved, read


def test_only_owner_and_group_can_read_a_record(tmp_path: Path) -> None:
    with umask(0):
        make_ready(tmp_path / "record.db")
        (tmp_path / "kept").write_text("kept")
        make_ready(tmp_path / "kept")
        make_ready(tmp_path / "none" / "record.db")  # reported when it is opened
    assert stat.S_IMODE((tmp_path / "record.db").stat().st_mode) == 0o660
    assert (tmp_path / "kept").read_text() == "kept"
    with umask(0):
        Store.open(tmp_path / "new.db").close()
    assert stat.S_IMODE((tmp_path / "new.db").stat().st_mode) == 0o660


def test_a_new_file_replaces_whatever_had_its_name_without_writing_to_it(tmp_path: Path) -> None:
    theirs, path = tmp_path / "theirs", tmp_path / "new"
    theirs.write_text("theirs")
    path.symlink_to(theirs)
    with umask(0):
        descriptor = make_new(path, 0o600)
    os.write(descriptor, b"one two")
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, b"1")
    os.close(descriptor)
    assert (theirs.read_text(), path.read_text()) == ("theirs", "1ne two")
    assert not path.is_symlink() and stat.S_IMODE(path.stat().st_mode) == 0o600
    with umask(0):
        descriptor = make_new(path, append=True)
    os.write(descriptor, b"one")
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, b"two")
    os.close(descriptor)
    assert path.read_text() == "onetwo"
    assert stat.S_IMODE(path.stat().st_mode) == 0o660
    descriptor = make_new(path)
    assert not os.get_inheritable(descriptor)
    os.close(descriptor)
    with pytest.raises(FileNotFoundError):
        make_new(tmp_path / "none" / "new")


def test_only_a_plain_file_of_this_user_within_the_size_limit_is_read(tmp_path: Path) -> None:
    path = tmp_path / "own"
    path.write_bytes(b"12345")
    assert [read_own(path, most) for most in (6, 5, 4)] == [b"12345", b"12345", b""]
    (tmp_path / "link").symlink_to(path)
    os.mkfifo(tmp_path / "pipe")
    for other in (tmp_path / "link", tmp_path / "pipe", tmp_path, tmp_path / "none"):
        with pytest.raises(OSError):
            read_own(other, 100)


def test_another_users_file_is_not_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "own").write_bytes(b"12345")
    monkeypatch.setattr(os, "getuid", lambda: 61_001)
    with pytest.raises(PermissionError, match="is not a file of this user"):
        read_own(tmp_path / "own", 100)


def test_a_damaged_record_is_moved_aside_with_its_log_by_the_time_of_its_last_write(tmp_path: Path) -> None:
    def damaged(word: str) -> Path:
        path = tmp_path / "record.db"
        for ending in ("", "-wal", "-shm"):
            Path(f"{path}{ending}").write_text(word + ending)
            os.utime(f"{path}{ending}", (WRITTEN_S, WRITTEN_S))
        return path

    stem = tmp_path / "record-damaged-20260101T220007Z"
    for word, name in (("one", ".db"), ("two", "-2.db"), ("three", "-3.db")):
        assert move_aside(damaged(word)) == Path(f"{stem}{name}")
        assert [Path(f"{stem}{name}{ending}").read_text() for ending in ("", "-wal", "-shm")] == [
            *(word, f"{word}-wal", f"{word}-shm")
        ]
    assert len(list(tmp_path.iterdir())) == 9
    with pytest.raises(UnwritableRecordError, match="is damaged and cannot be moved aside: No such file"):
        move_aside(tmp_path / "none.db")


def test_the_log_is_moved_before_the_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    moved: list[str] = []
    for ending in ("", "-wal", "-shm"):
        (tmp_path / f"record.db{ending}").touch()
    rename = Path.rename
    monkeypatch.setattr(Path, "rename", lambda self, to: (moved.append(self.name), rename(self, to))[1])
    move_aside(tmp_path / "record.db")
    assert moved == ["record.db-wal", "record.db-shm", "record.db"]


@pytest.mark.parametrize(
    ("closed", "is_new", "is_refused"),
    [
        (set(), True, False),
        (set(), False, False),
        ({"folder"}, True, True),
        ({"folder"}, False, True),
        ({"file"}, False, True),
        ({"file"}, True, False),  # there is none yet
    ],
)
def test_a_record_is_writable_only_if_file_and_folder_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, closed: set[str], is_new: bool, is_refused: bool
) -> None:
    shut = {tmp_path if each == "folder" else tmp_path / "record.db" for each in closed}
    monkeypatch.setattr(os, "access", lambda path, mode: path not in shut and mode == os.W_OK)
    if is_refused:
        with pytest.raises(UnwritableRecordError, match="may not be written"):
            check_writable(tmp_path / "record.db", is_new=is_new)
    else:
        check_writable(tmp_path / "record.db", is_new=is_new)


def test_an_open_file_is_counted_by_its_connections(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    first, second = Database.open(path), Database.open_read_only(path)
    (key,) = (each for each in file._open if each[1] == path.stat().st_ino)
    assert file._open[key] == 2
    second.close()
    second.close()  # may be repeated
    assert file._open[key] == 1
    first.close()
    assert key not in file._open
    assert file.note_open(tmp_path / "none") is None
    file.note_closed(None)


# --- the lock


def test_the_lock_covers_the_whole_file_in_the_kernels_struct() -> None:
    # fcntl(2): l_type, l_whence, l_start, l_len (0: to the end, however long), l_pid (0 for F_OFD_*)
    assert struct.unpack("hhqqi4x", lock._whole_file(fcntl.F_WRLCK)) == (fcntl.F_WRLCK, 0, 0, 0, 0)


def test_a_lock_names_its_owner_in_one_line_and_is_removed_with_its_file(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    (tmp_path / "record.db-lock").write_text("a longer word of one that was killed, process 99999999\n")
    held = WatchLock.take(record, "a watch")
    assert (tmp_path / "record.db-lock").read_text() == f"a watch, process {os.getpid()}\n"
    assert is_watched(record)
    held.release()
    held.release()  # may be repeated
    assert list(tmp_path.iterdir()) == [] and not is_watched(record)


def test_the_owner_of_a_lock_without_a_name_is_another_process(tmp_path: Path) -> None:
    record = tmp_path / "record.db"
    held = WatchLock.take(record, "a watch")
    (tmp_path / "record.db-lock").write_text("")
    with pytest.raises(WatchedRecordError, match="in use by another process; stop that first"):
        WatchLock.take(record, "a second")
    (tmp_path / "record.db-lock").write_text("x" * 500)
    with pytest.raises(WatchedRecordError, match=f"in use by {'x' * 200};"):
        WatchLock.take(record, "a second")
    held.release()


def test_without_kernel_locks_the_watch_goes_on_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def refused(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    with monkeypatch.context() as without:
        without.setattr(lock.fcntl, "fcntl", refused)
        held = WatchLock.take(tmp_path / "record.db", "a watch")
        assert "cannot be locked (No locks available)" in caplog.text
        assert is_watched(tmp_path / "record.db")  # unknown
    held.release()


def test_an_inaccessible_lock_counts_as_watched(tmp_path: Path) -> None:
    (tmp_path / "record.db-lock").symlink_to("elsewhere")
    assert is_watched(tmp_path / "record.db")


def test_a_lock_replaced_by_a_link_is_not_a_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    really = lock._opened

    def swapped(path: Path) -> int:
        descriptor = really(path)
        path.rename(tmp_path / "moved")
        path.symlink_to(tmp_path / "moved")  # the same file by another path
        return descriptor

    monkeypatch.setattr(lock, "_opened", swapped)
    with pytest.raises(UnwritableRecordError, match=r"record\.db-lock"):
        WatchLock.take(tmp_path / "record.db", "a watch")


def test_a_missing_folder_is_made_for_a_lock_only_on_request(tmp_path: Path) -> None:
    record = tmp_path / "folder" / "record.db"
    with pytest.raises(UnwritableRecordError, match="is missing"):
        WatchLock.take(record, "a watch")
    WatchLock.take(record, "a watch", make_parents=True).release()
    assert record.parent.is_dir()
