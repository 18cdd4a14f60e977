"""The order of pots, the strip, and figures that are held."""

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
