"""The plan on the page: the same as on the command line, faults at their fields, robust to any input."""

import html
import re
from pathlib import Path
from urllib.parse import urlencode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from page.test_fuzz import TELLING
from paged import Watched, shown
from pot_season import keep_season
from potvigil.cli import main
from potvigil.page.views.plans import FIELDS, LONGEST, MORE_FIELDS
from potvigil.planning.request import Ask
from potvigil.record.store import Store
from potvigil.settings.loading import load

CONFIG = Path(__file__).parents[2] / "config"
WORKSHOP, SMALLEST = CONFIG / "workshop.yaml", CONFIG / "smallest.yaml"
USUAL = {
    "resin": "epoxy-casting", "mould": "12 x 8 x 6 cm", "stand": "3 cm", "mass": "250 g", "room": "18 C",
    "night-low": "12 C", "start": "21:10",
}  # fmt: skip
NAMES = {ask: label for ask, (label, _) in (FIELDS | MORE_FIELDS).items()}


@pytest.fixture
def paged(tmp_path):
    """Return a function that serves the page for a settings file, without a record."""
    opened = []

    def open_page(config: Path = WORKSHOP):
        night = Watched(None, tmp_path / "live.json", tmp_path / "record.db")
        page = shown(night, tmp_path / "reports", settings=load(config).as_json())
        opened.append(page)
        return page.__enter__()

    yield open_page
    for page in opened:
        page.__exit__(None, None, None)


@pytest.fixture
def client(paged):
    return paged()


def words_of(text: str) -> str:
    """Return the text of a page, whitespace collapsed."""
    without_signs = re.sub(r'<span class="sign"[^>]*>[^<]*</span>', "", text)
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", without_signs)).split())


def plan_of(text: str) -> str:
    begin = text.index("<h2 id=")
    return words_of(text[begin : text.index("</section>", begin)])


def fault_of(text: str, name: str) -> str:
    """Return the fault shown at a field, checking that it is linked to the field."""
    tag = re.search(rf'<(?:input|select) id="field-{name}"[^>]*>', text)[0]
    assert (
        'aria-invalid="true"' in tag and f"fault-{name}" in re.search(r'describedby="([^"]*)', tag)[1].split()
    )
    assert f'<a href="#field-{name}">' in text
    return words_of(
        re.search(rf'id="fault-{name}">(.*?)</span>\s*(?:<span class="hint|</div>)', text, re.DOTALL)[1]
    )


# --- the plan


@pytest.mark.parametrize(
    ("config", "said"),
    [
        (WORKSHOP, USUAL),
        (
            WORKSHOP,
            USUAL | {"resin": "polyurethane-quick", "room": "30 C", "night-low": "21 C", "until": "07:30"},
        ),
        (
            WORKSHOP,
            USUAL | {"mould": "30 x 20 x 6 cm", "tank": "100 psi", "mixing": "10 min", "mass": "9 kg"},
        ),
        (
            WORKSHOP,
            {
                "room": "10 C",
                "night": "steady",
                "start": "21:10",
                "inside": "20 x 20 cm",
                "mould": "9 x 6 cm",
            },
        ),
        (SMALLEST, {"start": "21:10"}),
    ],
)
def test_the_plan_is_word_for_word_that_of_the_command_line(paged, capsys, tmp_path, config, said):
    words = [word for name, text in said.items() for word in (f"--{name}", text)]
    Store.open(tmp_path / "none.db").close()
    main(["plan", "--config", str(config), "--record", str(tmp_path / "none.db"), *words])
    printed = capsys.readouterr().out
    printed = re.sub(r"^\s*\[ \] +\d+ |^[+~!?] |^\s*- ", " ", printed, flags=re.MULTILINE)
    for ask in sorted(Ask, key=len, reverse=True):
        printed = printed.replace(f"--{ask}", f'"{NAMES[ask]}"')
    shown_plan = plan_of(paged(config).get("/plan", params=said).text).replace("Checklist to print ", "")
    assert re.sub(r"(yes|close|no|not known) : ", r"\1 ", shown_plan) == " ".join(printed.split())


def test_every_field_of_the_plan_is_optional(client):
    answer = client.get("/plan")
    assert answer.status_code == 200
    assert "the pot's usual resin, room not given" in plan_of(answer.text)
    assert plan_of(client.get("/plan", params=dict.fromkeys(["pot", *Ask], "")).text) == plan_of(answer.text)


def test_an_answer_has_a_word_and_a_shape_not_only_colour(client):
    close = client.get(
        "/plan", params=USUAL | {"resin": "polyurethane-quick", "room": "10 C", "night-low": "9 C"}
    ).text
    late = client.get("/plan", params=USUAL | {"until": "07:30"}).text
    answers = re.findall(r'<li class="(\w+)"><b><span [^>]*>(.)</span> ([a-z ]+)<', close + late)
    assert set(answers) == {
        ("calm", "●", "yes"), ("warn", "▲", "close"), ("alarm", "■", "no"), ("unknown", "○", "not known"),
    }  # fmt: skip
    assert "This plan only just works." in words_of(close) and "As planned, this will not work." in words_of(
        late
    )
    assert "safe" not in (close + late).lower()


def test_the_plan_uses_recorded_leaks_fills_and_the_last_night(paged, tmp_path):
    keep_season(tmp_path / "record.db", load(WORKSHOP).as_json())
    plan = plan_of(paged(SMALLEST).get("/plan").text)
    assert re.search(r"the pot's last three leaked 0\.\d\d, 0\.\d\d and 0\.\d\d psi/h", plan)
    assert "last fills took 2 min, 2 min and 2 min" in plan or "took 3 min, 3 min and 3 min" in plan
    assert "room 11 °C, night like the last one, down to 11 °C" in plan
    assert "The compressor brings" in plan  # from the watch's settings, not the page's


def test_unreadable_run_settings_give_way_to_the_pages_own(paged, tmp_path):
    keep_season(tmp_path / "record.db", "{}")
    assert "Plan for pot lantern" in paged().get("/plan").text


def test_no_known_pot_is_reported(tmp_path):
    with shown(Watched(None, tmp_path / "live.json", tmp_path / "record.db"), tmp_path / "reports") as client:
        answer = client.get("/plan")
    assert answer.status_code == 503
    assert "No pot is known yet. Start the watch, or the page with --config." in answer.text


def test_planning_stores_nothing(client, tmp_path):
    client.get("/plan", params=USUAL)
    client.get("/plan/checklist", params=USUAL)
    assert not (tmp_path / "record.db").exists()


def test_each_pot_links_to_its_plan(watched, tmp_path):
    with shown(watched, tmp_path / "reports") as client:
        assert 'href="/plan?pot=lantern"' in client.get("/pot/lantern").text
        assert 'href="/plan"' in client.get("/batches").text
        assert "Plan for pot lantern" in client.get("/plan?pot=lantern").text


# --- the checklist


def test_the_checklist_is_the_same_plan_sandboxed(client):
    text = client.get("/plan", params=USUAL).text
    link = html.unescape(re.search(r'href="(/plan/checklist\?[^"]*)"', text)[1])
    answer = client.get(link)
    policy = answer.headers["content-security-policy"]
    assert "sandbox" in policy and "script-src" not in policy and "default-src 'none'" in policy
    for line in re.findall(r"<li>(.*?)</li>", text[text.index('class="steps"') :]):
        assert f"<li>{line}</li>" in answer.text
    assert answer.text.count("<li>") > 10


def test_a_default_start_stays_the_same_on_the_checklist(client):
    text = client.get("/plan").text
    start = re.search(r"mixing from (\d\d:\d\d)", text)[1]
    assert re.search(r'href="/plan/checklist\?([^"]*)"', text)[1].endswith(
        f"start={start.replace(':', '%3A')}"
    )
    assert 'name="start" type="time" value=""' in text


def test_an_impossible_checklist_returns_the_form(client):
    answer = client.get("/plan/checklist", params={"room": "18"})
    assert answer.status_code == 422 and "has no unit" in fault_of(answer.text, "room")


# --- faults


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        (
            "mould",
            "12 x 8 x 6",
            "'12 x 8 x 6' is not understood; give length x width x height, or diameter x height",
        ),
        ("mass", "250 stones", "'250 stones' has an unknown unit; give a mass in g, kg, oz or lb."),
        ("room", "180 C", "'180 C' is out of range; check number and unit."),
        ("resin", "epoxy-castin", "'epoxy-castin' is not in the list; did you mean epoxy-casting."),
        ("night", "dark", "give steady or down"),
        ("night-low", "12 C", "'12 C' needs the room's temperature now; give \"Room now\" too."),
        ("start", "25:00", "'25:00' is not a time of day; give one like 21:40."),
        ("until", "morning", "is not a time of day"),
        ("tank", "500 psi", "out of range"),
        ("mixing", "long", "'long' is not a time; give a number and its unit, s, min, h or d."),
        ("stand", "x" * 61, f"Is longer than {LONGEST} characters; write less."),
        ("pot", "nobody", "'nobody' is not a pot in the settings; choose one."),
    ],
)
def test_a_fault_is_shown_at_its_field_and_nothing_is_planned(client, name, text, said):
    answer = client.get("/plan", params={name: text})
    assert answer.status_code == 422
    assert said in fault_of(answer.text, name)
    assert answer.text.count('id="fault-') == 1
    assert "Plan for pot" not in answer.text
    if name not in ("pot", "resin", "night"):
        assert f'value="{text[:LONGEST]}"' in answer.text


def test_all_faults_are_shown_at_once_and_valid_fields_stay(client):
    answer = client.get("/plan", params=USUAL | {"room": "18", "mass": "250 stones", "loading": "long"})
    assert {name for name in USUAL | {"loading": ""} if f'id="fault-{name}"' in answer.text} == {
        "room", "mass", "loading",
    }  # fmt: skip
    assert 'value="12 x 8 x 6 cm"' in answer.text
    assert "<details open>" in answer.text


@pytest.mark.parametrize(
    "text", ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}", "\x1b[31m‮\x00"]
)
@pytest.mark.parametrize("name", ["pot", *Ask])
def test_input_is_escaped(client, name, text):
    answer = client.get("/plan", params={name: text})
    assert answer.status_code == 422
    assert "<script>alert" not in answer.text and "<img" not in answer.text and ">49" not in answer.text
    assert not re.search("[\x00\x1b‮]", answer.text)


USEFUL = [
    *(
        "12 x 8 x 6 cm",
        "9 x 6 in",
        "1 mm x 1 mm x 5 m",
        "5 x 5 m",
        "18 C",
        "-10 C",
        "50 C",
        "310 K",
        "0 F",
        "steady",
    ),
    *(
        "down",
        "00:00",
        "23:59",
        "0 psi",
        "120 psi",
        "1 bar",
        "0 s",
        "24 h",
        "1 d",
        "1e-320 g",
        "1 g",
        "1000 kg",
    ),
    *(
        "epoxy-casting",
        "polyurethane-quick",
        "epoxy-deep-pour",
        "x x x",
        "xxcm",
        "* cm",
        "1e999 cm",
        "lantern",
    ),
]


QUESTIONS = st.dictionaries(
    st.sampled_from(["pot", *Ask]), st.sampled_from(USEFUL + TELLING) | st.text(max_size=20)
)


@pytest.mark.parametrize("config", [WORKSHOP, SMALLEST])
def test_no_input_breaks_the_plan(paged, config):
    client = paged(config)

    @given(QUESTIONS)
    @settings(max_examples=200, deadline=None)
    def ask(said):
        sent = {name: text.encode("utf-8", "replace").decode() for name, text in said.items()}
        answer = client.get(f"/plan?{urlencode(sent)}")
        assert answer.status_code in (200, 422), (sent, answer.text)
        assert ("Plan for pot" in answer.text) == (answer.status_code == 200)
        result = words_of(answer.text).partition("Work it out")[2]
        assert not re.search(r"\b(None|nan|inf|Traceback)\b", result), (sent, result)

    ask()


def test_a_file_that_is_no_record_is_reported(client, tmp_path):
    (tmp_path / "record.db").write_bytes(b"not a record" * 100)
    answer = client.get("/plan", params=USUAL)
    assert answer.status_code == 503 and "Traceback" not in answer.text


def test_another_pot_has_a_plan_of_its_own(paged, tmp_path):
    two = tmp_path / "two.yaml"
    two.write_text(
        SMALLEST.read_text(encoding="utf-8").replace(
            "thermometer: {place: gas}", "thermometer: {place: none}"
        )
        + "  beacon: {internal_volume: 40 L, maximum_pressure: 80 psi, working_pressure: 60 psi, "
        "floor_pressure: 45 psi, supply: shut, cure: {hold: 10 h}, thermometer: {place: none}, "
        "transducer: {channel: 1}}\n",
        encoding="utf-8",
    )
    client = paged(two)
    assert "40 L less" in plan_of(client.get("/plan?pot=beacon").text)
    assert "20 L less" in plan_of(client.get("/plan?pot=lantern").text)
    assert '<option value="beacon" selected>' in client.get("/plan?pot=beacon").text


def test_a_record_open_elsewhere_does_not_matter(paged, tmp_path):
    keep_season(tmp_path / "record.db", load(WORKSHOP).as_json())
    with Store.open(tmp_path / "record.db"):
        assert paged().get("/plan").status_code == 200
