"""Every named night gets the alarms and verdict of its truth, through the real drivers."""

from itertools import pairwise

import pytest

from golden_log import FOLDER, golden_file, log_of
from potvigil.model.events import BatchSummary, Verdict
from potvigil.sim.nights import NIGHTS
from potvigil.sim.world import Truth
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR
from rehearsal import Bench, Raised, raised, rehearse, texts

# An operator can take one alarm in ten minutes (EEMUA 191).
LEAST_APART_S = 600.0
PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR


# One test per night, because a night takes seconds; all its faults are reported at once.
@pytest.mark.parametrize("name", NIGHTS)
def test_each_night_gets_the_alarms_and_verdict_of_its_truth(name, tmp_path):
    bench = rehearse(NIGHTS[name], tmp_path)
    truth, came = NIGHTS[name].truth, raised(bench.events)
    assert bench.events
    wrong = [*wrong_judgement(truth, bench.summary, came), *too_nervous(came), *wrong_words(texts(bench))]
    wrong += wrong_rate(truth, bench)
    assert not wrong, "\n".join([name, *wrong, *(f"{one.t_s:.0f} s {one.alarm}: {one.text}" for one in came)])
    assert log_of(bench) == golden_file(name).read_text(encoding="utf-8"), "see golden_log.py"


def test_every_golden_log_is_of_a_night():
    assert {file.stem for file in FOLDER.iterdir()} == set(NIGHTS)


def wrong_judgement(truth: Truth, summary: BatchSummary, came: list[Raised]) -> list[str]:
    alarms = {one.alarm.value for one in came}
    wrong = [f"{alarm} never came" for alarm in sorted(truth.alarms - alarms)]
    wrong += [f"{alarm} came" for alarm in sorted(truth.never_alarms & alarms)]
    if summary.verdict != truth.verdict:
        wrong.append(f"judged {summary.verdict}, and it was {truth.verdict}: {summary.reason}")
    return wrong


def too_nervous(came: list[Raised]) -> list[str]:
    return [
        f"{before.alarm} came at {before.t_s:.0f} s and again at {after.t_s:.0f} s"
        for alarm in {one.alarm for one in came}
        for before, after in pairwise([one for one in came if one.alarm is alarm])
        if after.t_s - before.t_s < LEAST_APART_S
    ]


def wrong_words(told: list[str]) -> list[str]:
    return [text for text in told if "safe" in text.lower()]


def wrong_rate(truth: Truth, bench: Bench) -> list[str]:
    """The simulated pot knows its loss at the time of the last estimate."""
    leak = bench.summary.leak
    if leak is None or not leak.established:
        return ["no leak was established"] if truth.verdict == Verdict.LEAKED else []
    said, true = leak.rate_pa_per_s, bench.true_rate_at(leak.t_s)
    if true > 0.0 and said.low <= true <= said.high:
        return []
    low, high, true = said.low / PSI_PER_H, said.high / PSI_PER_H, true / PSI_PER_H
    return [f"lost {true:.2f} psi/h at {leak.t_s:.0f} s, said {low:.2f} to {high:.2f}"]


def test_a_night_at_full_rate_gets_the_same_verdict_as_at_a_fifth(tmp_path):
    night = NIGHTS["lost-before-gel"]
    full, fifth = (rehearse(night, tmp_path / str(period), sample_period_s=period) for period in (1.0, 5.0))
    assert full.summary.verdict == fifth.summary.verdict == Verdict.FELL_BELOW_FLOOR
    assert [one.alarm for one in raised(full.events)] == [one.alarm for one in raised(fifth.events)]
    assert wrong_rate(night.truth, full) == []
