"""The page of all records with a broker, in a real browser: live values, acknowledging, every size."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from broker import HOST, Broker, free_port
from live_pi import Pi
from many_records import Studio, kept
from page.browser.test_all_records import NARROWEST, assert_fits_and_is_accessible
from page.browser.test_views import OUTSIDE, assert_axe_finds_nothing
from page.browser.watched import PHONE, answers
from patience import wait_until
from postgres import Postgres
from potvigil.page.passwords import hashed
from potvigil.studio.preparing import READER, admit, prepare

PASSWORD, WORKSHOP = "open sesame", "harbour-models"
LIVE = f"[data-pot='{WORKSHOP}/lantern']"


class Desk:
    """A studio with a broker, a live Pi, another that only ships, and the page in its own process."""

    def __init__(self, folder: Path, server: Postgres, broker: Broker, pi: Pi) -> None:
        self.broker, self.pi = broker, pi
        studio = Studio(server)
        pi.flush()
        self.number = studio.ship(pi.record)
        studio.ship(kept(folder / "b.db", "castle-models", "gatehouse-of-the-outer-ward"))
        for name, secret in (
            ("password", admit(server.owner(), "front-desk", READER, ["*"])),
            ("page-password", hashed(PASSWORD)),
        ):
            (folder / name).write_text(secret)
            (folder / name).chmod(0o600)
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        (folder / "studio.yaml").write_text(
            f"studio: {{host: 127.0.0.1, port: {server.port}, username: front-desk, "
            "password_file: password}\n"
            f"page: {{port: {port}, password_file: page-password}}\n"
            f"mqtt: {{host: {HOST}, port: {broker.port}}}\n"
        )
        command = [
            sys.executable,
            "-m",
            "potvigil",
            "studio",
            "page",
            "--config",
            str(folder / "studio.yaml"),
        ]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        wait_until(lambda: answers(self.url, self.process), "the page never answered")

    def enter(self, page: Page, view: str = "/") -> Page:
        page.goto(f"{self.url}/login")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.goto(self.url + view)
        return page


@pytest.fixture(scope="module")
def desk(tmp_path_factory) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("desk")
    with Postgres() as server, Broker(folder / "broker") as broker:
        prepare(server.owner())
        with Pi(folder / "pi", WORKSHOP, broker.port) as pi:
            desk = Desk(folder, server, broker, pi)
            try:
                yield desk
            finally:
                desk.process.kill()
                desk.process.wait()


def test_each_view_with_its_button_fits_and_is_accessible(desk, opened):
    page = desk.enter(opened({"viewport": NARROWEST}))
    expect(page.locator(f"{LIVE} [data-show=heard]")).to_have_text("Live.")
    for view in ("/", "/alarms", f"/of/{desk.number}/pot/lantern"):
        page.set_viewport_size(NARROWEST)
        page.goto(desk.url + view)
        expect(page.get_by_role("button", name="Acknowledge leak: floor ahead")).to_be_visible()
        assert_fits_and_is_accessible(page)


def test_a_missing_broker_is_shown_and_the_line_goes_again(desk, opened):
    page = desk.enter(opened(PHONE))
    line = page.locator("[data-notice]")
    expect(page.locator(f"{LIVE} [data-show=heard]")).to_have_text("Live.")
    expect(line).to_be_hidden()
    desk.broker.stop()
    try:
        expect(line).to_contain_text("is unreachable")
        expect(page.locator(f"{LIVE} [data-show=heard]")).to_contain_text("As of ")
        expect(page.locator(f"{LIVE} .standing button")).to_have_count(0)
        assert page.evaluate(OUTSIDE) == []
        assert_axe_finds_nothing(page)
    finally:
        desk.broker.start()
    expect(page.locator(f"{LIVE} [data-show=heard]")).to_have_text("Live.")
    expect(line).to_be_hidden()


def test_an_acknowledgement_shows_by_whom_on_every_open_page(desk, opened):
    """Must be last in this file: there is only one alarm to acknowledge."""
    other, page = desk.enter(opened(PHONE)), desk.enter(opened(PHONE), "/alarms")
    expect(other.locator(f"{LIVE} .standing button")).to_be_visible()
    page.get_by_role("button", name="Acknowledge leak: floor ahead").click()
    expect(page.get_by_role("status").filter(has_text="its watch confirms it")).to_be_visible()
    expect(page).to_have_url(f"{desk.url}/alarms")
    expect(page.locator("[data-alarms]")).to_contain_text("acknowledged by front-desk")
    expect(other.locator(f"{LIVE} .standing")).to_contain_text("acknowledged by front-desk")
    expect(other.locator(f"{LIVE} .standing button")).to_have_count(0)
    assert desk.pi.acknowledged() == [("floor-ahead", "front-desk")]
