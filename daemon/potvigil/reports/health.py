"""A pot's health as one self-contained HTML file; its words are in wording/health.py."""

from collections.abc import Iterable, Mapping
from datetime import tzinfo

from potvigil import __version__
from potvigil.model.ageing import Health
from potvigil.record.errors import MissingLibraryError
from potvigil.reports.html import template
from potvigil.wording.health import LISTED_BATCHES, LISTED_CARES, HealthWords
from potvigil.wording.quantities import shown


def health_html(
    health: Health,
    *,
    pot_id: str,
    workshop: str,
    labels: Mapping[int, str],
    unit: str,
    tz: tzinfo | None,
    hold_s: float | None = None,
    rehearsed: bool = False,
    now_utc_s: float | None = None,
    known: Iterable[str] = (),
    outcomes: Mapping[int, str] | None = None,
) -> str:
    """Return the page. Raises MissingLibraryError.

    labels, outcomes: of batches, by number. rehearsed: whether the batches were simulated, which the page
    says. now_utc_s: as in `health_lines`. known: what was learned from the batches, in sentences.
    """
    page = template("health.html")
    try:
        from potvigil.reports.charts.chart_style import NARROW_IN, WIDE_IN
        from potvigil.reports.charts.health_chart import health_chart_svg
    except ImportError as error:
        raise MissingLibraryError.of(error.name or "a library", error) from error
    words = HealthWords(health, unit, tz, hold_s)
    sign, mood = words.mood()
    headline, *lines = words.lines()
    overdue, soon = words.reminders(now_utc_s)
    lines = [*overdue, *lines, *words.tests(), *soon, *known]
    return page(
        pot=shown(pot_id),
        workshop=shown(workshop),
        when=words.when(),
        rehearsed=rehearsed,
        sign=sign,
        mood=mood,
        headline=headline,
        lines=lines,
        facts=list(words.facts()),
        charts={
            "wide": health_chart_svg(health, unit, tz, WIDE_IN),
            "narrow": health_chart_svg(health, unit, tz, NARROW_IN),
        },
        chart_words=f"The leak of each batch with its moving average. {headline}",
        cares=list(words.cares()),
        earlier_cares=max(len(health.cares) - LISTED_CARES, 0),
        batches=list(words.batches(labels, outcomes or {})),
        unit=unit,
        earlier_batches=max(len(health.batches) - LISTED_BATCHES, 0),
        version=__version__,
    )
