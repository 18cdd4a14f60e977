"""The templates of the reports, each giving one self-contained HTML file.

jinja2 comes with the extra `report`, so it is imported only with the first page.
"""

from collections.abc import Callable
from importlib.resources import files

from potvigil.record.errors import MissingLibraryError
from potvigil.reports.charts.chart_style import dark_rules


def template(name: str) -> Callable[..., str]:
    """Return the function that renders a file of templates/. Raises MissingLibraryError."""
    try:
        from jinja2 import Environment, FunctionLoader, StrictUndefined
    except ImportError as error:
        raise MissingLibraryError.of(error.name or "a library", error) from error
    environment = Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["dark_chart"] = dark_rules()
    render: Callable[..., str] = environment.get_template(name).render
    return render


def _source(name: str) -> str:
    return files("potvigil.reports").joinpath("templates", name).read_text(encoding="utf-8")
