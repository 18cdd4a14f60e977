"""Phones that subscribed on the page are notified, and can acknowledge."""

from collections.abc import Iterator
from datetime import UTC
from pathlib import Path

import pytest

from notified_pot import SpeakingWatch, axis_s, standing
from patience import wait_until
from potvigil.clock import SystemClock, boot_id
from potvigil.live_reader import LiveReader
from potvigil.model.events import AlarmId, AlarmState
from potvigil.notifying import subscriptions
from potvigil.notifying.hearing import Hearing
from potvigil.notifying.keeper import Keeper, Kept, beside
from potvigil.notifying.notifier import Notifier
from potvigil.notifying.phones import Phones
from potvigil.notifying.vapid import public_key
from potvigil.record.store import Store
from push_service import Phone, PushService, push_service, text


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[PushService]:
    # the check refuses our own machine
    monkeypatch.setattr(subscriptions, "_check_endpoint", lambda endpoint: None)
    with push_service(tmp_path) as service:
        yield service


class House:
    """A watch, a record with phones beside it, and a notifier for only those."""

    def __init__(self, folder: Path, service: PushService) -> None:
        self.record, self.service = folder / "record.db", service
        Store.open(self.record).close()
        public_key(self.record)
        self.watch = SpeakingWatch(folder / "run")
        clock = SystemClock()
        self.phones = Phones(self.record, UTC)
        self._keeper = Keeper(self.record, beside(self.record))
        self._notifier = Notifier(
            self.phones.targets,
            LiveReader(self.watch.path),
            Hearing("harbour-models", None, clock.now().boot_s),
            self._keeper,
            Kept(),
            clock,
            boot_id(),
        )

    def subscribe(self, phone: Phone, path: str, name: str = "Anna") -> str:
        address = f"{self.service.origin}/{path}"
        made = subscriptions.subscribe(self.record, address, phone.p256dh, text(phone.auth), name, 0.0)
        return made.id

    def received(self, path: str) -> int:
        return sum(taken == f"/{path}" for taken, _, _ in self.service.taken)

    def look_until(self, *paths: str, looks: int = 0) -> None:
        """Look until each of the paths got a message, and this many times more."""

        def look() -> bool:
            self.watch.speak()
            self._notifier.look()
            return all(self.received(path) for path in paths) and not self._notifier.is_busy

        wait_until(look, lambda: f"received {[path for path, _, _ in self.service.taken]}")
        for _ in range(looks):
            wait_until(look, "it is busy")

    def close(self) -> None:
        self._keeper.close()


@pytest.fixture
def house(tmp_path: Path, service: PushService) -> Iterator[House]:
    made = House(tmp_path, service)
    yield made
    made.close()


def test_a_phone_gets_one_message_with_the_instruction_and_the_alarm_to_acknowledge(house: House) -> None:
    phone = Phone()
    house.subscribe(phone, "anna")
    house.watch.alarms = (standing(AlarmId.FLOOR_AHEAD, axis_s()),)
    house.look_until("anna", looks=5)
    ((_, headers, body),) = house.service.taken
    said = phone.read(body)
    assert (said["title"], said["body"]) == (
        "lantern: Top up to 60.0 psi",
        "The pressure will reach the floor.",
    )
    assert (said["pot"], said["alarm"], said["urgent"]) == ("lantern", "floor-ahead", True)
    assert headers["urgency"] == "high"
    house.watch.alarms = (standing(AlarmId.FLOOR_AHEAD, axis_s(), AlarmState.ACKNOWLEDGED),)
    wait_until(lambda: house.look_until() or house.received("anna") == 2, "its end did not arrive")
    assert phone.read(house.service.taken[1][2])["alarm"] is None  # nothing is left to acknowledge


def test_phones_come_and_go_and_two_of_one_name_are_separate(house: House) -> None:
    house.watch.alarms = (standing(AlarmId.FLOOR_AHEAD, axis_s()),)
    house.look_until()
    house.subscribe(Phone(), "kitchen")
    second = house.subscribe(Phone(), "bedside")
    house.look_until("kitchen", "bedside", looks=3)
    assert len(house.service.taken) == 2
    subscriptions.unsubscribe(house.record, second)
    house.watch.alarms = (*house.watch.alarms, standing(AlarmId.RAPID_LOSS, axis_s(), do="Stay clear"))
    wait_until(lambda: house.look_until() or house.received("kitchen") == 2, "the first phone got nothing")
    house.look_until(looks=3)
    assert house.received("bedside") == 1


def test_a_phone_unknown_to_its_service_is_removed(house: House) -> None:
    house.service.status = 410
    house.subscribe(Phone(), "anna")
    house.watch.alarms = (standing(AlarmId.FLOOR_AHEAD, axis_s()),)
    house.look_until("anna", looks=3)
    assert house.phones.targets() == ()
    assert len(house.service.taken) == 1
