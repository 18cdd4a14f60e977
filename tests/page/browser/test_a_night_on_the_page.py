"""A leak followed from bed in a real browser: acknowledging its alarm; then watch and page die."""

import re
import time

from playwright.sync_api import expect

from broker import Broker
from page.browser.watched import CALM_S, DESKTOP, PHONE, POT, Watched
from patience import wait_until
from potvigil.model.events import AlarmId, AlarmState, Detail

ALERT = f"potvigil-rehearsal/5/harbour-models-{POT}/$alert/floor-ahead"
NO_WATCH = re.compile("no data")


def test_a_leak_rises_to_the_alarm_and_is_acknowledged_from_the_page(tmp_path, opened):
    with (
        Broker(tmp_path / "broker") as broker,
        broker.listen("potvigil-rehearsal/#") as listener,
        Watched(tmp_path / "night", CALM_S, speed=60.0, mqtt_port=broker.port) as night,
    ):
        page = opened(PHONE)
        page.goto(night.url)
        card = page.locator(f'[data-pot="{POT}"]')
        word, pressure = card.locator('[data-show="word"]'), card.locator('[data-show="pressure"]')
        alarm = card.locator('[data-alarm="floor-ahead"]')
        expect(word).to_have_text(NO_WATCH)
        expect(pressure).to_be_hidden()

        night.go()
        expect(word).to_have_text("holding")
        before = float(pressure.inner_text().removesuffix(" psi"))
        expect(alarm).to_have_count(0)
        expect(alarm).to_be_visible()
        assert float(pressure.inner_text().removesuffix(" psi")) < before
        expect(page.locator("#told")).to_have_text(re.compile(r"floor"))  # announced to screen readers
        expect(card).to_have_class(re.compile(r"\balarm\b"))
        assert listener.wait_for(ALERT).startswith(b"REHEARSAL: high alarm, not acknowledged")

        alarm.get_by_role("button", name="Acknowledge").click()
        expect(alarm).to_contain_text(", acknowledged")
        expect(alarm.get_by_role("button", name="Acknowledge")).to_have_count(0)
        wait_until(
            lambda: listener.wait_for(ALERT).startswith(b"REHEARSAL: high alarm, acknowledged"),
            lambda: listener.wait_for(ALERT).decode(),
        )
        with night.open_record() as store:
            states = {event.alarm: event.state for _, event in store.standing_alarms()}
        assert states[AlarmId.FLOOR_AHEAD] is AlarmState.ACKNOWLEDGED

        alarm.get_by_text("Shelve for a while").click()
        alarm.get_by_role("combobox").select_option("15")
        alarm.get_by_role("button", name="Shelve").click()
        expect(alarm).to_contain_text("shelved")


def test_a_batch_is_opened_at_mixing_and_closed_by_hand(tmp_path, opened):
    with Watched(tmp_path, 30.0, speed=5.0) as night:
        night.go()
        page = opened(PHONE)
        page.goto(f"{night.url}/pot/{POT}")
        page.get_by_text("Open a batch by hand").click()
        page.get_by_label("Mass").fill("250 gallons")
        page.get_by_role("button", name="Open a batch").click()
        expect(page.get_by_role("alert").filter(has_text="250 gallons")).to_be_visible()
        expect(page.get_by_label("Mass")).to_have_value("250 gallons")  # the input is not lost
        page.get_by_label("Mass").fill("250 g")
        page.get_by_label("Label").fill("East mole")
        page.get_by_role("button", name="Open a batch").click()
        expect(page.get_by_role("heading", name="Batch 1")).to_be_visible()  # the page updates by itself
        expect(page.locator('[data-show="title"]')).to_have_text("East mole")

        page.get_by_text("Close this batch").click()
        page.get_by_role("button", name="Close batch 1 now").click()
        expect(page.get_by_role("heading", name="No batch is open")).to_be_visible()
        with night.open_record() as store:
            assert store.batch(1).details == {Detail.LABEL: "East mole", Detail.MASS: "250 g"}
            assert store.batch(1).end_t_s is not None


def test_a_dead_watch_and_a_dead_page_show_within_ten_seconds(tmp_path, opened):
    with Watched(tmp_path, CALM_S, speed=5.0) as night:
        night.go()
        phone, desktop = opened(PHONE), opened(DESKTOP)
        for page, place in ((phone, "/"), (desktop, f"/pot/{POT}")):
            page.goto(night.url + place)
            expect(page.locator('[data-show="pressure"]')).to_have_text(re.compile(r"^\d+\.\d psi$"))

        night.kill(night.watch)
        cut_s = time.monotonic()
        for page in (phone, desktop):
            expect(page.locator('[data-show="word"]')).to_have_text(re.compile(r"^no data since \d\d:\d\d"))
            assert time.monotonic() - cut_s < 10.0
            for value in ("pressure", "trend", "cure", "forecast", "corrected", "temperatures"):
                expect(page.locator(f'[data-show="{value}"]')).to_be_hidden()
            expect(page.locator("#strip")).to_contain_text("not being monitored")

        night.kill(night.page)
        cut_s = time.monotonic()
        for page in (phone, desktop):
            expect(page.locator("#strip")).to_contain_text("No contact with the watch since")
            assert time.monotonic() - cut_s < 10.0
            expect(page.locator('[data-show="word"]')).to_have_text("not known")
