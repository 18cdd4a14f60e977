"""A file that appears under its name only when it is complete and on the medium, or not at all."""

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from potvigil.record.errors import ExistingFileError, RecordError, RecordWriteError, UnwritableRecordError
from potvigil.record.file import make_new

# What SQLite may create beside a file.
_BESIDE = ("-wal", "-shm", "-journal")


@contextmanager
def whole(path: Path, *, replace: bool) -> Iterator[Path]:
    """Give the path to write to, beside `path`; at the end it takes that name, on any error it is removed.

    replace: whether an existing file at `path` may be replaced; else it stays, and ExistingFileError is
    raised. Raises UnwritableRecordError or RecordWriteError where the disk refuses.
    """
    try:
        path = path.resolve()
        check_free(path, replace=replace)
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        os.close(make_new(part))
    except (OSError, RuntimeError, ValueError) as error:
        if isinstance(error, RecordError):
            raise
        raise _unwritable(path, error) from error
    try:
        yield part
        _push_out(part)
        check_free(path, replace=replace)
        _take_name(part, path, replace=replace)
        _push_out(path.parent)
    except RecordError as error:
        if str(part) in str(error):
            raise type(error)(str(error).replace(str(part), str(path))) from error
        raise
    except OSError as error:
        raise RecordWriteError(
            f"{path} cannot be written ({error.strerror or error}); "
            "free some space on that disk, or give another path"
        ) from error
    finally:
        for ending in ("", *_BESIDE):
            Path(f"{part}{ending}").unlink(missing_ok=True)


def check_free(path: Path, *, replace: bool) -> None:
    """Raise ExistingFileError unless a file may be put here.

    A log beside it belongs to a record that is in use or was not closed, and would be read into the new file.
    """
    if os.path.lexists(path) and not (replace and path.is_file()):
        what = "is not a plain file" if replace else "exists already"
        raise ExistingFileError(f"{path} {what} and was not changed; give another path")
    for ending in ("-wal", "-journal"):
        beside = Path(f"{path}{ending}")
        if beside.exists() and beside.stat().st_size > 0:  # a reader leaves an empty log
            raise ExistingFileError(
                f"{beside} belongs to a record that is in use or was not closed; give another path"
            )


def _take_name(part: Path, path: Path, *, replace: bool) -> None:
    if not replace:
        try:
            os.link(part, path)  # unlike a rename it never replaces another file
            return
        except FileExistsError:
            check_free(path, replace=False)
        except OSError:
            pass  # a medium without hard links, such as a FAT stick
    part.replace(path)


def _push_out(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unwritable(path: Path, error: Exception) -> UnwritableRecordError:
    why = getattr(error, "strerror", None) or error
    return UnwritableRecordError(f"{path} cannot be written: {why}; check the folder, or give another path")


@contextmanager
def whole_file(path: Path, *, replace: bool = True) -> Iterator[TextIO]:
    """Open a text file for writing that appears under its name only when it is complete and on the medium.

    It is written beside its place under another name; on any error that is removed, and an existing file at
    `path` stays. A path that is not a plain file (a pipe, /dev/stdout) is written directly. replace: whether
    an existing file may be replaced; else FileExistsError is raised. Raises OSError.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        with path.open("w", encoding="utf-8", newline="\n") as file:
            yield file
        return
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    if path.exists() and not replace:
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    try:
        # a file for somebody to pass on: the umask decides who may read it
        with os.fdopen(make_new(part, 0o666), "w", encoding="utf-8", newline="\n") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        _take_name(part, path, replace=replace)
    except BaseException as error:
        if isinstance(error, OSError) and error.filename == str(part):
            error.filename = str(path)  # the requested name
        raise
    finally:
        part.unlink(missing_ok=True)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)  # the new name itself
    finally:
        os.close(folder)
