"""The sample rules for a dashboard go by names and labels that there are."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
import yaml
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from demo_pot import HOLDING, LANTERN, alarm
from potvigil.live_reader import Live, LivePot
from potvigil.model.broker import BrokerState
from potvigil.model.events import AlarmState, Priority
from potvigil.page.metrics import exposed
from potvigil.settings.network import PageSettings

FOLDER = Path(__file__).parents[2] / "config" / "metrics"
RULES = [
    rule
    for group in yaml.safe_load((FOLDER / "rules.yaml").read_text(encoding="utf-8"))["groups"]
    for rule in group["rules"]
]


def known() -> dict[str, dict[str, set[str]]]:
    """Return every name with its labels and the values they can have."""
    alarms = tuple(
        replace(alarm(), priority=priority, state=state) for priority in Priority for state in AlarmState
    )
    pot = LivePot(7, replace(HOLDING, alarms=alarms), ())
    live = Live("harbour-models", None, 1, 1.0, 0.0, 0.0, {"lantern": pot}, BrokerState(True, None))
    text, _ = exposed(live, False, 1.0, {"lantern": LANTERN}, "application/openmetrics-text")
    found: dict[str, dict[str, set[str]]] = {"up": {"job": {"potvigil"}}}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            for label, value in sample.labels.items():
                found.setdefault(sample.name, {}).setdefault(label, set()).add(value)
            found.setdefault(sample.name, {})
    return found


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.get("alert") or rule["record"])
def test_a_rule_asks_for_what_there_is(rule) -> None:
    there, expression = known(), rule["expr"]
    asked = re.findall(r"\b(up|potvigil_\w+)(?:\{([^}]*)\})?", expression)
    assert asked
    for name, matchers in asked:
        assert name in there, name
        for label, value in re.findall(r'(\w+)="([^"]*)"', matchers):
            assert value in there[name][label], (name, label, value)
        for label in re.findall(r"by \(([^)]*)\)", expression):
            assert {each.strip() for each in label.split(",")} <= {"instance", *there[name]}
    for label in re.findall(r"\$labels\.(\w+)", str(rule)):
        assert label == "instance" or any(label in there[name] for name, _ in asked)


def test_the_sample_asks_the_page_where_it_is() -> None:
    (job,) = yaml.safe_load((FOLDER / "scrape.yaml").read_text(encoding="utf-8"))["scrape_configs"]
    assert {target.rpartition(":")[2] for target in job["static_configs"][0]["targets"]} == {
        str(PageSettings.model_validate({}).port)
    }
    assert job["job_name"] in known()["up"]["job"]
