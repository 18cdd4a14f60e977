"""The plan before a pour as one HTML file to print and tick off; it needs no other."""

from importlib.resources import files

from potvigil import __version__
from potvigil.planning.sheet import Sheet
from potvigil.record.errors import MissingLibraryError


def checklist_html(sheet: Sheet) -> str:
    """Return the page. Raises MissingLibraryError."""
    try:
        from jinja2 import Environment, StrictUndefined
    except ImportError as error:
        raise MissingLibraryError.of(error.name or "a library", error) from error
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    source = files("potvigil.reports").joinpath("templates/checklist.html").read_text(encoding="utf-8")
    return environment.from_string(source).render(sheet=sheet, version=__version__)
