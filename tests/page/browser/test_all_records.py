"""The page of all records in a real browser: every size, live updates, accessibility."""

import subprocess
import sys
import time

import pytest
from playwright.sync_api import Page, expect

from broker import free_port
from many_records import Studio, kept, raised
from page.browser.test_views import (
    OUTSIDE,
    WCAG,
    assert_axe_finds_nothing,
    assert_axe_finds_nothing_in,
)
from page.browser.watched import PHONE, answers, until
from patience import wait_until
from postgres import Postgres
from potvigil.model.events import AlarmId
from potvigil.record.store import Store
from potvigil.studio.preparing import READER, admit, prepare

NARROWEST, *WIDER = [{"width": width, "height": 800} for width in (320, 390, 1440)]


class Shown:
    """A studio's database with two records, and the page in its own process."""

    def __init__(self, folder, server) -> None:
        self.server, self.studio = server, Studio(server)
        self.record = kept(folder / "a.db", "harbour-models", "lantern", leaks=True, label="lenses, blue")
        self.number = self.studio.ship(self.record)
        self.silent = self.studio.ship(
            kept(folder / "b.db", "castle-models", "gatehouse-of-the-outer-ward", ago_s=4000.0)
        )
        (folder / "password").write_text(admit(server.owner(), "front-desk", READER, ["*"]))
        (folder / "password").chmod(0o600)
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        config = folder / "studio.yaml"
        config.write_text(
            f"studio: {{host: 127.0.0.1, port: {server.port}, username: front-desk, "
            "password_file: password}\n"
            f"page: {{port: {port}}}\n"
        )
        command = [sys.executable, "-m", "potvigil", "studio", "page", "--config", str(config)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL)

    def wait(self) -> None:
        wait_until(lambda: answers(self.url, self.process), "the page never answered")

    def views(self) -> tuple[str, ...]:
        here = f"/of/{self.number}"
        return (
            *("/", "/alarms", "/batches?workshop=harbour-models", "/health"),
            *(f"{here}/pot/lantern", f"{here}/batch/2", f"{here}/batch/99"),
        )


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    with Postgres() as server:
        prepare(server.owner())
        shown = Shown(tmp_path_factory.mktemp("studio"), server)
        try:
            shown.wait()
            yield shown
        finally:
            shown.process.kill()
            shown.process.wait()


def assert_fits_and_is_accessible(page: Page) -> None:
    """Check a page that was opened at the narrowest size at every size; the colours at that one only."""
    for size in (NARROWEST, *WIDER):
        page.set_viewport_size(size)
        until(page, f"document.documentElement.scrollWidth <= {size['width']}")
        assert page.evaluate(OUTSIDE) == [], (page.url, size)
        if size is NARROWEST:
            assert_axe_finds_nothing(page)
    assert_axe_finds_nothing_in("light", page, WCAG)


def test_each_view_fits_and_is_accessible(shown, opened):
    page = opened({"viewport": NARROWEST})
    for view in shown.views():
        page.set_viewport_size(NARROWEST)
        page.goto(shown.url + view)
        if "/pot/" in view or view.endswith("/batch/2"):
            expect(page.locator(".u-over").first).to_be_visible()
        page.evaluate("document.querySelectorAll('details').forEach((details) => { details.open = true; })")
        assert_fits_and_is_accessible(page)


def test_doubled_text_fits_on_a_phone(shown, opened):
    page = opened(PHONE)
    for view in shown.views():
        page.goto(shown.url + view)
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        until(page, f"document.documentElement.scrollWidth <= {PHONE['viewport']['width']}")
        assert page.evaluate(OUTSIDE) == [], view


def test_from_the_pots_to_a_batch_and_back(shown, opened):
    page = opened(PHONE)
    page.goto(shown.url)
    page.get_by_role("link", name="harbour-models/lantern").first.click()
    expect(page.locator(".u-over").first).to_be_visible()
    page.get_by_role("link", name="lenses, blue, first").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("lenses, blue, first")
    page.get_by_role("link", name="harbour-models/lantern").last.click()
    page.get_by_role("link", name="All its batches").click()
    expect(page.locator(".batches li")).to_have_count(2)
    page.get_by_role("searchbox").fill("first")
    page.get_by_role("button", name="Search").click()
    expect(page.locator(".batches li")).to_have_count(1)


def test_a_new_alarm_appears_live_and_a_dead_database_withdraws_all(shown, opened):
    pots, alarms = opened(PHONE), opened(PHONE)
    pots.goto(shown.url)
    alarms.goto(f"{shown.url}/alarms")
    expect(alarms.get_by_text("No alarm is active")).to_be_visible()
    silent = pots.locator("[data-pot^=castle]")
    expect(silent.locator("[data-show=word]")).to_contain_text("no data since")
    expect(silent.locator("[data-show=pressure]")).to_be_hidden()
    with Store.open(shown.record, create=False) as store:
        store.add_event("lantern", 2, raised(AlarmId.FLOOR_AHEAD, 7190.0, time.time() - 7190.0))
    shown.studio.ship(shown.record)
    card = pots.locator("[data-pot='harbour-models/lantern']")
    expect(card.locator("[data-show=word]")).to_have_text("leak: floor ahead")
    expect(card.locator(".standing .do")).to_contain_text("Top up by")
    expect(pots.locator("#strip")).to_contain_text("harbour-models/lantern")
    expect(alarms.locator("[data-alarms] li")).to_have_count(1)
    expect(alarms.locator("[data-alarms] li")).to_contain_text("harbour-models/lantern")
    shown.server.stop("immediate")
    try:
        expect(pots.locator("#strip")).to_contain_text("database does not answer")
        expect(card.locator("[data-show=pressure]")).to_be_hidden()
        expect(alarms.locator("[data-alarms] li")).to_contain_text("as last known")
    finally:
        shown.server.start()
    expect(card.locator("[data-show=pressure]")).to_be_visible()


def test_without_script_the_page_of_all_says_the_same(shown, opened):
    page = opened(PHONE, java_script_enabled=False)
    page.goto(shown.url)
    expect(page.locator("[data-pot]")).to_have_count(2)
    expect(page.locator("[data-pot^=castle] .word")).to_contain_text("no data since")
    page.goto(f"{shown.url}/alarms")
    expect(page.get_by_role("heading", name="Alarms")).to_be_visible()
