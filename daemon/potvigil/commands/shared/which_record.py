"""The record that a verb reads: this machine's, or one shipped to a studio."""

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

from potvigil.commands.shared.common import UseError, record_path, settings_path
from potvigil.extras import how_to_install
from potvigil.record.store import Store
from potvigil.reports.collect import PictureOf
from potvigil.upkeep import pictures


@dataclass(frozen=True, slots=True)
class ReadRecord:
    """An open record. picture: reads a batch's picture by name. unread: why readings may be missing."""

    store: Store
    picture: PictureOf
    unread: str


@contextmanager
def open_record(args: argparse.Namespace) -> Iterator[ReadRecord]:
    """Open the named record for reading. Raises UseError, StudioError, RecordError."""
    if args.of is None:
        with Store.open_read_only(record_path(args)) as store:
            yield ReadRecord(store, partial(pictures.read, store.path), "no readings")
        return
    from potvigil.settings.loading import load_either

    if args.record is not None:
        raise UseError("--of names a record in the studio's database, --record a file; give one of them")
    settings = settings_path(args)
    studio = load_either(settings).studio
    if studio is None:
        raise UseError(f"{settings}: names no studio; give --config with settings that do")
    try:
        from potvigil.studio.address import address_of
        from potvigil.studio.reading import StudioReader
    except ImportError as error:
        raise UseError(f"--of needs {error.name}: {how_to_install('studio')}") from None
    reader = StudioReader(address_of(studio).reading_engine())
    try:
        reader.check()
        with reader.opened(args.of) as store:
            yield ReadRecord(store, partial(reader.picture, args.of), "none were shipped")
    finally:
        reader.close()
