"""One batch: shown, exported, reported."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TextIO

from potvigil import show
from potvigil.core.conversion import convert
from potvigil.record import export
from potvigil.record.pages import pdf_of, png_of
from potvigil.record.report import harmless_name, report_html
from potvigil.record.store import Store
from potvigil.retold import retell
from potvigil.verbs.common import UseError, console, record_path
from potvigil.verbs.judged import judged_so_far, settings_of
from potvigil.verbs.status import DONE


def show_batch(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        row = store.batch(args.batch)
        settings = settings_of(store, row)
        printer = show.Printer(console(), settings)
        for event in store.events(row.id):
            printer.event(row.pot_id, row.id, event)
        summary = row.summary or judged_so_far(store, row, settings)
        if summary is not None:
            printer.summary(summary, row.id)
        printer.details(row.details, store.edits(row.id))
    return DONE


def export_batch(args: argparse.Namespace) -> int:
    with Store.open_read_only(record_path(args)) as store:
        row = store.batch(args.batch)
        out = Path(f"batch-{row.id}.{args.format}") if args.out is None else args.out
        with _out_file(out) as file:
            if args.format == "csv":
                pot = settings_of(store, row).core_pots()[row.pot_id]
                samples = store.samples(row.pot_id, row.start_t_s, row.end_t_s)
                export.write_csv(file, ((sample, convert(sample, pot)) for sample in samples), pot)
            else:
                summary = row.summary or judged_so_far(store, row, settings_of(store, row))
                edits = store.edits(row.id)
                export.write_json_lines(file, store.events(row.id), summary, row.start_t_s, edits)
    if str(out) != "-":
        print(out)
    return DONE


def report(args: argparse.Namespace) -> int:
    """Write the report of a batch; nothing is written before all of it is made."""
    with Store.open_read_only(record_path(args)) as store:
        told = retell(store, args.batch)
    out = args.out or Path(f"{harmless_name(told.row.id, told.row.label)}.html")
    if out.suffix.lower() not in (".html", ".htm"):
        raise UseError(f"--out {out}: give a name that ends in .html; PDF and PNG are written beside it")
    html = report_html(told)
    pages = {out: html.encode()}
    if args.pdf or args.png:
        pdf = pdf_of(html)
        if args.pdf:
            pages[out.with_suffix(".pdf")] = pdf
        if args.png:
            pages[out.with_suffix(".png")] = png_of(pdf)
    for path, content in pages.items():
        try:
            with export.whole_file(path) as file:
                file.buffer.write(content)
        except OSError as error:
            reason = error.strerror or error
            raise UseError(f"{path} cannot be written ({reason}); give another place with --out") from error
        print(path)
    return DONE


@contextmanager
def _out_file(path: Path) -> Iterator[TextIO]:
    if str(path) == "-":
        yield sys.stdout
    else:
        with export.whole_file(path) as file:
            yield file
