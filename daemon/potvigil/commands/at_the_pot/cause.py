"""What a leak in the record varied with, and what to look at first."""

import argparse
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from potvigil.commands.shared.common import UseError, known_pot, record_path
from potvigil.commands.shared.open_batch import settings_of
from potvigil.commands.shared.status import DONE
from potvigil.diagnosis.cause import find, follow
from potvigil.diagnosis.cause_trend import Night
from potvigil.diagnosis.cause_words import finding_lines, looking_lines, nights_lines
from potvigil.diagnosis.tightness import empty, settle_s
from potvigil.model.maintenance import Part
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.rows import BatchRow, LeakRow
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.wording.quantities import TimeTeller, shown

# From the open pot before a batch on; and only the newest nights.
_BEFORE_S, _NIGHTS = 900.0, 60


def pot_cause(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        given = None if args.batch is None else store.batch(args.batch)
        pot_id = known_pot(store, args.pot if args.pot is not None or given is None else given.pot_id, "POT")
        if given is not None and given.pot_id != pot_id:
            raise UseError(f"batch {given.id} belongs to {given.pot_id}, not to {pot_id}")
        if args.test:
            if given is not None:
                raise UseError("give --batch or --test, not both")
            for line in _last_test(store, pot_id):
                print(line)
            return DONE
        leaks = store.leaks(pot_id)
        real = [row for row in leaks if row.rehearsed is None]
        if leaks and not real:
            print("Rehearsed batches only: nothing here was measured on a pot.")
        known = real or leaks
        leaked = [row.batch_id for row in known if row.established]
        if given is None and not leaked:
            print(f"No batch of {pot_id} leaked beyond doubt: there is nothing to look for.")
            if any(care.part == Part.TIGHTNESS_TEST for care in store.cares(pot_id)):
                print(f"For the last tightness test: `potvigil pot cause {pot_id} --test`.")
            return DONE
        row = given or store.batch(leaked[-1])
        for line in _lines(store, row):
            print(line)
        for line in nights_lines(list(_nights(store, pot_id, known[-_NIGHTS:])), leaked):
            print(line)
    return DONE


def of_a_test(samples: Sequence[Sample], pot: Pot, utc_s: float | None) -> Iterator[str]:
    """Yield what an empty pot's leak varied with; a test is short and often gives no answer.

    utc_s: of the last sample, None where the clock was not set.
    """
    tested = empty(pot)
    found = find(follow(samples, tested, settle_s(pot)), tested)
    if found is None:
        yield (
            "The test was too short to tell what the leak varied with. After some hours shut and monitored, "
            "`potvigil pot cause` may tell."
        )
        yield from looking_lines(None)
    else:
        yield from finding_lines(found, TimeTeller(samples[-1].t_s, utc_s, pot.tz), pot)


def _last_test(store: Store, pot_id: str) -> Iterator[str]:
    """Yield the result of the newest tightness test whose readings were kept."""
    tests = [care for care in store.cares(pot_id) if care.part == Part.TIGHTNESS_TEST]
    kept = ((care, samples) for care in reversed(tests) if (samples := store.readings(care.id)))
    care, samples = next(kept, (None, []))
    run = store.last_run()
    if care is None or run is None:
        raise UseError(
            f"the record has no readings of a tightness test of {pot_id}; run `potvigil tightness`"
        )
    pot = load_text(run.settings_json, f"settings of run {run.id}").core_pots().get(pot_id)
    if pot is None:
        raise UseError(f"{pot_id} is not in the settings of the last watch, so nothing is known of it now")
    day = datetime.fromtimestamp(care.utc_s, UTC).astimezone(pot.tz)
    yield f"Tightness test of {pot_id} on {day:%Y-%m-%d %H:%M}: {shown(care.text)}."
    yield from of_a_test(samples, pot, care.utc_s)


def _lines(store: Store, row: BatchRow) -> Iterator[str]:
    settings = settings_of(store, row)
    pot = settings.core_pots()[row.pot_id]
    label = f", {shown(row.label)}" if row.label else ""
    yield f"Batch {row.id} of {row.pot_id}{label}."
    # with the open pot before it, but nothing of the previous batch
    ends = [each.end_t_s for each in store.listed(Wanted(pot_id=row.pot_id)) if each.id < row.id]
    ended_s = max((each for each in ends if each is not None), default=row.start_t_s - _BEFORE_S)
    begin_s = min(max(row.start_t_s - _BEFORE_S, ended_s), row.start_t_s)
    hold = follow(store.samples(row.pot_id, begin_s, row.end_t_s), pot)
    ended = row.end_t_s is not None and row.end_utc_s is not None
    known = (row.end_t_s, row.end_utc_s) if ended else (row.start_t_s, row.start_utc_s)
    when = TimeTeller(known[0] or row.start_t_s, known[1], pot.tz)
    found = find(hold, pot)
    leak = None if row.summary is None else row.summary.leak
    if found is None and leak is not None and leak.established:
        yield (
            "It leaked beyond doubt, but there is too little data to tell what the leak varied with: that "
            "takes hours."
        )
        yield from looking_lines(None)
    else:
        yield from finding_lines(found, when, pot)


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
