"""The strip at the top of every page: the worst of all pots, what to do, and of which moment that is."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import quote

from potvigil.page.views.words import SIGNS, Severity, silent_word

# What is not known comes before a low alarm: of that at least somebody knows.
URGENCY = (Severity.ALARM, Severity.UNKNOWN, Severity.WARN, Severity.NOTE, Severity.CALM)
_PRESSES = (Severity.ALARM, Severity.UNKNOWN, Severity.WARN)


def by_urgency(pots: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the pots, the most urgent first: by level, unacknowledged, soonest to act on, name."""

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
    """Return what the strip says.

    pots: the most urgent first. advice: what to do while the watch is silent, None while it speaks; since:
    when it fell silent. as_of: None where the clock is not set.
    """
    moment = "clock not set" if as_of is None else f"{as_of:%a %H:%M:%S}"
    told: dict[str, Any] = {"as_of": moment, "href": "/", "pot": "", "do": "", "state": "", "unseen": False}
    if advice is not None:
        level, word = Severity.UNKNOWN, silent_word(since)
        told |= {"do": advice, "state": "not being monitored"}
    elif not pots:
        level, word = Severity.UNKNOWN, "no pots are monitored"
    else:
        worst, others = pots[0], sum(Severity(each["level"]) in _PRESSES for each in pots[1:])
        level, word = Severity(worst["level"]), worst["word"]
        unseen = _is_unseen(worst)
        href = worst.get("href") or f"/pot/{quote(worst['id'], safe='')}"
        told |= {"pot": worst["id"], "href": href, "do": worst["do"] or ""}
        more = f"{others} more {'pot needs' if others == 1 else 'pots need'} attention" if others else ""
        said = next((each["state_words"] for each in worst["alarms"] if each["level"] == worst["level"]), "")
        told |= {"unseen": unseen, "state": "; ".join(filter(None, (said, more)))}
    return told | {"level": level.value, "sign": SIGNS[level], "word": word}


def _is_unseen(pot: dict[str, Any]) -> bool:
    return any(each["is_new"] and not each["old"] for each in pot["alarms"])
