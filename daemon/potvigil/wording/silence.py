"""Words for a watch that has fallen silent."""

from datetime import UTC, datetime, tzinfo

LOOK_AT_THE_GAUGE = "Read the pot's own gauge."
LOOK_AND_SEE = "Read the pot's own gauge, then check that the watch is running"
_DAY_S = 18 * 3600.0


def nobody_watches(since: str | None) -> str:
    """Return that nobody is watching. since: when the watch was last heard, in words; None where unknown."""
    return f"No word from the watch{f' since {since}' if since else ''}: the pots are not being monitored."


def says_nothing(heard_utc_s: float | None, utc_s: float | None, tz: tzinfo | None) -> str:
    """Return that nobody is watching, since when by the wall clock; tz: None for the machine's own zone."""
    if heard_utc_s is None:
        return nobody_watches(None)
    heard = datetime.fromtimestamp(heard_utc_s, UTC).astimezone(tz)
    is_near = utc_s is not None and 0.0 <= utc_s - heard_utc_s <= _DAY_S
    return nobody_watches(f"{heard:%H:%M}" if is_near else f"{heard:%H:%M} on {heard.day} {heard:%B}")
