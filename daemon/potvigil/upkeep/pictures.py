"""Pictures of casts: files beside the record, one folder per batch. Their names are in the batch's details.

A name without a file is allowed. A file whose name was removed from the details is not shown, but kept.
"""

from pathlib import Path

from potvigil.model.batch_details import has_control_characters
from potvigil.upkeep.own_file import write

LARGEST_BYTES = 12_000_000
MOST_OF_BATCH = 20
_MODE = 0o640  # as the record: for the service's group, and nobody else
_LONGEST_NAME = 120
# How each begins: ITU-T T.81 B.1.1.3, ISO/IEC 15948 5.2, RFC 9649 2.4.
_BEGINS = {"image/jpeg": (b"\xff\xd8\xff", b""), "image/png": (b"\x89PNG\r\n\x1a\n", b"")}
_BEGINS |= {"image/webp": (b"RIFF", b"WEBP")}
ENDINGS = {"image/jpeg": ".jpg", "image/png": ".png", "image/webp": ".webp"}


class PictureError(ValueError):
    """Not a picture, or it cannot be kept; one line."""


def kind_of(content: bytes) -> str | None:
    """Return a picture's media type by its first bytes, None for a file that a browser cannot show."""
    for kind, (begin, after_size) in _BEGINS.items():
        if content.startswith(begin) and content[8:].startswith(after_size):
            return kind
    return None


def keep(record: Path, batch_id: int, name: str, content: bytes) -> None:
    """Keep a picture of a batch; one of the same name is replaced. Raises PictureError, OSError."""
    if not _is_plain(name):
        raise PictureError(f"{name!r} is not a plain file name; rename the file")
    if kind_of(content) is None:
        raise PictureError(f"{name}: not a JPEG, PNG or WebP; save it as one of them")
    if len(content) > LARGEST_BYTES:
        raise PictureError(
            f"{name}: {len(content) / 1e6:.0f} MB, at most {LARGEST_BYTES / 1e6:.0f} are allowed"
        )
    folder = _folder(record, batch_id)
    for each in (folder.parent, folder):
        each.mkdir(mode=0o770, exist_ok=True)
    write(folder / name, content, _MODE)


def new_name(record: Path, batch_id: int, kind: str, names: list[str]) -> str:
    """Return a name that no picture of this batch has, nor any of these. Raises PictureError."""
    for number in range(1, MOST_OF_BATCH + 1):
        name = f"cast-{number}{ENDINGS[kind]}"
        if name not in names and not (_folder(record, batch_id) / name).exists():
            return name
    raise PictureError(f"{MOST_OF_BATCH} pictures of this batch are kept already")


def is_kept(record: Path, batch_id: int, name: str) -> bool:
    return _is_plain(name) and (_folder(record, batch_id) / name).is_file()


def read(record: Path, batch_id: int, name: str) -> bytes | None:
    """Return a picture of a batch; None where none is kept by that name, or it cannot be read."""
    if not is_kept(record, batch_id, name):
        return None
    try:
        with (_folder(record, batch_id) / name).open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except OSError:
        return None
    return content if kind_of(content) is not None and len(content) <= LARGEST_BYTES else None


def copy_to(record: Path, to: Path) -> int:
    """Copy every picture of a record that is missing or different in the folder `to`; return how many.

    Nothing in `to` is deleted. Raises OSError.
    """
    copied = 0
    for path in sorted(_all_of(record).glob("*/*")):
        there = to / path.parent.name / path.name
        if not path.is_file() or (there.is_file() and there.read_bytes() == path.read_bytes()):
            continue
        there.parent.mkdir(parents=True, exist_ok=True)
        write(there, path.read_bytes(), _MODE)
        copied += 1
    return copied


def _all_of(record: Path) -> Path:
    return Path(f"{record}-pictures")


def _folder(record: Path, batch_id: int) -> Path:
    return _all_of(record) / str(batch_id)


def _is_plain(name: str) -> bool:
    """Return whether a name can only reach a file of its folder."""
    return (
        0 < len(name) <= _LONGEST_NAME
        and not name.startswith(".")
        and not any(sign in name for sign in "/\\")
        and not has_control_characters(name)
    )
