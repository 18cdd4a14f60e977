"""The strip at the top of every page: the worst pot, what to do, and as of when."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import quote

from potvigil.page.views.words import SIGNS, Severity, silent_word

# An unknown state ranks above a low alarm: nobody knows what it hides.
URGENCY = (Severity.ALARM, Severity.UNKNOWN, Severity.WARN, Severity.NOTE, Severity.CALM)
_NEEDS_ATTENTION = (Severity.ALARM, Severity.UNKNOWN, Severity.WARN)


def by_urgency(pots: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the pots, the most urgent first: by level, unacknowledged, time left to act, name."""

    def urgency(pot: dict[str, Any]) -> tuple[int, bool, float, str]:
        by_s = [each["left_s"] for each in pot["alarms"] if each["left_s"] is not None]
        return (
            URGENCY.index(Severity(pot["level"])),
            not _is_unseen(pot),
            min(by_s, default=float("inf")),
            pot["id"],
        )

    return sorted(pots, key=urgency)


def strip(
    pots: Sequence[dict[str, Any]], advice: str | None, since: str | None, as_of: datetime | None
) -> dict[str, Any]:
    """Return the content of the strip.

    pots: the most urgent first. advice: what to do while the watch is silent, else None. since: when it fell
    silent. as_of: None if the clock is not set.
    """
    moment = "clock not set" if as_of is None else f"{as_of:%a %H:%M:%S}"
    result: dict[str, Any] = {"as_of": moment, "href": "/", "pot": "", "do": "", "state": "", "unseen": False}
    if advice is not None:
        level, word = Severity.UNKNOWN, silent_word(since)
        result |= {"do": advice, "state": "not being monitored"}
    elif not pots:
        level, word = Severity.UNKNOWN, "no pots are monitored"
    else:
        worst, others = pots[0], sum(Severity(each["level"]) in _NEEDS_ATTENTION for each in pots[1:])
        level, word = Severity(worst["level"]), worst["word"]
        unseen = _is_unseen(worst)
        href = worst.get("href") or f"/pot/{quote(worst['id'], safe='')}"
        result |= {"pot": worst["id"], "href": href, "do": worst["do"] or ""}
        more = f"{others} more {'pot needs' if others == 1 else 'pots need'} attention" if others else ""
        state = next((each["state_words"] for each in worst["alarms"] if each["level"] == worst["level"]), "")
        result |= {"unseen": unseen, "state": "; ".join(filter(None, (state, more)))}
    return result | {"level": level.value, "sign": SIGNS[level], "word": word}


def _is_unseen(pot: dict[str, Any]) -> bool:
    return any(each["is_new"] and not each["old"] for each in pot["alarms"])
