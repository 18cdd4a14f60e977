"""The sample rules and dashboard use only metrics and labels that exist."""

import json
import re
from pathlib import Path

import pytest
import yaml

from metrics_asked import faults, known, labels_of
from potvigil.settings.network import PageSettings

CONFIG = Path(__file__).parents[2] / "config"
RULES = [
    rule
    for group in yaml.safe_load((CONFIG / "metrics/rules.yaml").read_text(encoding="utf-8"))["groups"]
    for rule in group["rules"]
]
DASHBOARD = json.loads((CONFIG / "studio/dashboard.json").read_text(encoding="utf-8"))
TARGETS = [(panel["title"], target) for panel in DASHBOARD["panels"] for target in panel["targets"]]
VARIABLES = {each["name"]: each for each in DASHBOARD["templating"]["list"]}


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.get("alert") or rule["record"])
def test_rules_use_existing_metrics(rule) -> None:
    assert list(faults(rule["expr"])) == []
    assert set(re.findall(r"\$labels\.(\w+)", str(rule))) <= labels_of(rule["expr"])


@pytest.mark.parametrize(("title", "target"), TARGETS)
def test_panels_use_existing_metrics_of_the_selected_pots(title, target) -> None:
    expression = target["expr"]
    assert list(faults(expression)) == []
    assert set(re.findall(r"\{\{(\w+)\}\}", target["legendFormat"])) <= labels_of(expression)
    assert set(re.findall(r"\$(\w+)", expression)) <= VARIABLES.keys()
    assert ('pot=~"$pot"' in expression) is ("pot" in labels_of(expression))


@pytest.mark.parametrize("name", ["workshop", "pot"])
def test_dashboard_variables_are_existing_labels(name) -> None:
    metric, label = re.fullmatch(r"label_values\((\w+), (\w+)\)", VARIABLES[name]["definition"]).groups()
    assert label == name and label in known()[metric]
    assert VARIABLES[name]["query"]["query"] == VARIABLES[name]["definition"]


def test_the_dashboard_shows_pressure_forecast_alarms_and_age_by_workshop_and_pot() -> None:
    expression = " ".join(target["expr"] for _, target in TARGETS)
    for name in (
        "gauge_pressure_pascals",
        "floor_forecast_timestamp_seconds",
        "alarm_standing",
        "watch_age_seconds",
    ):
        assert f"potvigil_{name}" in expression
    assert all("group_left (workshop)" in target["expr"] for title, target in TARGETS if title != "Watches")
    ids = [panel["id"] for panel in DASHBOARD["panels"]]
    assert len(set(ids)) == len(ids)
    assert {panel["datasource"]["uid"] for panel in DASHBOARD["panels"]} == {"${source}"}


@pytest.mark.parametrize(
    ("expression", "fault"),
    [
        ("potvigil_guage_pressure_pascals", "there is no potvigil_guage_pressure_pascals"),
        ('potvigil_alarm_standing{state="new"}', 'potvigil_alarm_standing never has state="new"'),
        ('potvigil_watch_up{pot=~"$pot"}', 'potvigil_watch_up never has pot="$pot"'),
        ("max by (place) (potvigil_watch_up)", "no place to go by"),
        ("rise(potvigil_watch_up)", "'rise' is not understood"),
        ("(potvigil_watch_up", "its brackets do not match"),
    ],
)
def test_the_check_notices_a_missing_metric(expression, fault) -> None:
    assert list(faults(expression)) == [fault]


def scraped(text: str) -> dict:
    (job,) = yaml.safe_load(text)["scrape_configs"]
    return job


def in_the_guide() -> str:
    guide = (CONFIG / "studio.md").read_text(encoding="utf-8")
    return re.search(r"^    scrape_configs:\n(?:    .*\n)+", guide, re.MULTILINE)[0]


@pytest.mark.parametrize(
    "text", [(CONFIG / "metrics/scrape.yaml").read_text(encoding="utf-8"), in_the_guide()]
)
def test_sample_configurations_use_the_pages_address(text) -> None:
    job = scraped(text)
    assert {target.rpartition(":")[2] for target in job["static_configs"][0]["targets"]} == {
        str(PageSettings.model_validate({}).port)
    }
    assert job["job_name"] in known()["up"]["job"]


def test_the_studio_guide_scrapes_with_password_and_authority() -> None:
    job = scraped(in_the_guide())
    assert job["scheme"] == "https" and job["tls_config"].keys() == {"ca_file"}
    assert job["basic_auth"].keys() == {"username", "password_file"} and "metrics_path" not in job
