"""Every route, with valid and invalid input, answers without a 500."""

import re
import string
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.routing import Route

from paged import SAME, token_of
from potvigil.model.events import AlarmId, Detail
from potvigil.planning.request import Ask

ROUTES = {
    "GET": [
        *("/", "/pot/{text}", "/pot/{text}/health", "/batches", "/batch/{number}", "/batch/{text}", "/login"),
        *(
            "/api/now",
            "/api/push",
            "/api/curve",
            "/static/{text}",
            "/{text}",
            "/batch/{number}/report",
            "/batch/{number}/report/sheet",
            "/batch/{number}/picture/{text}",
            "/api/{text}",
        ),
        *("/plan", "/plan/checklist", "/phones", "/worker.js", "/authority.crt", "/pot/{text}/health/sheet"),
        "/metrics",
    ],
    "POST": [
        *(
            "/pot/{text}/acknowledge",
            "/pot/{text}/shelve",
            "/pot/{text}/unshelve",
            "/pot/{text}/open",
            "/pot/{text}/close",
        ),
        *("/batch/{number}/edit", "/batch/{number}/picture", "/login", "/logout", "/{text}"),
        *("/phones/subscribe", "/phones/remove", "/phones/test"),
    ],
}
KEYS = [
    *(
        "pot",
        "batch",
        "from",
        "to",
        "points",
        "verdict",
        "since",
        "until",
        "find",
        "alarm",
        "page",
        "said",
        "v",
    ),
    *("minutes", "password", "csrf", "nonsense"),
    *(field.value for field in Detail),
    *(ask.value for ask in Ask),
]
TELLING = [
    *(
        "lantern",
        "nobody",
        "",
        "0",
        "1",
        "2",
        "-1",
        "99999999999999999999",
        "1e308",
        "-1e308",
        "nan",
        "inf",
        "1_0",
        "٣",
    ),
    *(
        "2026-01-02",
        "0001-01-01",
        "9999-12-31",
        "2026-13-45",
        "held",
        "open",
        "leaked",
        "all",
        "21:40",
        "250 g",
    ),
    *(
        "acknowledged",
        "..",
        "../..",
        "%00",
        "\x00",
        "\x1b[31m",
        "<b>",
        "{{7*7}}",
        "' OR 1=1 --",
        "‮",
        "\ud800",
    ),
    *(alarm.value for alarm in AlarmId),
    "x" * 3000,
]
# what a browser can put into a URL: no lone surrogates
text = st.sampled_from(TELLING) | st.text(max_size=30) | st.text(string.printable, max_size=10)
numbers = st.sampled_from(["0", "1", "2", "77", "2147483648", "9" * 30]) | st.integers(0, 10**12).map(str)
fields = st.dictionaries(st.sampled_from(KEYS), text, max_size=5)


def clean(value: str) -> str:
    return value.encode("utf-8", "replace").decode()


@pytest.mark.parametrize("method", ROUTES)
@given(data=st.data())
@settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_no_route_breaks(client, method, data):
    path = data.draw(st.sampled_from(ROUTES[method]))
    path = path.replace("{number}", data.draw(numbers))
    path = path.replace("{text}", quote(clean(data.draw(text)), safe="") or "-")
    if path.endswith(("/report/sheet", "/health/sheet")):
        path = path.replace("/batch/1/", "/batch/2/").replace(
            "/pot/lantern/", "/pot/nobody/"
        )  # half a minute each
    if path == "/api/events":
        return
    given_fields = {key: clean(value) for key, value in data.draw(fields).items()}
    if method == "GET":
        answer = client.get(path, params=given_fields)
    else:
        if data.draw(st.integers(0, 9)):
            given_fields["csrf"] = token_of(client.get("/").text)
        answer = client.post(path, data=given_fields, headers=SAME)
    assert answer.status_code < 500 or answer.status_code == 503, (path, given_fields, answer.text)
    assert "Traceback" not in answer.text
    assert answer.headers["x-content-type-options"] == "nosniff"
    if answer.headers.get("content-type", "").startswith("text/html"):
        assert "\x1b" not in answer.text
        assert "\x00" not in answer.text


@given(
    body=st.binary(max_size=300),
    kind=st.sampled_from(["application/x-www-form-urlencoded", "text/plain", ""]),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_body_breaks_a_form(client, body, kind):
    client.get("/")
    for path in ("/pot/lantern/acknowledge", "/batch/1/edit", "/login"):
        answer = client.post(path, content=body, headers={**SAME, "content-type": kind})
        assert answer.status_code in (403, 413, 415), answer.text


@given(
    headers=st.dictionaries(st.sampled_from(["cookie", "origin", "accept", "if-none-match", "range"]), text)
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_header_breaks_a_page(client, headers):
    # h11 accepts visible ASCII only
    sent = {key: re.sub(r"[^\x21-\x7e]", "?", value)[:200] for key, value in headers.items()}
    for path in ("/", "/static/page.css", "/api/now"):
        assert client.get(path, headers=sent).status_code < 500


@given(version=text, escaping=text)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_accept_header_breaks_the_metrics(client, version, escaping):
    version, escaping = (re.sub(r"[^\x21-\x7e]", "?", each)[:100] for each in (version, escaping))
    for kind in ("application/openmetrics-text", "text/plain"):
        accept = f"{kind};version={version};escaping={escaping},{kind};version=1.{version}"
        answer = client.get("/metrics", headers={"accept": accept})
        assert answer.status_code == 200 and "potvigil_build_info" in answer.text


def test_every_route_is_fuzzed(client):
    """A new route has to be added to ROUTES."""
    starlette = client.app._app
    fuzzed = {
        re.sub(r"\{[^}]*\}", "{}", path)
        for paths in ROUTES.values()
        for path in paths
        if path[1:] != "{text}"
    }
    known = {re.sub(r"\{[^}]*\}", "{}", route.path) for route in starlette.routes if isinstance(route, Route)}
    # the first never ends; rendering the others takes half a minute
    assert known - fuzzed == {"/api/events", "/batch/{}/report.pdf", "/pot/{}/health.pdf"}
