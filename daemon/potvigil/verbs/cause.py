"""What a leak of the record followed, and what to look at first."""

import argparse
from collections.abc import Iterator

from potvigil.core.cause import Night, find, follow
from potvigil.core.cause_words import finding_lines, nights_lines
from potvigil.core.words import TimeTeller, shown
from potvigil.record.rows import BatchRow, LeakRow
from potvigil.record.store import Store
from potvigil.verbs.common import UseError, known_pot, record_path
from potvigil.verbs.judged import settings_of
from potvigil.verbs.status import DONE

# From the open pot on; and the newest nights only.
_BEFORE_S, _NIGHTS = 900.0, 60


def pot_cause(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        asked = None if args.batch is None else store.batch(args.batch)
        pot_id = known_pot(store, args.pot if args.pot is not None or asked is None else asked.pot_id)
        if asked is not None and asked.pot_id != pot_id:
            raise UseError(f"batch {asked.id} is not of {pot_id} but of {asked.pot_id}")
        leaks = store.leaks(pot_id)
        real = [row for row in leaks if row.rehearsed is None]
        if leaks and not real:
            print("Rehearsed batches only: nothing here was measured on a pot.")
        known = real or leaks
        leaked = [row.batch_id for row in known if row.established]
        if asked is None and not leaked:
            print(f"No batch of {pot_id} leaked beyond doubt: there is nothing to look for.")
            return DONE
        row = asked or store.batch(leaked[-1])
        for line in _lines(store, row):
            print(line)
        for line in nights_lines(list(_nights(store, pot_id, known[-_NIGHTS:])), leaked):
            print(line)
    return DONE


def _lines(store: Store, row: BatchRow) -> Iterator[str]:
    settings = settings_of(store, row)
    pot = settings.core_pots()[row.pot_id]
    label = f", {shown(row.label)}" if row.label else ""
    yield f"Batch {row.id} of {row.pot_id}{label}."
    hold = follow(store.samples(row.pot_id, row.start_t_s - _BEFORE_S, row.end_t_s), pot)
    ended = row.end_t_s is not None and row.end_utc_s is not None
    known = (row.end_t_s, row.end_utc_s) if ended else (row.start_t_s, row.start_utc_s)
    when = TimeTeller(known[0] or row.start_t_s, known[1], pot.tz)
    yield from finding_lines(find(hold, pot), when, pot.pressure_unit)


def _nights(store: Store, pot_id: str, leaks: list[LeakRow]) -> Iterator[Night]:
    """Yield what is known of each batch as a whole."""
    for leak in leaks:
        if leak.rate_pa_per_s is None:
            continue
        row = store.batch(leak.batch_id)
        summary = row.summary
        if summary is None or summary.hold_start_s is None:
            continue
        traces = store.traces(pot_id, summary.hold_start_s, summary.hold_end_s or row.end_t_s)
        seals = [each.wall_k or each.gas_k or each.room_k for each in traces]
        known = [each for each in seals if each is not None]
        yield Night(
            row.id,
            leak.rate_pa_per_s.value,
            min(known) if known else None,
            summary.hold_start_gauge_pa,
        )
