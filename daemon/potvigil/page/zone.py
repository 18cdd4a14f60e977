"""The time zone of all times on the page, by a name that browsers know too."""

import os
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

_LOCALTIME = Path("/etc/localtime")  # a symlink to the machine's zone, see localtime(5)


def zone_name(tz: tzinfo | None, utc_s: float) -> str:
    """Return a zone's name, or its offset at utc_s if it has none. tz: None for the machine's own."""
    if tz is not None:
        return str(tz)
    linked = str(_LOCALTIME.readlink()) if _LOCALTIME.is_symlink() else ""
    for name in (os.environ.get("TZ", "").lstrip(":"), linked.rpartition("zoneinfo/")[2]):
        if _is_zone(name):
            return name
    return _offset(utc_s, tz)


def zone_words(tz: tzinfo | None, utc_s: float) -> str:
    """Return the zone for a person: Europe/London, UTC+01:00."""
    name = zone_name(tz, utc_s)
    offset = f"UTC{_offset(utc_s, tz)}"
    return offset if name in ("UTC", offset.removeprefix("UTC")) else f"{name}, {offset}"


def _offset(utc_s: float, tz: tzinfo | None) -> str:
    return datetime.fromtimestamp(utc_s, UTC).astimezone(tz).isoformat()[-6:]


def _is_zone(name: str) -> bool:
    try:
        return bool(name) and ZoneInfo(name) is not None
    except (OSError, ValueError, KeyError):
        return False
