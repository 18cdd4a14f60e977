"""A report's HTML as PDF, and its pages as a picture. Nothing is fetched: the HTML is self-contained."""

import logging
from io import BytesIO
from typing import Any

from potvigil.record.errors import MissingLibraryError

# A4's width and US Letter's height: it prints on either unscaled.
_PAGE = "@page { size: 210mm 279.4mm; }"
_DOTS_PER_INCH = 110
_POINTS_PER_INCH = 72
_EDGE_PX = 12


def pdf_of(html: str) -> bytes:
    """Return a report as PDF. Raises MissingLibraryError."""
    try:
        from weasyprint import CSS, HTML
    except (ImportError, OSError) as error:  # OSError: the system library Pango is missing
        hint = (
            ""
            if isinstance(error, ImportError)
            else "; sudo apt install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
        )
        reason = type(error)(f"{str(error).splitlines()[0] if str(error) else error}{hint}")
        raise MissingLibraryError.of("weasyprint", reason) from error
    # it warns of every property that only browsers know, a thousand lines a report
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    pdf: bytes = HTML(string=html, url_fetcher=_fetcher()).write_pdf(stylesheets=[CSS(string=_PAGE)])
    return pdf


def png_of(pdf: bytes) -> bytes:
    """Return the pages of a PDF as one picture, one below the other. Raises MissingLibraryError."""
    try:
        import pypdfium2
        from PIL import Image
    except ImportError as error:
        raise MissingLibraryError.of("pypdfium2", error) from error
    document = pypdfium2.PdfDocument(pdf)
    pages = [page.render(scale=_DOTS_PER_INCH / _POINTS_PER_INCH).to_pil() for page in document]
    document.close()
    high = sum(page.height for page in pages) + _EDGE_PX * (len(pages) - 1)
    picture = Image.new("RGB", (max(page.width for page in pages), high), "#999999")
    top = 0
    for page in pages:
        picture.paste(page, (0, top))
        top += page.height + _EDGE_PX
    file = BytesIO()
    picture.save(file, "PNG", optimize=True)
    return file.getvalue()


def _fetcher() -> Any:
    """Return a fetcher that reads only pictures embedded in the page."""
    try:
        from weasyprint.urls import URLFetcher
    except ImportError:  # before 68.0
        return _within
    return URLFetcher(allowed_protocols=["data"])


def _within(url: str, *_: Any, **__: Any) -> Any:
    from weasyprint import default_url_fetcher

    if url.startswith("data:"):
        return default_url_fetcher(url)
    raise ValueError(f"a report holds all it shows; {url} is not fetched")
