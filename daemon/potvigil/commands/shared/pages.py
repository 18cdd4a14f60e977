"""Pages written as files: HTML, with PDF and picture on request. None is written before all are made."""

import argparse
from pathlib import Path

from potvigil.commands.shared.common import UseError, check_out
from potvigil.reports.pdf import pdf_of, png_of
from potvigil.upkeep import atomic_file


def check_pages(args: argparse.Namespace, out: Path) -> None:
    """Raise UseError where the pages cannot be written to these names; call it before making them."""
    if out.suffix.lower() not in (".html", ".htm"):
        raise UseError(f"--out {out}: give a name that ends in .html; PDF and PNG are written beside it")
    for wanted, ending in ((True, out.suffix), (args.pdf, ".pdf"), (args.png, ".png")):
        if wanted:
            check_out(out.with_suffix(ending), args)


def write_pages(args: argparse.Namespace, out: Path, html: str) -> None:
    """Write a page to `out`, with --pdf and --png beside it, and print what was written."""
    check_pages(args, out)
    pages = {out: html.encode()}
    if args.pdf or args.png:
        pdf = pdf_of(html)
        if args.pdf:
            pages[out.with_suffix(".pdf")] = pdf
        if args.png:
            pages[out.with_suffix(".png")] = png_of(pdf)
    for path, content in pages.items():
        try:
            with atomic_file.whole_file(path, replace=args.replace) as file:
                file.buffer.write(content)
        except OSError as error:
            reason = error.strerror or error
            raise UseError(f"{path} cannot be written ({reason}); give another place with --out") from error
        print(path)
