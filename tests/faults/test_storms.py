"""Alarm storms: two things break at once, conditions chatter, people acknowledge and shelve meanwhile.

One alarm in ten minutes per root cause is EEMUA 191's figure for an operator; states as in IEC 62682.
"""

from itertools import combinations, pairwise
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from faults.catalogue import CATALOGUE, Trouble
from faults.trial import AT_S, TEN_MINUTES_S, run
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState
from potvigil.watch.alarm_rules import OFF_DELAY_S, RULES
from potvigil.watch.alarm_states import FIRST_REPEAT_S, LAST_REPEAT_S, AlarmBook, ConditionWords

PAIRS = list(combinations(CATALOGUE, 2))
SAMPLED = Random(6).sample(PAIRS, 24)
LASTS_S = 1200.0
FLOOR, SENSOR = AlarmId.BELOW_FLOOR, AlarmId.PRESSURE_SENSOR
STEP_S = 10.0


@pytest.mark.parametrize("pair", SAMPLED, ids=lambda pair: f"{pair[0].name} and {pair[1].name}")
def test_two_faults_at_once_are_no_storm(pair: tuple[Trouble, Trouble], tmp_path) -> None:
    outcome = run(pair, tmp_path, lasts_s=LASTS_S, until_s=AT_S + LASTS_S + 900.0, seed=4)
    came = [each.alarm for each in outcome.raised]
    may = {alarm for each in pair for alarm in (*each.may, *([each.alarm] if each.alarm else []))}
    must = {each.alarm for each in pair if each.alarm is not None and each.within_s < LASTS_S}
    assert must <= set(came) <= may
    assert outcome.closest_s() >= TEN_MINUTES_S
    assert outcome.one_batch


# --- the alarm book alone, with any conditions and any commands --------------------------------------------

PHASES = st.lists(
    st.tuples(
        st.sampled_from(["true", "false", "unknown", "chatter"]),
        st.integers(1, 150),  # steps
        st.sampled_from(["", "", "acknowledge", "shelve"]),
        st.booleans(),  # is the root cause there?
    ),
    min_size=1,
    max_size=14,
)


class Play:
    """A book that is played through phases, with all that is needed to judge it afterwards."""

    def __init__(self, phases: list[tuple[str, int, str, bool]], alarm: AlarmId = FLOOR) -> None:
        self.book = AlarmBook()
        self.events: list[AlarmEvent] = []
        self.states: list[tuple[float, AlarmState]] = []
        self.shelved: list[tuple[float, float]] = []
        self.true_for_s = 0.0
        self.lost: list[float] = []
        t_s = 0.0
        for condition, steps, press, root in phases:
            if press == "acknowledge":
                self.events += self.book.acknowledge(t_s, None, None)
            elif press == "shelve":
                self.shelved.append((t_s, t_s + 900.0))
                self.events += self.book.shelve(t_s, None, alarm, 900.0)
            for step in range(steps):
                t_s += STEP_S
                is_true = condition == "true" or (condition == "chatter" and step % 2 == 0)
                told: dict[AlarmId, ConditionWords | None] = {
                    SENSOR: ConditionWords("", "root") if root else None
                }
                if condition != "unknown":
                    told[alarm] = ConditionWords("", "so") if is_true else None
                self.events += self.book.update(t_s, None, told)
                state = {each.alarm: each.state for each in self.book.standing()}.get(
                    alarm, AlarmState.NORMAL
                )
                self.states.append((t_s, state))
                hidden = root or SENSOR in self.book.true_now
                self.true_for_s = self.true_for_s + STEP_S if condition == "true" and not hidden else 0.0
                quiet = state in (AlarmState.NORMAL, AlarmState.RETURNED)
                if quiet and self.true_for_s > RULES[alarm].on_delay_s + STEP_S:
                    self.lost.append(t_s)
        self.alarm = alarm

    def of(self, alarm: AlarmId) -> list[AlarmEvent]:
        return [each for each in self.events if each.alarm is alarm]


@given(PHASES)
@settings(max_examples=120, deadline=None)
def test_no_alarm_is_lost(phases: list[tuple[str, int, str, bool]]) -> None:
    assert Play(phases).lost == []


@given(PHASES)
@settings(max_examples=120, deadline=None)
def test_never_two_alarms_in_ten_minutes_except_at_the_end_of_a_shelving(
    phases: list[tuple[str, int, str, bool]],
) -> None:
    play = Play(phases)
    ends_s = [end_s for _, end_s in play.shelved]
    raised_s = [
        each.t_s for each in play.of(FLOOR) if each.state is AlarmState.UNACKNOWLEDGED and not each.repeat
    ]
    for early_s, late_s in pairwise(raised_s):
        by_shelving = any(early_s <= end_s <= late_s for end_s in ends_s)
        assert by_shelving or late_s - early_s >= OFF_DELAY_S


@given(PHASES)
@settings(max_examples=120, deadline=None)
def test_repeats_come_after_10_20_40_60_minutes_and_only_while_unacknowledged(
    phases: list[tuple[str, int, str, bool]],
) -> None:
    last_s = wait_s = None
    for event in Play(phases).of(FLOOR):
        if event.repeat:
            assert last_s is not None and wait_s is not None, "a repeat of what is not unacknowledged"
            assert event.t_s - last_s >= wait_s
            last_s, wait_s = event.t_s, min(2.0 * wait_s, LAST_REPEAT_S)
        elif event.state is AlarmState.UNACKNOWLEDGED:
            last_s, wait_s = event.t_s, FIRST_REPEAT_S
        else:
            last_s = wait_s = None


@given(PHASES)
@settings(max_examples=120, deadline=None)
def test_every_shelving_ends_on_time(phases: list[tuple[str, int, str, bool]]) -> None:
    play = Play(phases)
    for t_s, state in play.states:
        if state is AlarmState.SHELVED:
            assert any(from_s <= t_s < end_s for from_s, end_s in play.shelved)


@given(PHASES)
@settings(max_examples=120, deadline=None)
def test_an_alarm_returned_unacknowledged_is_shown_until_acknowledged(
    phases: list[tuple[str, int, str, bool]],
) -> None:
    before = AlarmState.NORMAL
    for event in Play(phases).of(FLOOR):
        if before is AlarmState.RETURNED and event.state is AlarmState.NORMAL:
            # only acknowledging does that, and it does so at the begin of a phase, between two updates
            assert not event.repeat
        if before is AlarmState.UNACKNOWLEDGED:
            assert event.state is not AlarmState.NORMAL, "it went away and nobody had seen it"
        before = event.state
