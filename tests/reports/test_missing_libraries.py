"""Without one of the extra's libraries a report says which is missing, and what to type."""

import logging
import re
import sys
from types import ModuleType

import pytest

from made_report import made_report
from pot_season import season
from potvigil.diagnosis.pot_health import health
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.batch import report_html
from potvigil.reports.health import health_html
from potvigil.reports.html import template
from potvigil.reports.pdf import _fetcher, _within, pdf_of, png_of
from potvigil.reports.pictures import as_data_uri

CHARTS = "potvigil.reports.charts."


class Broken(ModuleType):
    """A library that is there and cannot be loaded, as when one of its own is missing."""

    def __init__(self, error: Exception) -> None:
        super().__init__("broken")
        self.error = error

    def __getattr__(self, name: str) -> object:
        raise AttributeError(name) if name.startswith("__") else self.error


def health_page() -> str:
    judged = health(season([0.1] * 3), [], None)
    return health_html(judged, pot_id="lantern", workshop="harbour", labels={}, unit="psi", tz=None)


WRITERS = [
    (lambda: template("report.html"), "jinja2", ()),
    (lambda: report_html(made_report()), "matplotlib", ("batch_chart", "drawing")),
    (health_page, "matplotlib", ("health_chart", "drawing")),
]


@pytest.mark.parametrize(("write", "library", "parts"), WRITERS)
def test_a_page_names_the_missing_library(write, library, parts, monkeypatch) -> None:
    for part in parts:
        monkeypatch.delitem(sys.modules, CHARTS + part, raising=False)
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(
        MissingLibraryError, match=rf"^a report needs {library}[.a-z]* \(.*{library}.*; install it with "
    ):
        write()


@pytest.mark.parametrize(("write", "library", "part"), [(w, b, p[:1]) for w, b, p in WRITERS])
def test_where_the_error_names_none_it_is_quoted(write, library, part, monkeypatch) -> None:
    broken = CHARTS + part[0] if part else library
    monkeypatch.setitem(sys.modules, broken, Broken(ImportError("its half is missing")))
    with pytest.raises(
        MissingLibraryError, match=r"^a report needs a library \(its half is missing\); install "
    ):
        write()


@pytest.mark.parametrize(
    ("error", "said", "hint"),
    [
        (ImportError("no weasyprint"), "no weasyprint", False),
        (OSError("no libpango\nlong advice"), "no libpango", True),
        (OSError(), "", True),
    ],
)
def test_without_weasyprint_or_pango_it_says_what_to_install(error, said, hint, monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", Broken(error))
    with pytest.raises(MissingLibraryError) as raised:
        pdf_of("<p>one</p>")
    words = str(raised.value)
    assert words.startswith(f"a report needs weasyprint ({said}")
    assert ("; sudo apt install libpango-1.0-0 " in words) is hint
    assert "long advice" not in words and "install it with `" in words


def test_without_pdfium_no_picture_of_the_pages_is_made(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "pypdfium2", None)
    with pytest.raises(MissingLibraryError, match=r"^a report needs pypdfium2 \("):
        png_of(b"%PDF-")


def test_without_pillow_a_report_has_no_pictures(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)
    assert as_data_uri(b"\xff\xd8\xff") is None


def test_before_68_weasyprint_is_given_a_fetcher_that_reads_only_the_page(monkeypatch) -> None:
    monkeypatch.delattr("weasyprint.urls.URLFetcher", raising=False)
    assert _fetcher() is _within
    monkeypatch.setattr("weasyprint.default_url_fetcher", lambda url: f"read {url[:10]}", raising=False)
    assert _within("data:image/gif;base64,R0lGODlh", http_headers={}) == "read data:image"
    for url in ("https://example.invalid/a.png", "file:///etc/data:", "a.png"):
        with pytest.raises(ValueError, match=f"; {re.escape(url)} is not fetched"):
            _within(url)


def test_what_only_browsers_know_is_not_logged(caplog) -> None:
    logging.getLogger("weasyprint").setLevel(logging.DEBUG)
    pdf_of("<style>p { cursor: nonsense; text-wrap: balance }</style><p>one</p>")
    assert [each for each in caplog.records if each.name == "weasyprint"] == []
