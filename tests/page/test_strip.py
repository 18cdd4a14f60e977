"""The order of pots, the strip, and figures that are held."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potvigil.page.views.held import HELD_S, Held
from potvigil.page.views.strip import by_urgency, strip


def pot(name, level="calm", *, is_new=False, old=False, left_s=None, state_words="seen"):
    """Return a pot as in /api/now, with one alarm unless it is calm."""
    alarm = {"is_new": is_new, "old": old, "left_s": left_s, "level": level, "state_words": state_words}
    return {
        "id": name,
        "level": level,
        "word": f"word of {name}",
        "do": f"do {name}",
        "alarms": [] if level == "calm" else [alarm],
    }


@pytest.mark.parametrize(
    ("pots", "order"),
    [
        ([pot("a"), pot("b", "alarm")], "ba"),
        ([pot("a", "warn"), pot("b", "unknown"), pot("c", "alarm"), pot("d", "note")], "cbad"),
        ([pot("a", "alarm"), pot("b", "alarm", is_new=True)], "ba"),  # not acknowledged
        ([pot("a", "alarm", is_new=True, old=True), pot("b", "alarm", is_new=True)], "ba"),
        ([pot("a", "alarm"), pot("b", "alarm", left_s=3600.0), pot("c", "alarm", left_s=60.0)], "cba"),
        ([pot("b"), pot("a")], "ab"),
    ],
)
def test_the_most_urgent_pot_comes_first(pots, order):
    assert "".join(each["id"] for each in by_urgency(pots)) == order


@given(st.lists(st.sampled_from(["alarm", "unknown", "warn", "note", "calm"]), max_size=6))
def test_sorting_loses_no_pot_and_the_strip_shows_the_first(levels):
    pots = by_urgency([pot(f"p{number}", level) for number, level in enumerate(levels)])
    assert len(pots) == len(levels)
    shown_strip = strip(pots, None, None, None)
    assert shown_strip["as_of"] == "clock not set"
    if pots:
        assert (shown_strip["pot"], shown_strip["level"], shown_strip["word"]) == (
            pots[0]["id"],
            pots[0]["level"],
            pots[0]["word"],
        )
    else:
        assert (shown_strip["level"], shown_strip["word"]) == ("unknown", "no pots are monitored")


def test_a_silent_watch_is_all_the_strip_shows():
    shown_strip = strip([pot("a", "unknown")], "Read the pot's own gauge", "03:30", None)
    assert (shown_strip["word"], shown_strip["do"], shown_strip["unseen"]) == (
        "no data since 03:30",
        "Read the pot's own gauge",
        False,
    )
    assert shown_strip["pot"] == ""


def test_only_changes_of_figures_are_held_back():
    held = Held()

    def trend(text, t_s):
        return held.sentences({"id": "lantern", "trend": text}, ["trend"], t_s)["trend"]

    assert trend("Falling 3.05 psi/h: air is being lost.", 0.0) == "Falling 3.05 psi/h: air is being lost."
    assert trend("Falling 3.17 psi/h: air is being lost.", HELD_S - 1.0).startswith("Falling 3.05")
    assert trend("Falling 3.17 psi/h: air is being lost.", HELD_S).startswith("Falling 3.17")
    assert trend("Steady: no air loss detected.", HELD_S + 1.0).startswith("Steady")
    assert trend("Falling 3.2 psi/h: air is being lost.", HELD_S + 2.0).startswith("Falling 3.2 ")
    assert trend("Falling 9.9 psi/h: air is being lost.", 1.0).startswith(
        "Falling 9.9"
    )  # the axis of another run
    assert trend(None, HELD_S + 3.0) is None
    assert trend("Falling 3.3 psi/h: air is being lost.", HELD_S + 4.0).startswith("Falling 3.3")


@given(st.lists(st.floats(-0.07, 0.07), min_size=2, max_size=30))
def test_noise_at_a_rounding_limit_does_not_flicker(noise):
    held = Held()
    shown = {held.pressure_pa("lantern", 55.05 + each, 0.1) for each in noise}
    assert len(shown) <= 2  # it settles on one of the two and goes over once at most
    changes = [held.pressure_pa("lantern", 55.05 + each, 0.1) for each in (0.02, -0.02) * 10]
    assert len(set(changes)) == 1


@given(st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_the_shown_pressure_is_never_off_by_a_whole_step(first, second):
    held = Held()
    held.pressure_pa("lantern", first, 0.1)
    assert abs(held.pressure_pa("lantern", second, 0.1) - second) < 0.1


@pytest.mark.parametrize(
    ("others", "state"),
    [
        ([], "not acknowledged"),
        (["note", "calm"], "not acknowledged"),
        (["warn"], "not acknowledged; 1 more pot needs attention"),
        (["unknown", "note"], "not acknowledged; 1 more pot needs attention"),
        (["alarm", "unknown", "warn", "calm"], "not acknowledged; 3 more pots need attention"),
    ],
)
def test_the_strip_counts_the_other_pots_that_need_attention(others, state):
    worst = pot("a b/c", "alarm", is_new=True, state_words="not acknowledged")
    shown_strip = strip(
        [worst, *(pot(f"p{n}", each) for n, each in enumerate(others))],
        None,
        None,
        datetime(2026, 1, 1, 22, 0, 5, tzinfo=UTC),
    )
    assert shown_strip == {
        "as_of": "Thu 22:00:05",
        "href": "/pot/a%20b%2Fc",
        "pot": "a b/c",
        "do": "do a b/c",
        "state": state,
        "unseen": True,
        "level": "alarm",
        "sign": "■",
        "word": "word of a b/c",
    }


def test_the_strip_tells_the_state_of_the_alarm_that_gives_the_level():
    worst = pot("a", "warn", state_words="acknowledged", is_new=True, old=True)
    note = {"is_new": False, "old": False, "left_s": None, "level": "note", "state_words": "returned"}
    worst |= {"alarms": [note, *worst["alarms"]], "do": None, "href": "/elsewhere"}
    shown_strip = strip([worst], None, None, None)
    assert (shown_strip["state"], shown_strip["do"], shown_strip["href"]) == (
        "acknowledged",
        "",
        "/elsewhere",
    )
    assert shown_strip["unseen"] is False  # as last known: a watch that is silent cannot be acknowledged
    calm = strip([pot("a")], None, None, None)
    assert (calm["state"], calm["unseen"], calm["sign"]) == ("", False, "●")


def test_a_strip_without_a_pot_leads_to_the_start():
    silent, none = strip([pot("a")], "Look", None, None), strip([], None, None, None)
    assert (silent["href"], silent["pot"], silent["state"]) == ("/", "", "not being monitored")
    assert (silent["word"], silent["level"], silent["sign"]) == ("no data", "unknown", "○")
    assert (none["href"], none["pot"], none["do"], none["state"]) == ("/", "", "", "")


def test_a_figure_is_held_for_twenty_seconds():
    held = Held()

    def trend(text, t_s, pot_id="lantern"):
        return held.sentences({"id": pot_id, "trend": text}, ["trend"], t_s)["trend"]

    assert trend("Falling 3 psi/h", 100.0) == "Falling 3 psi/h"
    assert trend("Falling 4 psi/h", 100.0) == trend("Falling 5 psi/h", 119.9) == "Falling 3 psi/h"
    assert trend("Falling 6 psi/h", 119.9, "mast") == "Falling 6 psi/h"  # a pot of its own
    assert trend("Falling 7 psi/h", 120.0) == "Falling 7 psi/h"
    assert trend("Falling 8 psi/h", 119.5) == "Falling 8 psi/h"  # the axis of another run


@pytest.mark.parametrize(("pa", "shown_pa"), [(55.04, 55.0), (55.079, 55.0), (55.081, 55.1), (54.919, 54.9)])
def test_a_pressure_moves_once_it_is_off_by_four_fifths_of_a_step(pa, shown_pa):
    held = Held()
    assert held.pressure_pa("lantern", 55.02, 0.1) == pytest.approx(55.0)
    assert held.pressure_pa("mast", 90.0, 0.1) == pytest.approx(90.0)
    assert held.pressure_pa("lantern", pa, 0.1) == pytest.approx(shown_pa)
