"""Installable as an app; what it shows when the Pi is unreachable."""

import json
import struct

import pytest
from playwright.sync_api import expect

from page.browser.fake_watch import BELOW_FLOOR, until
from page.browser.test_views import assert_axe_finds_nothing
from page.browser.watched import PHONE

READY = "navigator.serviceWorker.ready.then(({ active }) => active.state === 'activated')"


@pytest.fixture
def watch(only_read):
    only_read.begin_anew({"lantern": BELOW_FLOOR})
    return only_read


def test_offline_the_page_says_no_alarm_can_arrive_and_recovers(watch, opened):
    page = opened(PHONE)
    page.goto(watch.url)
    until(page, READY)
    pressure = page.locator('[data-show="pressure"]')
    expect(pressure).to_have_text("41.2 psi")
    watch.kill_page()
    for path in ("/", "/pot/lantern", "/batches"):
        page.goto(watch.url + path)
        expect(page.get_by_role("heading", name="No connection to the Pi")).to_be_visible()
        expect(page.get_by_text("This phone cannot warn you")).to_be_visible()
        assert "41.2" not in page.content() and "lantern" not in page.content()
    assert_axe_finds_nothing(page)
    page.set_viewport_size({"width": 320, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    page.goto(watch.url)
    watch.start_page()
    expect(pressure).to_have_text("41.2 psi")  # by itself


def test_only_the_offline_page_is_cached(watch, opened):
    page = opened(PHONE)
    page.goto(watch.url)
    until(page, READY)
    page.goto(f"{watch.url}/batch/1")
    kept = page.evaluate(
        """async () => {
          const all = [];
          for (const name of await caches.keys()) all.push(...(await (await caches.open(name)).keys()));
          return all.map((request) => new URL(request.url).pathname).sort();
        }"""
    )
    assert kept == ["/static/icon.svg", "/static/offline.html", "/static/offline.js", "/static/page.css"]


def test_it_can_be_installed(watch, opened):
    """Per the Web App Manifest; PNG size: bytes 16 to 24 (ISO/IEC 15948, 11.2.2)."""
    page = opened(PHONE)
    page.goto(watch.url)
    until(page, READY)
    session = page.context.new_cdp_session(page)
    read = session.send("Page.getAppManifest")
    assert read["errors"] == []
    icons = json.loads(read["data"])["icons"]
    assert {(icon["sizes"], icon["purpose"]) for icon in icons} == {
        (size, purpose) for size in ("192x192", "512x512") for purpose in ("any", "maskable")
    }
    for icon in icons:
        content = page.request.get(watch.url + icon["src"]).body()
        assert "{}x{}".format(*struct.unpack(">II", content[16:24])) == icon["sizes"]
    errors = session.send("Page.getInstallabilityErrors")["installabilityErrors"]
    assert {error["errorId"] for error in errors} <= {"in-incognito"}  # test contexts are incognito
