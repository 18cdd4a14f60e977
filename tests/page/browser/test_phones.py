"""A phone notified with the page closed: subscribing, notification, acknowledging; in a real browser.

Without a network there is no push service; messages are delivered by the browser's debugging protocol.
"""

import json
import re
import sqlite3
import time

import pytest
from playwright.sync_api import expect

from page.browser.fake_watch import BELOW_FLOOR, FakeWatch, seen, until
from page.browser.test_offline import READY
from page.browser.test_views import assert_axe_finds_nothing
from page.browser.watched import PHONE
from patience import wait_in
from potvigil.notifying.status import Status, write
from potvigil.notifying.subscriptions import subscriptions
from potvigil.paths import usual_status
from push_service import Phone, text

MESSAGE = {
    "title": "Top up now if the resin is still liquid",
    "body": "lantern: 41.2 psi: below the floor of 45.0 psi.",
    "tag": "lantern below-floor",
    "pot": "lantern",
    "alarm": "below-floor",
    "urgent": True,
}
# Records the notifications the service worker asks for; a headless browser may not show them.
RECORD_SHOWN = """(() => {
  self.shown = [];
  const show = registration.showNotification.bind(registration);
  registration.showNotification = (title, options) => {
    self.shown.push({ title, ...options });
    return show(title, options);
  };
})()"""
CLICK = """async ([message, action]) => {
  const event = new Event("notificationclick");
  let done;
  const notification = { data: message, close() {} };
  Object.assign(event, { action, notification, waitUntil: (work) => (done = work) });
  dispatchEvent(event);
  await done;
}"""


@pytest.fixture
def watch(watched, tmp_path):
    with FakeWatch(watched, tmp_path, {"lantern": BELOW_FLOOR}) as watch:
        yield watch


@pytest.fixture
def phone(watch, opened):
    page = opened(PHONE)
    page.context.grant_permissions(["notifications"], origin=watch.url)
    page.goto(watch.url)
    until(page, READY)
    page.context.service_workers[0].evaluate(RECORD_SHOWN)
    return page


def deliver(page, watch, content: str) -> None:
    """Deliver a push message to the page's service worker."""
    session = page.context.new_cdp_session(page)
    found = []
    session.on("ServiceWorker.workerRegistrationUpdated", lambda news: found.extend(news["registrations"]))
    session.send("ServiceWorker.enable")
    while not found:
        page.wait_for_timeout(20)
    registration = next(each for each in found if each["scopeURL"] == f"{watch.url}/")
    session.send(
        "ServiceWorker.deliverPushMessage",
        {"origin": watch.url, "registrationId": registration["registrationId"], "data": content},
    )


def last_shown(page, title: str) -> dict:
    """Wait for a notification with that title; return it."""
    worker = page.context.service_workers[0]

    def shown() -> list[dict]:
        return worker.evaluate("self.shown")

    wait_in(page, lambda: shown() and shown()[-1]["title"] == title, lambda: f"shown {shown()}")
    return shown()[-1]


def tap(page, action: str) -> None:
    """Tap the notification: send the service worker its click event."""
    page.context.service_workers[0].evaluate(CLICK, [MESSAGE, action])


def test_a_push_message_is_shown_with_what_to_do(watch, phone):
    deliver(phone, watch, json.dumps(MESSAGE))
    shown = last_shown(phone, MESSAGE["title"])
    assert (shown["body"], shown["tag"], shown["data"]) == (MESSAGE["body"], MESSAGE["tag"], MESSAGE)
    assert shown["requireInteraction"] is True
    assert [each["action"] for each in shown["actions"]] == ["acknowledge"]


def test_an_unreadable_message_is_still_shown(watch, phone):
    deliver(phone, watch, "nonsense")
    assert last_shown(phone, "Look at the pot")["actions"] == []


def test_an_alarm_is_acknowledged_from_the_notification(watch, phone):
    tap(phone, "acknowledge")  # no watch reads this record, so the command is not accepted
    shown = last_shown(phone, "Not acknowledged")
    assert "The watch did not accept it." in shown["body"] and shown["actions"]
    with sqlite3.connect(watch.record) as db:
        commands = db.execute("SELECT action, alarm, by FROM command ORDER BY id DESC LIMIT 1").fetchall()
    assert commands == [("acknowledge", "below-floor", "page")]

    watch.pots = {"lantern": seen(BELOW_FLOOR)}  # as a watch that accepts it would
    expect(phone.locator("#strip")).not_to_have_class(re.compile("unseen"))
    tap(phone, "acknowledge")
    assert last_shown(phone, "Acknowledged")["actions"] == []


def test_a_missing_connection_is_reported(watch, phone):
    watch.kill_page()
    tap(phone, "acknowledge")
    assert "No connection to the Pi." in last_shown(phone, "Not acknowledged")["body"]


def test_a_phone_subscribes_is_listed_and_removed(watch, phone):
    own = Phone()
    made = {"endpoint": "https://push.example/anna", "keys": {"p256dh": own.p256dh, "auth": text(own.auth)}}
    phone.add_init_script(
        f"""
        window.asked = [];
        PushManager.prototype.subscribe = async (options) => (
          window.asked.push(options.applicationServerKey.length), {{ toJSON: () => ({json.dumps(made)}) }}
        );
        """
    )
    phone.goto(f"{watch.url}/phones")
    expect(phone.get_by_text("No phone is notified yet.")).to_be_visible()
    phone.get_by_label("Name of this phone").fill("Anna <b>")
    phone.get_by_role("button", name="Notify this phone").click()
    expect(phone.get_by_text("This phone will be notified from now on.")).to_be_visible()
    expect(phone.locator("bdi", has_text="Anna <b>")).to_be_visible()
    assert_axe_finds_nothing(phone)
    phone.set_viewport_size({"width": 320, "height": 640})
    assert phone.evaluate("document.documentElement.scrollWidth") <= 320
    (kept,) = subscriptions(watch.record)
    assert (kept.endpoint, kept.p256dh, kept.auth) == (made["endpoint"], own.p256dh, text(own.auth))
    phone.get_by_role("button", name="Remove Anna <b>").click()
    expect(phone.get_by_text("That phone is no longer notified.")).to_be_visible()
    assert subscriptions(watch.record) == []


def test_a_phone_that_blocks_notifications_is_promised_none(watch, opened):
    page = opened(PHONE)
    page.add_init_script("Object.defineProperty(Notification, 'permission', { get: () => 'denied' })")
    page.goto(f"{watch.url}/phones")
    expect(page.locator('[data-phone="state"]')).to_contain_text("allow them in its settings")
    expect(page.get_by_role("button", name="Notify this phone")).to_be_hidden()


def test_phones_are_promised_no_message_without_a_notifier(watch, phone, watched):
    phone.goto(f"{watch.url}/phones")
    warning = phone.get_by_text("No messages are being sent")
    expect(warning).to_be_visible()
    status = usual_status(watched.live)
    status.parent.mkdir()
    write(status, Status(time.clock_gettime(time.CLOCK_BOOTTIME), {}))
    phone.reload()
    expect(warning).to_have_count(0)
