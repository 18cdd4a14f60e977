"""A watch, rehearsed and ticking, with every output that reaches a person: real servers, mock pins."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta, timezone
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from broker import HOST, Broker, Listener
from patience import wait_until
from phones import Mailbox, Phone, mailbox, phone
from potvigil.clock import SystemClock, boot_id
from potvigil.live_reader import LiveReader
from potvigil.model.events import Action, AlarmId, AlarmState, Command, Priority
from potvigil.notifying import subscriptions
from potvigil.notifying.apprise_target import apprise_send
from potvigil.notifying.hearing import Hearing
from potvigil.notifying.keeper import Keeper, Kept, beside
from potvigil.notifying.notifier import Notifier
from potvigil.notifying.phones import Phones
from potvigil.notifying.schedule import Recipient
from potvigil.notifying.targets import Target
from potvigil.notifying.vapid import public_key
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.outputs.patterns import Lamp
from potvigil.outputs.signals import Pins, Signals, Wiring, open_pins
from potvigil.sim.nights import NIGHTS
from potvigil.watch.alarm_rules import OFF_DELAY_S
from potvigil.watch.alarm_states import ConditionWords
from push_service import Phone as Browser
from push_service import PushService, push_service, text
from rehearsal import Bench

LAMP, BUZZER = 17, 16
TICK_S = 10.0
POT = "potvigil-rehearsal/5/harbour-models-lantern"
WORDS = ConditionWords("Do this now", "So it is with this pot.")
ALL = frozenset(Priority)
# the rehearsed night is day there, so that low alarms are sent too
ELSEWHERE = timezone(timedelta(hours=12))


class House:
    """A watch and every output that reaches a person."""

    def __init__(self, folder: Path, broker: Broker, at: Phone, mail: Mailbox, push: PushService) -> None:
        self.push, self.at, self.mail, self.browser = push, at, mail, Browser()
        self.listener: Listener
        live = LiveFile(folder / "live.json", "harbour-models", "sound", 600.0)
        self.bench = Bench(
            NIGHTS["sound"],
            folder,
            sample_period_s=TICK_S,
            link=MqttLink(HOST, broker.port),
            live=live,
        )
        self.pins_s = 0.0
        self.factory = MockFactory()
        self.pins: Pins = open_pins(
            Wiring({Lamp.ALARM: LAMP}, BUZZER), TICK_S, lambda: self.pins_s, self.factory
        )
        self.pins.step = lambda: None  # type: ignore[method-assign]  # its thread leaves them to us
        self.step = Pins.step.__get__(self.pins)
        self.bench.signals = Signals(self.pins)
        self.bench.begin()
        record = self.bench.record
        public_key(record)
        address = f"{push.origin}/anna"
        subscriptions.subscribe(record, address, self.browser.p256dh, text(self.browser.auth), "Anna", 0.0)
        self.phones = Phones(record, ELSEWHERE)
        named = (
            # reopened each time: Apprise waits 5 s between two messages to one service
            Target(Recipient("Anna", ALL), lambda message: apprise_send(at.url())(message)),
            Target(Recipient("Ben", ALL), lambda message: apprise_send(mail.url())(message)),
        )
        clock = SystemClock()
        self.keeper = Keeper(record, beside(record))
        self.notifier = Notifier(
            lambda: (*named, *self.phones.targets()),
            LiveReader(folder / "live.json"),
            Hearing("harbour-models", None, clock.now().boot_s, with_rehearsals=True),
            self.keeper,
            Kept(),
            clock,
            boot_id(),
        )

    @property
    def watch(self):
        return self.bench.service.watches["lantern"]

    def tick(self, times: int = 1) -> None:
        self.bench.run_until(self.bench.now_s + TICK_S * times)
        self.notifier.look()

    def state(self, alarm: AlarmId) -> AlarmState:
        standing = {each.alarm: each.state for each in self.watch.snapshot().alarms}
        return standing.get(alarm, AlarmState.NORMAL)

    def until(self, done: Callable[[], bool], what: str) -> float:
        """Tick until that is so; return how long it took, s."""
        began_s = time.monotonic()

        def is_done() -> bool:
            self.tick()
            return done()

        wait_until(is_done, what)
        return time.monotonic() - began_s

    def seen_and_heard(self) -> tuple[bool, bool]:
        """Look at lamp and buzzer, 20 times a second for ten seconds of the watch's."""
        lit = sounds = False
        for _ in range(200):
            self.pins_s += 0.05
            self.step()
            lit |= bool(self.factory.pin(LAMP).state)
            sounds |= bool(self.factory.pin(BUZZER).state)
        return lit, sounds

    @contextmanager
    def raised(self, alarm: AlarmId) -> Iterator[None]:
        """Let that alarm stand unacknowledged, whatever the loop finds; in the end it is over and seen."""
        report = self.watch.report
        self.watch.report = lambda each, words: None if each is alarm else report(each, words)
        report(alarm, WORDS)
        self.until(lambda: self.state(alarm) is AlarmState.UNACKNOWLEDGED, f"{alarm} was not raised")
        self.pins_s = self.bench.clock.now().boot_s
        try:
            yield
        finally:
            report(alarm, None)
            acknowledge = Command(Action.ACKNOWLEDGE, 0.0, alarm)
            self.bench.store.add_commands([("lantern", acknowledge)], None)
            self.tick(round((OFF_DELAY_S + 60.0) / TICK_S))
            self.watch.report = report
            self.until(
                lambda: not self.notifier.is_busy and self.state(alarm) is AlarmState.NORMAL, "it stays"
            )

    def ways(self, alarm: AlarmId) -> dict[str, Callable[[], bool]]:
        """Return for each output but the pins whether it has announced that alarm since now."""
        phones, mails, pushes = len(self.at.titles), len(self.mail.mails), len(self.push.taken)
        stamp = "TEST: " if alarm is AlarmId.TEST else ""
        title = f"REHEARSAL: {stamp}lantern: Do this now"

        def on(topic: str, said: str) -> bool:
            heard = list(self.listener.heard)
            return any(each.topic == f"{POT}/{topic}" and said in each.payload.decode() for each in heard)

        return {
            "MQTT": lambda: on(f"$alert/{alarm}", "Do this now") and on(f"standing/{alarm}", "true"),
            "phone": lambda: self.at.titles[phones:] == [title],
            "mail": lambda: any("So it is" in each.get_content() for each in self.mail.mails[mails:]),
            "push": lambda: len(self.push.taken) > pushes,
        }

    def close(self) -> None:
        self.bench.service.stop()
        self.keeper.close()
        self.factory.close()


@contextmanager
def opened(folder: Path) -> Iterator[House]:
    """Open the house in a folder."""
    with (
        pytest.MonkeyPatch.context() as patch,
        Broker(folder / "broker") as broker,
        phone() as at,
        mailbox() as mail,
        push_service(folder) as push,
        broker.listen(f"{POT}/#") as listener,
    ):
        patch.setattr(subscriptions, "_check_endpoint", lambda endpoint: None)  # it refuses our own machine
        house = House(folder / "night", broker, at, mail, push)
        house.listener = listener
        yield house
        house.close()
