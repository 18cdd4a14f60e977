"""The settings of phone notifications, and of the heartbeat."""

from datetime import time as clock_time
from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from potvigil import units
from potvigil.model.events import Priority
from potvigil.settings.block import Block, need
from potvigil.settings.network import PageSettings
from potvigil.settings.values import HttpUrl, QuietHoursOrNone, SecretFile, Text, Url, Wait, one_of

# The default hours in which only high alarms are sent.
USUAL_NIGHT = clock_time(22), clock_time(7)
_ALL = tuple(Priority)
_MOST_TARGETS = 20


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


class TargetSettings(Block):
    """One person, notified at one address.

    url: as the library Apprise writes them; or url_file, whose first line is one. priorities: which alarms;
    None for all, or only high ones where `after` is given. quiet_hours: in which only high ones are sent.
    after: notified only of alarms unacknowledged for so long.
    """

    name: Text = need("Anna")
    url: Url | None = None
    url_file: SecretFile | None = Field(None, validate_default=True)
    after: Wait = units.TIME.read("0 s")
    priorities: Annotated[
        tuple[Annotated[Priority, one_of({each.value: each for each in Priority})], ...] | None,
        BeforeValidator(_as_list),
    ] = None
    quiet_hours: QuietHoursOrNone = USUAL_NIGHT

    @field_validator("url_file")
    @classmethod
    def _one_address(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        if "url" in info.data:  # else the url is at fault
            _one_address("url", info.data["url"], value)
        return value

    @property
    def told_of(self) -> frozenset[Priority]:
        """The priorities in force."""
        usual = (Priority.HIGH,) if self.after.si > 0.0 else _ALL
        return frozenset(usual if self.priorities is None else self.priorities)


class NotifySettings(Block):
    """Who is notified, and the page that each message links to; None for that of the page's settings."""

    targets: tuple[TargetSettings, ...] = need("[{name: Anna, url: ...}]")
    page: HttpUrl | None = None

    @field_validator("targets")
    @classmethod
    def _each_by_a_name(cls, value: tuple[TargetSettings, ...]) -> tuple[TargetSettings, ...]:
        if not 1 <= len(value) <= _MOST_TARGETS:
            raise ValueError(f"names {len(value)} targets; give 1 to {_MOST_TARGETS}")
        names = [target.name for target in value]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"has {name} twice; give each target its own name")
        return value


class HeartbeatSettings(Block):
    """Addresses fetched every minute: url while the watch is well, fail_url while silent or in alarm."""

    url: HttpUrl | None = None
    url_file: SecretFile | None = Field(None, validate_default=True)
    fail_url: HttpUrl | None = None
    fail_url_file: SecretFile | None = Field(None, validate_default=True)

    @field_validator("url_file")
    @classmethod
    def _one_address(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        if "url" in info.data:
            _one_address("url", info.data["url"], value)
        return value

    @field_validator("fail_url_file")
    @classmethod
    def _at_most_one(cls, value: Path | None, info: ValidationInfo) -> Path | None:
        if value is not None and info.data.get("fail_url") is not None:
            raise ValueError("cannot be combined with fail_url; keep one of them")
        return value


def _one_address(key: str, url: str | None, file: Path | None) -> None:
    if url is None and file is None:
        raise ValueError(f"is missing; give {key}_file, or {key}")
    if url is not None and file is not None:
        raise ValueError(f"cannot be combined with {key}; keep one of them")


def page_address(notify: NotifySettings | None, page: PageSettings) -> str | None:
    """Return where a phone finds the page, None where not configured."""
    if notify is not None and notify.page is not None:
        return notify.page
    if not page.names:
        return None
    is_encrypted = page.tls is not None
    port = "" if page.port == (443 if is_encrypted else 80) else f":{page.port}"
    return f"http{'s' if is_encrypted else ''}://{page.names[0]}{port}/"
