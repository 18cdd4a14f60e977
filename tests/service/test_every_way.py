"""From every alarm to every output that reaches a person, with the servers and pins that users have.

The path from the alarm to a browser's loudspeaker is in tests/page/browser/test_wake.py. How long each took:
tests/bench/bench_ways.py.
"""

from collections.abc import Iterator

import pytest

from house import House, opened
from potvigil.model.events import AlarmId, Priority
from potvigil.watch.alarm_rules import RULES


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with opened(tmp_path_factory.mktemp("house")) as house:
        yield house


@pytest.mark.parametrize("alarm", AlarmId)
def test_every_alarm_reaches_every_output(house: House, alarm: AlarmId) -> None:
    ways = house.ways(alarm)
    with house.raised(alarm):
        assert house.seen_and_heard() == (True, True)
        for way, has_told in ways.items():
            house.until(has_told, f"{way} did not tell of {alarm}")
        pushed = house.browser.read(house.push.taken[-1][2])
    assert (pushed["alarm"], pushed["pot"]) == (alarm.value, "lantern")
    assert pushed["urgent"] is (RULES[alarm].priority is Priority.HIGH)
