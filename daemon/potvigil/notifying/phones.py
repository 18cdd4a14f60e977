"""The phones subscribed on the page, as targets: they come and go while the notifier runs."""

from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path

from potvigil.model.events import Priority
from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying.message import Notification, Send, SendError
from potvigil.notifying.push import PushError, PushMessage, send
from potvigil.notifying.schedule import Recipient
from potvigil.notifying.subscriptions import Subscription, subscriptions
from potvigil.notifying.targets import Target
from potvigil.settings.notify import USUAL_NIGHT


class Phones:
    """Notified like targets in the settings, with default priorities and quiet hours.

    record: the subscriptions are kept beside it. tz: of the quiet hours, None for the machine's own zone.
    """

    def __init__(self, record: Path, tz: tzinfo | None) -> None:
        self._record, self._quiet_hours = record, QuietHours(*USUAL_NIGHT, tz)
        self._kept: list[Subscription] = []
        self._targets: tuple[Target, ...] = ()

    def targets(self) -> Sequence[Target]:
        """Return the present targets; if the file cannot be read, the last known ones."""
        try:
            kept = subscriptions(self._record)
        except OSError:
            return self._targets
        if kept != self._kept:
            self._kept = kept
            self._targets = tuple(self._target(each) for each in kept)
        return self._targets

    def _target(self, phone: Subscription) -> Target:
        # two phones may have the same name
        name = f"{phone.name} (phone {phone.id[:4]})"
        return Target(Recipient(name, frozenset(Priority), self._quiet_hours), _sender(phone))


def _sender(phone: Subscription) -> Send:
    def push(message: Notification) -> None:
        pushed = PushMessage(message.title, message.body, message.urgent, message.pot, message.alarm)
        try:
            send(phone, pushed)
        except PushError as error:
            raise SendError(str(error)) from None

    return push
