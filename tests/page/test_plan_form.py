"""The form of a plan, field by field: what is filled in, offered, folded away, and too long."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from demo_pot import LANTERN
from potvigil.model.pot import Resin
from potvigil.page.guard import RequestRefusedError
from potvigil.page.views import plans as plan_views
from potvigil.page.views.plans import FIELDS, LONGEST, MORE_FIELDS, NIGHTS, Plans, _quoted_label
from potvigil.planning.read_request import Rig
from potvigil.planning.request import Ask
from potvigil.record.errors import RecordError

UTC_S = 1_767_304_845.5  # 2026-01-01 22:00:45.5 UTC
POT = replace(LANTERN, tz=UTC, resins={"quick": Resin(3600.0), "clear": Resin(7200.0)})
RIGS = {"lantern": Rig(POT, "clear"), "mast": Rig(replace(POT, pot_id="mast", resins={"slow": Resin(9e3)}))}


class Ground:
    """The ground of a page: it keeps what is rendered. settings: of the last run, None without one."""

    def __init__(self, settings: str | None = "of the run", own: str | None = "its own") -> None:
        self.config = SimpleNamespace(record=Path("nowhere/record.db"), settings=own, rigs_of=self.rigs_of)
        self._settings = settings

    def rigs_of(self, settings: str):
        if settings == "old":
            raise ValueError
        return RIGS if settings == "of the run" else {"own": RIGS["mast"]}

    def open(self):
        if self._settings == "gone":
            raise RecordError("gone")
        run = None if self._settings is None else SimpleNamespace(settings_json=self._settings)
        store = SimpleNamespace(last_run=lambda: run)
        return _Opened(store)

    def render(self, _request, template, here, title, code, **context):
        return SimpleNamespace(code=code, names=(template, here, title), **context)


class _Opened:
    def __init__(self, store) -> None:
        self._store = store

    def __enter__(self):
        return self._store

    def __exit__(self, *_) -> None:
        pass


@pytest.fixture(autouse=True)
def clock(monkeypatch):
    monkeypatch.setattr(plan_views.time, "time", lambda: UTC_S)


def page(asked=None, ground=None):
    """Return what is rendered for a question, and how it was understood."""
    plans = Plans(ground or Ground())
    request = SimpleNamespace(query_params=asked or {})
    made = plans._planned(request)
    return plans._page(request, made), made


def field_of(shown, name):
    (found,) = (each for each in shown.first + shown.more if each["name"] == name)
    return found


def test_every_field_has_its_place_label_and_kind() -> None:
    shown, made = page()
    assert (shown.code, shown.names) == (200, ("plan.html", "plan", "Plan a pour"))
    assert [each["name"] for each in shown.first] == ["pot", *FIELDS]
    assert [each["name"] for each in shown.more] == list(MORE_FIELDS)
    assert {*FIELDS, *MORE_FIELDS} == set(Ask)
    for ask, (label, hint) in (FIELDS | MORE_FIELDS).items():
        each = field_of(shown, ask)
        assert (each["label"], each["hint"], each["value"], each["fault"]) == (label, hint, "", "")
        assert each["kind"] == ("time" if ask in (Ask.START, Ask.UNTIL) else "text")
        assert (each["options"] is not None) is (ask in (Ask.RESIN, Ask.NIGHT))
    assert field_of(shown, "pot")["options"] == {"lantern": "lantern", "mast": "mast"}
    assert field_of(shown, "resin")["options"] == {
        "": "the pot's usual one, clear",
        "clear": "clear",
        "quick": "quick",
    }
    assert field_of(shown, "night")["options"] is NIGHTS
    assert (made.pot_id, made.start, shown.printed) == (
        *("lantern", "22:00"),
        "/plan/checklist?pot=lantern&start=22%3A00",
    )
    assert shown.sheet is made.sheet is not None and shown.more_given is False


def test_the_pot_asked_for_has_resins_of_its_own() -> None:
    shown, made = page({"pot": "mast"})
    assert (made.pot_id, field_of(shown, "pot")["value"]) == ("mast", "mast")
    assert field_of(shown, "resin")["options"] == {"": "the pot's usual one", "slow": "slow"}
    unknown, made = page({"pot": "nobody" * 20})
    assert (unknown.code, made.pot_id, made.sheet) == (422, "", None)
    fault = field_of(unknown, "pot")["fault"]
    assert fault == f"'{('nobody' * 20)[:60]}' is not a pot in the settings; choose one."
    assert "quick" in field_of(unknown, "resin")["options"]  # those of the first pot


def test_a_coldest_night_means_down_to_it_unless_said_otherwise() -> None:
    assert field_of(page({"night-low": "12 C"})[0], "night")["value"] == "down"
    assert field_of(page({"night-low": "12 C", "night": "steady"})[0], "night")["value"] == "steady"
    assert field_of(page({"night": "steady"})[0], "night")["value"] == "steady"


def test_a_start_that_was_given_stays() -> None:
    shown, made = page({"start": "  23:15 ", "until": " "})
    assert made.given == {Ask.START: "23:15"} and field_of(shown, "start")["value"] == "23:15"
    assert shown.printed == "/plan/checklist?pot=lantern&start=23%3A15"


@pytest.mark.parametrize(("length", "is_long"), [(60, False), (61, True)])
def test_a_field_is_at_most_sixty_characters_long(length, is_long) -> None:
    shown, made = page({"stand": "x" * length})
    fault = field_of(shown, "stand")["fault"]
    assert ("is longer than 60 characters; write less".capitalize() + "." == fault) is is_long
    assert fault and made.sheet is None and (made.pot_id, shown.code) == ("lantern", 422)
    assert field_of(shown, "stand")["value"] == "x" * 60 and shown.longest == LONGEST == 60
    assert shown.more_given is True


def test_every_fault_names_the_fields_as_the_page_does() -> None:
    shown, made = page({"room": "18", "night-low": "12 C", "mass": "250 g"})
    assert set(made.faults) >= {"room"} and made.sheet is None and made.start == ""
    assert field_of(shown, "mass")["fault"] == "" and shown.more_given is False
    assert _quoted_label(Ask.ROOM) == '"Room now"' and _quoted_label(Ask.TANK) == '"Compressor\'s tank now"'


@pytest.mark.parametrize(
    ("settings", "own", "pots"),
    [
        ("of the run", "its own", ["lantern", "mast"]),
        ("of the run", None, ["lantern", "mast"]),
        (None, "its own", ["own"]),
        ("old", "its own", ["own"]),
        ("gone", "its own", ["own"]),
        (None, None, None),
        ("old", None, None),
    ],
)
def test_the_pots_are_those_of_the_last_run_else_the_pages_own(settings, own, pots) -> None:
    plans = Plans(Ground(settings, own))
    if pots is None:
        with pytest.raises(RequestRefusedError) as error:
            plans._rigs()
        assert error.value.status == 503
    else:
        assert list(plans._rigs()) == pots


def test_the_plan_counts_from_this_minute(monkeypatch) -> None:
    asked = []

    def planned(_given, _rig, now, so_far, _called):
        asked.append(now)
        return object()

    monkeypatch.setattr(plan_views, "planned", planned)
    page()
    assert asked == [datetime(2026, 1, 1, 22, 0, tzinfo=UTC)]
