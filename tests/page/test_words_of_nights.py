"""The words of a pot against the core's own facts, on whole nights."""

from datetime import UTC

import pytest

from potvigil.model.events import AlarmState, Priority
from potvigil.page.views import words
from potvigil.page.views.words import Severity
from potvigil.record.rows import TraceRow
from potvigil.sim.nights import NIGHTS
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.silence import LOOK_AT_THE_GAUGE
from rehearsal import Bench


@pytest.mark.parametrize(
    "name",
    ["sound", "two-in-the-morning", "lost-before-gel", "regulated-supply", "transducer-unplugged", "top-ups"],
)
def test_the_words_of_a_night_match_the_cores_facts(name, tmp_path):
    bench = Bench(NIGHTS[name], tmp_path, sample_period_s=10.0)
    service = bench.begin()
    pot = bench.settings.core_pots()["lantern"]
    seen_words = set()
    for second in range(300, int(bench.night.duration_s), 300):
        bench.run_until(float(second))
        snapshot = service.watches["lantern"].snapshot()
        word, level = words.word(snapshot, pot)
        trend = words.trend(snapshot, pot, "psi") or ""
        ahead = words.forecast(snapshot, UTC)
        seen_words.add(word)
        pressing = [
            each
            for each in snapshot.alarms
            if each.priority is Priority.HIGH
            and each.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        ]
        assert (level is Severity.ALARM) == bool(pressing)
        if pressing:
            assert word == ALARM_WORDS[pressing[0].alarm]
        if snapshot.reading.gauge_pa is None:
            assert level in (Severity.ALARM, Severity.UNKNOWN)
            assert trend == LOOK_AT_THE_GAUGE
        lost = TraceRow.of(snapshot)
        is_losing = lost.leak_established and lost.leak_pa_per_s is not None
        assert (": air is being lost" in trend) == (is_losing and snapshot.reading.gauge_pa is not None)
        assert trend.startswith("Steady") <= (not is_losing)
        if ahead is not None:
            assert snapshot.forecast is not None and is_losing
        if word == words.CURE_DONE:
            assert snapshot.cure.progress >= 1.0
    if name == "sound":
        assert seen_words <= {"filling", "settling", "holding", words.CURE_DONE, "venting", "open, empty"}
    if name == "two-in-the-morning":
        assert "leak: floor ahead" in seen_words
    if name == "lost-before-gel":
        assert "below the floor" in seen_words
    if name == "transducer-unplugged":
        assert "pressure unknown" in seen_words
