"""Pages of reports and health charts: dark mode, fit on a phone, links back."""

import re

import pytest
from playwright.sync_api import expect

from page.browser.test_views import OUTSIDE, assert_axe_finds_nothing, sheets  # noqa: F401
from page.browser.watched import PHONE, until
from page.test_batches_page import with_season
from page.test_server import Running
from paged import copied
from potvigil.model.events import Detail
from potvigil.record.store import Store

REPORT, HEALTH = "/batch/1/report", "/pot/lantern/health"
SHEETS = (f"{REPORT}/sheet", f"{HEALTH}/sheet")
SMALL = {"viewport": {"width": 390, "height": 844}}
# Pairs of table texts that overlap.
OVERPRINTED = """() => {
  const boxes = [...document.querySelectorAll("td, th")]
    .filter((one) => one.checkVisibility() && one.textContent.trim() && !one.closest("thead"))
    .map((one) => {
      const range = document.createRange();
      range.selectNodeContents(one);
      return [one.textContent.trim(), range.getBoundingClientRect()];
    });
  const meet = (a, b) =>
    a.left < b.right - 1 && b.left < a.right - 1 && a.top < b.bottom - 1 && b.top < a.bottom - 1;
  return boxes.flatMap(([text, box], i) =>
    boxes.slice(i + 1).filter(([, other]) => meet(box, other)).map(([other]) => [text, other]));
}"""


@pytest.fixture(scope="module")
def url(half_past_three, tmp_path_factory):
    season = with_season(copied(half_past_three, tmp_path_factory.mktemp("season")))
    with Store.open(season.record) as store:
        store.edit(121, {Detail.OUTCOME: "flawed: bubbles at the rim", Detail.LABEL: "W" * 60}, "page", 0.0)
        store.add_care("lantern", 1.77e9, "seal", "a new ring, cleaned and greased", "command line", 1.77e9)
    page = Running("--record", season.record, "--live", season.live, "--port", 0)
    yield page.address.rstrip("/")
    assert page.end()[0] == 0


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_sheet_follows_dark_mode_fits_every_size_and_prints_white(url, opened, sheets, sheet):  # noqa: F811
    page = opened(SMALL, color_scheme="dark")
    sheets.let_be_examined(page)
    page.goto(url + sheet)
    ground, *inks = page.evaluate(
        "[getComputedStyle(document.body).backgroundColor,"
        " ...[...document.querySelectorAll('svg text')].map((one) => getComputedStyle(one).fill)]"
    )
    assert len(inks) > 5
    light = [sum(int(each) for each in re.findall(r"\d+", colour)[:3]) for colour in (ground, *inks)]
    assert light[0] < 60 and min(light[1:]) > 400
    assert_axe_finds_nothing(page)
    for width in (320, 390, 1440):
        page.set_viewport_size({"width": width, "height": 844})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(OVERPRINTED) == []
    page.set_viewport_size(SMALL["viewport"])
    page.evaluate("document.documentElement.style.fontSize = '200%'")  # WCAG 1.4.4
    assert page.evaluate(OVERPRINTED) == [] and page.evaluate(OUTSIDE) == []
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


@pytest.mark.parametrize(("view", "back"), [(REPORT, "/batch/1"), (HEALTH, "/pot/lantern")])
def test_a_sheets_page_keeps_the_strip_and_a_way_back(url, opened, sheets, view, back):  # noqa: F811
    page = opened(PHONE)
    sheets.serve(page)
    page.goto(url + view, wait_until="commit")
    expect(page.locator("#strip")).to_be_visible()
    expect(page.frame_locator("iframe.sheet").locator("h1")).to_be_visible()
    until(page, "document.querySelector('iframe.sheet').offsetHeight > 1000")  # the frame does not scroll
    assert page.evaluate(
        "(() => { const one = document.querySelector('iframe.sheet');"
        " return one.contentDocument.documentElement.scrollHeight <= one.clientHeight; })()"
    )
    expect(page.get_by_text("It is being generated")).to_be_hidden()
    page.locator(f'nav.buttons a[href="{back}"]').click()
    expect(page).to_have_url(url + back)
