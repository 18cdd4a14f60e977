"""Opens, edits and closes a batch by hand."""

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

from potvigil.commands.arguments.options import DETAIL_OPTIONS
from potvigil.commands.shared.common import UseError, known_pot, record_path
from potvigil.commands.shared.results import print_results
from potvigil.commands.shared.status import DONE
from potvigil.model import batch_details
from potvigil.model.batch_details import DetailError
from potvigil.model.events import Action, Detail
from potvigil.model.who import COMMAND_LINE
from potvigil.record.requests.detail_input import given_details
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.upkeep import pictures


def edit(args: argparse.Namespace) -> int:
    """Change details of a batch: an open one's through the watch, a closed one's in the record itself."""
    with Store.open(record_path(args), create=False) as store:
        row = store.batch(args.batch)
        changes = _given_details(args, store, row)
        if not changes:
            options = ", ".join(option for option, _ in DETAIL_OPTIONS.values())
            raise UseError(f"nothing to change in batch {row.id}; give one of {options}")
        if row.end_t_s is not None:
            store.edit(row.id, changes, COMMAND_LINE, time.time())
            return DONE
        return print_results(store, store.add_edits(row.pot_id, changes, COMMAND_LINE, time.time()))


def open_batch(args: argparse.Namespace) -> int:
    with Store.open(record_path(args), create=False) as store:
        pot_id = known_pot(store, args.pot)
        row = store.open_batch_of(pot_id)
        if row is not None:
            raise UseError(f"batch {row.id} of {pot_id} is open; edit that one, or close it first")
        given = _given_details(args, store, None)
        last = store.batches(pot_id, limit=1)
        status = print_results(store, store.add_edits(pot_id, given, COMMAND_LINE, time.time(), opening=True))
    known = last[0].details if last else {}
    as_last = [
        f"{each} {known[each]}" for each in batch_details.TAKEN_OVER if known.get(each) and each not in given
    ]
    if as_last and status == DONE:
        print(f"as the last batch: {', '.join(as_last)}")
    return status


def close(args: argparse.Namespace) -> int:
    with Store.open(record_path(args), create=False) as store:
        pot_id = known_pot(store, args.pot)
        return print_results(store, store.add_command(pot_id, Action.CLOSE, time.time(), by=COMMAND_LINE))


def _given_details(args: argparse.Namespace, store: Store, row: BatchRow | None) -> dict[Detail, str]:
    """Return the details on the command line as they will be kept. row: None for a batch not yet open."""
    texts: dict[Detail, str] = {}
    known = {} if row is None else row.details
    for field in Detail:
        text = getattr(args, field.replace("-", "_"), None)
        if text is None:
            continue
        if field is Detail.PICTURES:
            text = _with_pictures(known.get(field, ""), [_kept_picture(store, row, name) for name in text])
        elif field is Detail.NOTE and args.verb == "note" and text.strip() and known.get(field):
            text = f"{known[field]}\n{text}"  # earlier notes stay
        texts[field] = text
    return given_details(store, row, texts, time.time())


def _kept_picture(store: Store, row: BatchRow | None, name: str) -> str:
    """Return the name of a picture; if the file exists, keep a copy with the batch."""
    path = Path(name)
    if row is None or not name or not path.is_file():
        return name
    try:
        with path.open("rb") as file:
            pictures.keep(store.path, row.id, path.name, file.read(pictures.LARGEST_BYTES + 1))
    except pictures.PictureError as error:
        raise UseError(f"--picture {error}") from None
    except OSError as error:
        raise UseError(f"--picture {name}: {error.strerror or error}; the batch was not changed") from None
    return path.name


def _with_pictures(known: str, names: Sequence[str]) -> str:
    """Return the present names and the new ones, one a line; an empty name clears those before it."""
    if any("\n" in name for name in names):
        raise DetailError("pictures: a file name with a line break; rename the file")
    lines = known.splitlines()
    for name in names:
        lines = [*(line for line in lines if line != name), name] if name else []
    return "\n".join(lines)
