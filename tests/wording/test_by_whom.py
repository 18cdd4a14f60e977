"""By whom an alarm was acknowledged, as a person reads it, and what may stand for a name."""

from dataclasses import replace

import pytest

from potvigil.model import who
from potvigil.model.events import AlarmId, AlarmState, Priority, StandingAlarm
from potvigil.wording.quantities import alarm_state

ALARM = StandingAlarm(AlarmId.LEAK, Priority.LOW, AlarmState.ACKNOWLEDGED, 0.0, None, "Why.")
DOORS = [who.PAGE, who.BUTTON, who.COMMAND_LINE, who.MQTT]


@pytest.mark.parametrize(
    ("by_whom", "said"),
    [
        ("front-desk", "acknowledged by front-desk"),
        ("Jörg M.", "acknowledged by Jörg M."),
        ("a\u202eb", "acknowledged by a\ufffdb"),  # a mark that turns the line round
        (who.PAGE, "acknowledged on its page"),
        (who.BUTTON, "acknowledged at the button"),
        (who.COMMAND_LINE, "acknowledged on the command line"),
        (who.MQTT, "acknowledged over MQTT"),
        ("", "acknowledged"),  # in records of earlier versions
    ],
)
def test_the_words_say_who_acknowledged(by_whom: str, said: str) -> None:
    assert alarm_state(replace(ALARM, by_whom=by_whom), None) == said


def test_acknowledging_a_returned_alarm_says_both() -> None:
    over = replace(ALARM, state=AlarmState.NORMAL, by_whom="front-desk")
    assert alarm_state(over, None) == "cleared, acknowledged by front-desk"
    assert alarm_state(replace(over, by_whom=""), None) == "cleared"


@pytest.mark.parametrize(
    "name", ["front-desk", "Anna", "Jörg M.", "anna@studio.example", "7", "a" * 64, "ab_"]
)
def test_a_valid_name_is_accepted(name: str) -> None:
    who.check_name(name)


@pytest.mark.parametrize(
    "name", ["", " Anna", "Anna ", "-Anna", "a" * 65, "a\nb", "a\x1b[2J", "<b>", "a,b", "a\u202eb", *DOORS]
)
def test_an_invalid_or_reserved_name_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="give") as error:
        who.check_name(name)
    assert "\n" not in str(error.value) and len(str(error.value)) < 200
