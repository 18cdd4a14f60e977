"""What an expression asks of /metrics, held against what /metrics can say."""

import re
from collections.abc import Iterator
from dataclasses import replace

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from demo_pot import HOLDING, LANTERN, alarm
from potvigil.live_reader import Live, LivePot
from potvigil.model.broker import BrokerState
from potvigil.model.events import AlarmState, Priority
from potvigil.page.metrics import exposition

# Of the query language: what the samples use of it.
_WORDS = {"by", "on", "group_left", "max", "min", "or", "time"}
_OF_SCRAPING = {"instance"}


def known() -> dict[str, dict[str, set[str]]]:
    """Return every name with its labels and the values they can have."""
    alarms = tuple(
        replace(alarm(), priority=priority, state=state) for priority in Priority for state in AlarmState
    )
    pot = LivePot(7, replace(HOLDING, alarms=alarms), ())
    live = Live("harbour-models", None, 1, 1.0, 0.0, 0.0, {"lantern": pot}, BrokerState(True, None))
    text, _ = exposition(live, False, 1.0, {"lantern": LANTERN}, "application/openmetrics-text")
    found: dict[str, dict[str, set[str]]] = {"up": {"job": {"potvigil"}}}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            for label, value in sample.labels.items():
                found.setdefault(sample.name, {}).setdefault(label, set()).add(value)
            found.setdefault(sample.name, {})
    return found


def faults(expression: str) -> Iterator[str]:
    """Yield what an expression asks for and /metrics cannot say. `$pot` stands for any value of a label."""
    there = known()
    rest = expression
    for name, braces in re.findall(r"\b(up|potvigil_\w+)(\{[^}]*\})?", expression):
        rest = rest.replace(f"{name}{braces}", " ", 1)
        if name not in there:
            yield f"there is no {name}"
            continue
        for label, sign, value in re.findall(r'(\w+)\s*(=~|=)\s*"([^"]*)"', braces):
            values = there[name].get(label, set())
            pattern = re.escape(value) if sign == "=" else ".*" if value == f"${label}" else value
            if not any(re.fullmatch(pattern, each) for each in values):
                yield f'{name} never has {label}="{value}"'
    labels = labels_of(expression)
    for group in re.findall(r"\b(?:by|on|group_left) \(([^)]*)\)", rest):
        yield from (f"no {each} to go by" for each in re.split(r",\s*", group) if each not in labels)
    rest = re.sub(r"\b(by|on|group_left) \([^)]*\)", " ", rest)
    yield from (
        f"{each!r} is not understood" for each in re.findall(r"[a-zA-Z_]\w*", rest) if each not in _WORDS
    )
    if rest.count("(") != rest.count(")"):
        yield "its brackets do not match"


def labels_of(expression: str) -> set[str]:
    """Return all labels of what an expression asks for."""
    there = known()
    names = re.findall(r"\b(?:up|potvigil_\w+)", expression)
    return _OF_SCRAPING.union(*(there.get(name, ()) for name in names))
