"""Replays a recorded log through the same watch."""

import argparse
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TextIO

from potvigil.commands.shared import show
from potvigil.commands.shared.common import check_out, console, data_out, one_of, settings_path
from potvigil.commands.shared.status import DONE
from potvigil.history.learning import Past
from potvigil.imports.csv_log import read_log
from potvigil.model.events import BatchClosed, BatchSummary
from potvigil.record.store import Store
from potvigil.reports import export
from potvigil.service.keeping import keep_event, keep_trace
from potvigil.settings.loading import load
from potvigil.upkeep import atomic_file
from potvigil.watch.pot_watch import PotWatch

_COMMIT_SAMPLES = 4000  # fewer rows than the store buffers of either kind


def replay(args: argparse.Namespace) -> int:
    settings = load(settings_path(args))
    pot_id = one_of(settings.pots, args.pot)
    log = read_log(args.log)
    to_stdout = args.json == "-"
    printer = show.Printer(console(stderr=to_stdout), settings)
    for note in log.notes:
        printer.line(note)
    pot = settings.core_pots()[pot_id]
    watch = PotWatch(pot)
    store = Store.open_alone(args.record, "potvigil replay") if args.record else None
    with _json_lines(args) as out, store or nullcontext():
        batch: int | None = None
        past, begun_s = None, 0.0  # where on the record's axis the log begins
        if store is not None:
            past = Past(store, pot, watch, rehearsed=True)
            first = log.samples[0]
            name = f"replay of {args.log.name}"
            begun_s = store.begin_run(settings.as_json(), name, first.t_s, first.utc_s, name)
        closed: list[tuple[int | None, BatchSummary]] = []
        for number, read in enumerate(printer.progress(log.samples, "replay")):
            sample = replace(read, t_s=read.t_s + begun_s) if begun_s else read
            events = watch.feed(sample)
            if store is not None:
                store.append(pot_id, sample)
                keep_trace(store, watch.snapshot, pot_id, sample.t_s)
                if number % _COMMIT_SAMPLES == 0:
                    store.flush()
            for event in events:
                if isinstance(event, BatchClosed):
                    closed.append((batch, event.summary))
                if store is not None and past is not None:
                    before, batch = batch, keep_event(store, pot_id, batch, event)
                    past.hear(batch, event)
                    if isinstance(event, BatchClosed) and before is not None:
                        past.keep(before)
                printer.event(pot_id, batch, event)
                if out is not None and not isinstance(event, BatchClosed):
                    out.write(export.json_text(export.event_line(event, begun_s)) + "\n")
        last = watch.summary()
        if last is not None:
            closed.append((batch, last))
        if store is not None:
            if last is not None:  # the log is over, so the batch ends as it is
                keep_event(store, pot_id, batch, BatchClosed(last.end_s, log.samples[-1].utc_s, last))
                watch.end(last.end_s)
                if past is not None and batch is not None:
                    past.keep(batch)
            store.flush()
        for number_of, summary in closed:
            if out is not None:
                out.write(export.json_text(export.batch_line(summary, begun_s)) + "\n")
            printer.summary(summary, number_of)
    return DONE


@contextmanager
def _json_lines(args: argparse.Namespace) -> Iterator[TextIO | None]:
    where: str | None = args.json
    if where is None:
        yield None
    elif where == "-":
        yield data_out()
    else:
        with atomic_file.whole_file(check_out(Path(where), args), replace=args.replace) as file:
            yield file
