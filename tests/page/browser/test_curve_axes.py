"""The axes of the curve: dates beyond a day, and a leak from its first alarm on."""

import pytest
from playwright.sync_api import Page, Route, expect

from page.browser.watched import PHONE, POT
from patience import PATIENCE_MS

# Records every text drawn on a canvas, with the canvas.
RECORD_TEXTS = """
window.written = [];
const fill = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, ...at) {
  window.written.push([this.canvas, text]);
  return fill.call(this, text, ...at);
};
"""


def words_of(page: Page, panel: int) -> list[str]:
    drawn = "document.querySelectorAll('.u-wrap canvas')[at]"
    return page.evaluate(f"(at) => written.filter(([on]) => on === {drawn}).map(([, text]) => text)", panel)


def open_curve(page: Page, url: str, change) -> None:
    def changed(route: Route) -> None:
        data = route.fetch(timeout=PATIENCE_MS).json()
        change(data)
        route.fulfill(json=data)

    page.route("**/api/curve?*", changed)
    page.add_init_script(RECORD_TEXTS)
    page.goto(f"{url}/pot/{POT}")
    expect(page.locator(".u-over").first).to_be_visible()


@pytest.mark.parametrize("hours", [20, 60])
def test_beyond_a_day_axis_and_text_show_dates(alarmed, opened, hours):
    def stretched(data) -> None:
        begin = data["from"]
        by = hours * 3600.0 / (data["to"] - begin)
        for times in (data["t"], data["trace"]["t"]):
            times[:] = [begin + (t - begin) * by for t in times]
        data |= {"to": begin + (data["to"] - begin) * by, "cure_done": None, "cone": None, "marks": []}

    page = opened(PHONE)
    open_curve(page, alarmed.url, stretched)
    dates = {text for text in words_of(page, 0) if text.endswith((" Jan", " Jan."))}
    assert len(dates) >= 2 if hours > 24 else not dates  # the night begins on 1 January at 22:00
    words = page.locator('[data-part="words"]').inner_text()
    assert (" Jan, " in words) is (hours > 24)


def test_a_new_leak_fits_its_panel(alarmed, opened):
    """The axis ignores some wild early estimates; two minutes of leak are even fewer, but must show."""

    def jumped(data) -> None:
        trace = data["trace"]
        quiet = len(trace["t"]) - 2
        for name, calm, now in (("leak", 0.0, 30.0), ("leak_low", -0.2, 29.0), ("leak_high", 0.2, 31.0)):
            trace[name] = [calm] * quiet + [now] * 2

    page = opened(PHONE)
    open_curve(page, alarmed.url, jumped)
    expect(page.locator(".u-over").nth(2)).to_be_visible()
    assert max(float(text) for text in words_of(page, 2) if text) >= 20.0  # the axis extends to the next tick
