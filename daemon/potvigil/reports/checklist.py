"""The plan before a pour as one self-contained HTML file, to print and tick off."""

from potvigil import __version__
from potvigil.planning.sheet import Sheet
from potvigil.reports.html import template


def checklist_html(sheet: Sheet) -> str:
    """Return the page. Raises MissingLibraryError."""
    return template("checklist.html")(sheet=sheet, version=__version__)
