"""The strip on every page: the worst pot, what to do, and as of when."""

import re
from dataclasses import replace

import pytest
from playwright.sync_api import expect

from page.browser.fake_watch import (
    BELOW_FLOOR,
    FLOOR_AHEAD,
    RAPID_LOSS,
    SOUND,
    THERMOMETER,
    let_forget,
    seen,
    until,
)
from page.browser.test_views import assert_axe_finds_nothing
from page.browser.watched import DESKTOP, PHONE

EVERY_PAGE = ("/", "/pot/lantern", "/pot/lantern/health", "/batches", "/batch/1", "/plan", "/nothing-here")
TWO = {"dome": THERMOMETER, "lantern": FLOOR_AHEAD}
POLL_MS = 2000  # pages without a stream ask this often
LOST_MS = 6000  # of silence, after which a page says so


def later(pots, seconds):
    """Return the pots some seconds later."""
    return {
        name: replace(pot, t_s=pot.t_s + seconds, utc_s=pot.utc_s + seconds) for name, pot in pots.items()
    }


@pytest.fixture
def page_without_sheets(opened):
    """A phone that never waits for a chart to be drawn below the strip; test_views.py opens those."""
    page = opened(PHONE)
    page.route("**/sheet", lambda route: route.fulfill(content_type="text/html", body="<h1>Health</h1>"))
    return page


def asked(page):
    """Let a page without a stream ask now what it would in two seconds."""
    let_forget()
    page.clock.fast_forward(POLL_MS)


@pytest.mark.parametrize("path", EVERY_PAGE)
def test_every_page_shows_the_worst_pot_what_to_do_and_a_running_clock(watch, page_without_sheets, path):
    watch.pots, page = TWO, page_without_sheets
    page.clock.install()
    page.goto(watch.url + path)
    strip = page.locator("#strip")
    expect(strip).to_contain_text("leak: floor ahead")
    expect(strip).to_contain_text("Top up to 60.0 psi by 02:00 tomorrow")
    expect(strip).to_contain_text("not acknowledged; 1 more pot needs attention")
    expect(strip).to_have_class(re.compile(r"\balarm unseen\b"))
    expect(strip.get_by_role("link").first).to_have_attribute("href", "/pot/lantern")
    expect(page).to_have_title(re.compile("^■ leak: floor ahead, lantern"))
    as_of = strip.locator("time")
    expect(as_of).to_have_text("Thu 22:00:00")  # the watch's time: 2026-01-01, see demo_pot.py
    watch.pots = later(TWO, 7.0)
    asked(page)
    expect(as_of).to_have_text("Thu 22:00:07")
    watch.pots = {"dome": SOUND, "lantern": seen(FLOOR_AHEAD)}
    asked(page)
    expect(strip).not_to_have_class(re.compile("unseen"))
    expect(strip).to_contain_text("acknowledged")
    watch.pots = {"dome": SOUND, "lantern": SOUND}
    asked(page)
    expect(strip).to_have_class("strip calm")


def test_it_flashes_only_until_acknowledged(watch, opened):
    flashing = "document.getElementById('strip').getAnimations({ subtree: true }).map((a) => a.animationName)"
    page = opened(PHONE)
    for pots, names in (
        ({"lantern": BELOW_FLOOR}, {"blink", "edge"}),
        ({"lantern": seen(BELOW_FLOOR)}, set()),
    ):
        watch.pots = pots
        page.goto(watch.url)
        expect(page.locator("#strip")).to_contain_text("below the floor")
        until(page, f"!{str(bool(names)).lower()} === !{flashing}.includes('blink')")
        assert set(page.evaluate(flashing)) - {"stale"} == names
    page.emulate_media(reduced_motion="reduce")
    watch.pots = {"lantern": BELOW_FLOOR}
    expect(page.locator("#strip")).to_contain_text("not acknowledged")
    assert set(page.evaluate(flashing)) - {"stale"} == set()


def test_pots_reorder_by_urgency_live(watch, opened):
    page = opened(DESKTOP)
    order = "[...document.querySelectorAll('[data-pot]')].map((card) => card.dataset.pot).join()"
    watch.pots = {"alpha": SOUND, "beta": THERMOMETER, "gamma": SOUND}
    page.goto(watch.url)
    until(page, f"{order} === 'beta,alpha,gamma'")
    watch.pots = {"alpha": SOUND, "beta": THERMOMETER, "gamma": RAPID_LOSS}
    until(page, f"{order} === 'gamma,beta,alpha'")
    page.locator('[data-pot="gamma"]').get_by_role("button", name="Acknowledge").focus()
    watch.pots = {"alpha": BELOW_FLOOR, "beta": THERMOMETER, "gamma": seen(RAPID_LOSS)}
    expect(page.locator("#strip")).to_contain_text("below the floor")
    assert page.evaluate(order) == "gamma,beta,alpha"  # never moves while in use
    page.evaluate("document.activeElement.blur()")
    until(page, f"{order} === 'alpha,gamma,beta'")


def test_a_page_with_a_dead_script_says_it_is_out_of_date(watch, opened):
    page = opened(PHONE, java_script_enabled=False)
    page.goto(f"{watch.url}/batches")
    stale = page.get_by_text("This page no longer updates")
    expect(stale).to_be_hidden()
    expect(page.locator("#strip time")).to_have_text("Thu 22:00:00")
    styles = page.context.new_cdp_session(page)
    styles.send("Animation.enable")
    styles.send("Animation.setPlaybackRate", {"playbackRate": 20.0})
    expect(stale).to_be_visible()


def test_a_live_script_postpones_the_warning(watch, opened):
    page = opened(PHONE)
    page.goto(f"{watch.url}/batches")
    running = "document.querySelector('.stale').getAnimations()[0]"
    page.evaluate(f"{running}.currentTime = 16000")  # ms, as if 16 s had passed
    expect(page.locator(".stale")).to_be_hidden()
    assert page.evaluate(f"{running}.currentTime") < 15_000


def test_news_is_announced_to_screen_readers_on_any_page(watch, opened):
    page = opened(PHONE)
    page.goto(f"{watch.url}/batches")
    announced = page.locator("#told")
    expect(page.locator("#strip")).to_contain_text("holding")
    expect(announced).to_have_text("")
    watch.pots = {"lantern": BELOW_FLOOR}
    expect(announced).to_have_text(
        re.compile("^lantern: below the floor. Top up now if the resin is still liquid. 41")
    )


def test_a_lost_connection_shows_on_every_page_and_recovers(watch, opened):
    page = opened(PHONE)
    page.clock.install()
    page.goto(f"{watch.url}/batches")
    strip = page.locator("#strip")
    expect(strip).to_contain_text("holding")
    watch.kill_page()
    page.clock.fast_forward(LOST_MS)
    expect(strip).to_contain_text("No contact with the watch since Thu 22:00:00")
    expect(strip).to_contain_text("Read the pot's own gauge")
    expect(strip).to_have_class("strip unknown")
    watch.start_page()
    expect(strip).to_have_class("strip calm")
    watch.is_live = False
    asked(page)
    expect(strip).to_contain_text("no data since 22:00")
    expect(strip).to_contain_text("not being monitored")


@pytest.mark.parametrize(
    "pots",
    [{"lantern": BELOW_FLOOR}, {"lantern": RAPID_LOSS}, TWO],
    ids=["below-floor", "rapid-loss", "two-pots"],
)
def test_the_worst_states_are_accessible_at_any_size(watch, page_without_sheets, pots):
    watch.pots, page = pots, page_without_sheets
    page.goto(watch.url)
    expect(page.locator("#strip")).to_have_class(re.compile("alarm"))
    # the other pages show of all this only the strip, which then is longest
    for path in EVERY_PAGE if pots is TWO else ("/", "/pot/lantern"):
        page.goto(watch.url + path)
        for width in (320, 390, 1440):
            page.set_viewport_size({"width": width, "height": 640})
            until(page, f"document.documentElement.scrollWidth <= {width}")
    page.goto(watch.url)
    assert_axe_finds_nothing(page)


def test_reasons_appear_once(watch, opened):
    watch.pots = {"lantern": FLOOR_AHEAD}
    page = opened(PHONE)
    page.goto(f"{watch.url}/pot/lantern")
    expect(page.locator(".standing")).to_contain_text("Losing 3.05 psi/h")
    words = page.locator("main").inner_text()
    assert len(re.findall(r"psi/h", words.partition("The curve")[0])) == 1
    assert len(re.findall(r"45\.0 psi", words.partition("The curve")[0])) == 1
