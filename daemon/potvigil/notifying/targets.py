"""Who is notified, and how: makes targets from the settings."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path

from potvigil.model.quiet_hours import QuietHours
from potvigil.notifying.apprise_target import AddressError, apprise_send
from potvigil.notifying.message import Send
from potvigil.notifying.schedule import Recipient
from potvigil.secret_file import SecretFileError, first_line
from potvigil.settings.notify import HeartbeatSettings, NotifySettings, TargetSettings


class TargetError(ValueError):
    """A target that cannot be used; one line that names its key and holds no secret."""


@dataclass(frozen=True, slots=True)
class Target:
    """Who is notified of what, and the function that sends it; each kind of target has its own `Send`."""

    recipient: Recipient
    send: Send


# Returns the present targets; called at each look, since phones come and go.
Targets = Callable[[], Sequence[Target]]


def open_targets(notify: NotifySettings, tz: tzinfo | None) -> tuple[Target, ...]:
    """Return the targets of the settings. Raises TargetError; ImportError where Apprise is missing."""
    return tuple(_opened(f"notify.targets[{i}]", each, tz) for i, each in enumerate(notify.targets))


def heartbeat_urls(heartbeat: HeartbeatSettings) -> tuple[str, str | None]:
    """Return the heartbeat's two addresses, the second for a failure. Raises TargetError."""
    url = _address("heartbeat", "url", heartbeat.url, heartbeat.url_file)
    if heartbeat.fail_url is None and heartbeat.fail_url_file is None:
        return url, None
    return url, _address("heartbeat", "fail_url", heartbeat.fail_url, heartbeat.fail_url_file)


def recipient_of(settings: TargetSettings, tz: tzinfo | None) -> Recipient:
    """Return who is notified of what."""
    quiet = None if settings.quiet_hours is None else QuietHours(*settings.quiet_hours, tz)
    return Recipient(settings.name, settings.told_of, quiet, settings.after.si)


def address_of(where: str, settings: TargetSettings) -> str:
    """Return the address of a target. Raises TargetError. where: the target's key, for the error."""
    return _address(where, "url", settings.url, settings.url_file)


def _opened(where: str, settings: TargetSettings, tz: tzinfo | None) -> Target:
    url = address_of(where, settings)
    try:
        send = apprise_send(url)
    except AddressError as error:
        key = "url" if settings.url_file is None else f"url_file {settings.url_file}"
        raise TargetError(f"{where}.{key}: {error}; see Apprise's list of services") from None
    return Target(recipient_of(settings, tz), send)


def _address(where: str, key: str, url: str | None, file: Path | None) -> str:
    if file is None:
        assert url is not None  # the settings require it
        return url
    try:
        found = first_line(file, "address").strip()
    except SecretFileError as error:
        raise TargetError(f"{where}.{key}_file {error}") from None
    if "://" not in found:
        raise TargetError(
            f"{where}.{key}_file {file}: its first line is not an address like ntfy://host/topic"
        )
    return found
