"""The page as an alarm clock: what it plays, when it starts and stops, and what it says about it.

Frequency of the signal: NFPA 72 (2022), 18.4.6.3: 520 Hz +/- 10 %, square wave or equivalent; from memory.
"""

import re
from dataclasses import replace

import pytest
from playwright.sync_api import Page, expect

from page.browser.fake_watch import (
    BELOW_FLOOR,
    RAPID_LOSS,
    SOUND,
    THERMOMETER,
    at,
    high,
    low,
    seen,
    until,
)
from page.browser.test_views import assert_axe_finds_nothing
from page.browser.watched import PHONE
from potvigil.model.events import Priority
from potvigil.watch.alarm_rules import RULES

# Taps the audio output, and records vibration and screen wake locks.
LISTEN = """
(() => {
  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (to, ...more) {
    if (to instanceof AudioDestinationNode && to.context instanceof AudioContext) {
      window.ear ??= new AnalyserNode(to.context, { fftSize: 32768 });
      connect.call(this, window.ear);
    }
    return connect.call(this, to, ...more);
  };
  window.shaken = [];
  navigator.vibrate = (pattern) => window.shaken.push(pattern);
  window.locks = 0;
  const request = navigator.wakeLock.request.bind(navigator.wakeLock);
  navigator.wakeLock.request = (kind) => ((window.locks += 1), request(kind));
})();
"""
LOUDNESS = """(() => {
  if (!window.ear) return 0;
  const wave = new Float32Array(window.ear.fftSize);
  window.ear.getFloatTimeDomainData(wave);
  return Math.sqrt(wave.reduce((sum, one) => sum + one * one, 0) / wave.length);
})()"""
HEARD = f"{LOUDNESS} > 0.01"
QUIET = f"{LOUDNESS} < 0.001"
# Lets the next sound be heard alone: what sounds now goes to the old ear. Quietens nothing.
OTHER_EAR = "window.ear = undefined; 0"
# Renders a sound offline; returns loudness (RMS) and frequency (zero crossings) per second.
RENDER = """async ([which, seconds]) => {
  const rate = 44100;
  const context = new OfflineAudioContext(1, seconds * rate, rate);
  which === "high" ? sound.high(context, 45) : sound.gentle(context);
  const wave = (await context.startRendering()).getChannelData(0);
  return [...Array(seconds).keys()].map((second) => {
    const part = wave.subarray(second * rate, (second + 1) * rate);
    let crossings = 0;
    for (let i = 1; i < rate / 2; i += 1) crossings += part[i - 1] < 0 !== part[i] < 0;
    const rms = (of) => Math.sqrt(of.reduce((sum, one) => sum + one * one, 0) / of.length);
    return { first: rms(part.subarray(0, rate / 2)), last: rms(part.subarray(rate / 2)), hertz: crossings };
  });
}"""


@pytest.fixture
def bedside(watch, opened) -> Page:
    """A phone set to wake its owner, with a fake clock."""
    page = opened(PHONE)
    page.add_init_script(LISTEN)
    page.clock.install()
    page.goto(watch.url)
    page.get_by_role("button", name="Wake me with this phone").click()
    expect(state(page)).to_have_text(re.compile("^This phone will wake you"))
    until(page, HEARD)  # the confirmation
    page.evaluate(OTHER_EAR)  # else a test would take this tone for the alarm
    return page


def state(page: Page):
    return page.locator('[data-wake="state"]')


def test_the_alarm_is_a_pulsed_520_hertz_tone_that_gets_louder(watch, opened):
    page = opened(PHONE)
    page.goto(watch.url)
    seconds = page.evaluate(RENDER, ["high", 50])
    for second in seconds:
        assert second["hertz"] == pytest.approx(520, rel=0.1)
        assert second["last"] < 0.01 * second["first"]  # half a second on, half a second off
    loudness = [second["first"] for second in seconds]
    assert loudness == sorted(loudness)
    assert loudness[0] < 0.15 and loudness[-1] > 0.9


def test_the_gentle_tone_sounds_once_and_dies_away(watch, opened):
    page = opened(PHONE)
    page.goto(watch.url)
    first, second, third = page.evaluate(RENDER, ["gentle", 3])
    assert 0.01 < first["first"] < 0.25
    assert first["first"] > first["last"] > second["first"] > second["last"]
    assert third["first"] == third["last"] == 0.0


def test_a_high_alarm_sounds_until_acknowledged(watch, bedside):
    assert bedside.evaluate("window.locks") >= 1
    watch.pots = {"lantern": BELOW_FLOOR}
    until(bedside, HEARD)
    expect(state(bedside)).to_have_text("Waking you: below the floor, lantern.")
    until(bedside, "window.shaken.some((pattern) => pattern.length > 1)")
    assert_axe_finds_nothing(bedside)
    watch.pots = {"lantern": seen(BELOW_FLOOR)}
    until(bedside, QUIET)
    expect(state(bedside)).to_have_text(re.compile("^This phone will wake you"))
    assert bedside.evaluate("window.shaken.at(-1)") == 0


def test_a_sounding_alarm_goes_on_when_the_watch_falls_silent(watch, bedside):
    watch.pots = {"lantern": BELOW_FLOOR}
    until(bedside, HEARD)
    watch.is_live = False
    expect(bedside.locator("#strip")).to_contain_text("no data")
    until(bedside, HEARD)
    expect(state(bedside)).to_have_text("Waking you: below the floor, lantern.")


def test_a_sounding_alarm_survives_a_reload_with_a_silent_watch(watch, bedside):
    watch.pots = {"lantern": BELOW_FLOOR}
    until(bedside, HEARD)
    watch.is_live = False
    expect(bedside.locator("#strip")).to_contain_text("no data")
    bedside.reload()
    expect(bedside.locator("#strip")).to_contain_text("no data")
    bedside.locator("body").tap()
    until(bedside, HEARD)
    expect(state(bedside)).to_have_text("Waking you: below the floor, lantern.")


def test_without_a_wall_clock_a_silenced_alarm_stays_the_same_one(watch, bedside):
    """Its age is then shown in minutes, which change."""

    def at_minute(minute):
        moment = BELOW_FLOOR.t_s + 60.0 * minute
        return {"lantern": replace(BELOW_FLOOR, t_s=moment, utc_s=None)}

    watch.pots = at_minute(0)
    until(bedside, HEARD)
    bedside.get_by_role("button", name="Silence this phone").click()
    until(bedside, QUIET)
    when = bedside.locator(".standing .when")
    before = when.inner_text()
    watch.pots = at_minute(7)
    expect(when).not_to_have_text(before)
    bedside.wait_for_timeout(1500)
    assert not bedside.evaluate("sound.isWaking()")


def test_silencing_lasts_15_minutes_and_a_new_alarm_breaks_through(watch, bedside):
    watch.pots = {"lantern": BELOW_FLOOR}
    until(bedside, HEARD)
    bedside.get_by_role("button", name="Silence this phone").click()
    until(bedside, QUIET)
    expect(state(bedside)).to_have_text(
        re.compile(r"^Silenced on this phone until \d\d:\d\d; that acknowledges nothing\.")
    )
    watch.pots = {"lantern": BELOW_FLOOR, "dome": RAPID_LOSS}
    until(bedside, HEARD)
    expect(state(bedside)).to_have_text("Waking you: losing pressure fast, dome.")
    watch.pots = {"lantern": BELOW_FLOOR, "dome": seen(RAPID_LOSS)}
    until(bedside, QUIET)
    bedside.clock.fast_forward("14:00")
    expect(state(bedside)).to_have_text(re.compile("^Silenced"))
    bedside.clock.fast_forward("01:10")
    until(bedside, HEARD)
    expect(state(bedside)).to_contain_text("Waking you: below the floor, lantern.")


def test_a_low_alarm_is_one_gentle_tone(watch, bedside):
    bedside.evaluate(
        "window.chimes = 0; const chime = sound.chime; sound.chime = () => { chimes += 1; chime(); }; 0"
    )
    watch.pots = {"lantern": THERMOMETER}
    until(bedside, HEARD)
    expect(bedside.locator("#strip")).to_contain_text("thermometer failed")
    until(bedside, QUIET)
    bedside.wait_for_timeout(1500)  # three more updates while it stands
    assert bedside.evaluate("window.chimes") == 1
    expect(bedside.get_by_role("button", name="Silence this phone")).to_be_hidden()


@pytest.mark.parametrize("how", ["the page is gone", "the watch is silent"])
def test_it_sounds_after_too_long_without_contact(watch, bedside, how):
    bedside.get_by_label("Also wake me when there is no word").select_option("60")
    if how == "the page is gone":
        watch.kill_page()
    else:
        watch.is_live = False
    bedside.clock.fast_forward("00:06")
    expect(bedside.locator("#strip")).to_have_class("strip unknown")
    expect(state(bedside)).to_have_text(re.compile("^This phone will wake you"))  # not at once
    bedside.clock.fast_forward("01:00")
    until(bedside, HEARD)
    expect(state(bedside)).to_have_text("Waking you: there is no word from the watch.")
    if how == "the page is gone":
        watch.start_page()
    else:
        watch.is_live = True
    until(bedside, QUIET)


def test_a_log_out_does_not_silence_it(watch, bedside):
    bedside.route("**/api/**", lambda route: route.fulfill(status=401, json={"fault": "Log in first."}))
    bedside.clock.fast_forward("00:04")  # without news
    expect(state(bedside)).to_contain_text("Logged out")
    bedside.clock.fast_forward("02:10")  # as if asleep: it then waits ten seconds for news
    bedside.clock.fast_forward("00:11")
    until(bedside, HEARD)
    expect(bedside).to_have_url(f"{watch.url}/")


def test_the_choice_survives_a_reload_but_sound_needs_a_tap(watch, opened, bedside):
    watch.pots = {"lantern": BELOW_FLOOR}
    # imitate a browser that blocks sound before a tap; headless Chromium never does
    bedside.add_init_script(
        """
        const state = Object.getOwnPropertyDescriptor(BaseAudioContext.prototype, "state").get;
        let tapped = false;
        addEventListener("pointerdown", () => (tapped = true), true);
        Object.defineProperty(BaseAudioContext.prototype, "state", {
          get() { return tapped ? state.call(this) : "suspended"; },
        });
        """
    )
    bedside.reload()
    expect(state(bedside)).to_have_text("Sound is blocked: tap once, anywhere on this page.")
    assert bedside.evaluate(QUIET)
    bedside.goto(f"{watch.url}/batches")  # shown on every page once enabled
    expect(state(bedside)).to_have_text("Sound is blocked: tap once, anywhere on this page.")
    bedside.locator("h1").tap()
    until(bedside, HEARD)
    bedside.get_by_text("This phone wakes me").click()
    bedside.get_by_role("button", name="Do not wake me").click()
    assert not bedside.evaluate("sound.isWaking()")
    bedside.reload()
    expect(bedside.locator("#wake")).to_be_hidden()


def test_try_it_plays_briefly_at_full_volume(bedside):
    bedside.get_by_role("button", name="Try it").click()
    until(bedside, f"{LOUDNESS} > 0.3")
    bedside.clock.fast_forward(3000)
    until(bedside, QUIET)


def test_a_screen_that_may_sleep_is_reported(watch, opened):
    page = opened(PHONE)
    page.add_init_script(
        "navigator.wakeLock.request = () => Promise.reject(new DOMException('', 'NotAllowedError'))"
    )
    page.goto(watch.url)
    page.get_by_role("button", name="Wake me with this phone").click()
    expect(state(page)).to_contain_text("The screen may sleep: keep the phone plugged in")


def test_every_alarm_produces_sound(watch, bedside):
    for each, rule in RULES.items():
        words = (each, "Do this now", "So it is with this pot.")
        made = high(*words) if rule.priority is Priority.HIGH else low(*words)
        bedside.evaluate(OTHER_EAR)
        watch.pots = {"lantern": at(58.0, made)}
        until(bedside, HEARD)
        assert bedside.locator("[data-alarm]").get_attribute("data-alarm") == each
        watch.pots = {"lantern": SOUND}
        until(bedside, "document.querySelectorAll('[data-alarm]').length === 0 && !sound.isWaking()")
