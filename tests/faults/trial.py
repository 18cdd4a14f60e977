"""One trial: a night on which things break, are repaired, and perhaps a leak starts; and its result."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from faults.catalogue import Broken, Spell, Trouble, night_of
from potvigil.model.events import AlarmId, Stage
from potvigil.model.reading import Quality
from rehearsal import Raised, raised

POT = "lantern"
AT_S = 5400.0  # the fill has cooled
LEAK_PSI_PER_H = 3.0
LEAK_ALARMS = frozenset({AlarmId.LEAK, AlarmId.FLOOR_AHEAD, AlarmId.BELOW_FLOOR, AlarmId.RAPID_LOSS})
TEN_MINUTES_S = 600.0  # EEMUA 191: one alarm in ten minutes is what an operator can handle


@dataclass(frozen=True)
class Outcome:
    """Alarms raised, in seconds of the night; one_batch: the hold was neither ended nor split.

    good_again_s: first good reading after the last spell, None where there was none.
    """

    raised: list[Raised]
    one_batch: bool
    good_again_s: float | None

    def first_s(self, alarms: frozenset[AlarmId], from_s: float = 0.0) -> float | None:
        """Return when the first of these alarms was raised."""
        return min(
            (each.t_s for each in self.raised if each.alarm in alarms and each.t_s >= from_s), default=None
        )

    def closest_s(self) -> float:
        """Return the shortest time between two alarms of the same kind."""
        times: dict[AlarmId, list[float]] = {}
        for each in self.raised:
            times.setdefault(each.alarm, []).append(each.t_s)
        return min(
            (late - early for one in times.values() for early, late in pairwise(one)),
            default=float("inf"),
        )


def run(
    troubles: Sequence[Trouble],
    folder: Path,
    *,
    lasts_s: float | None = None,
    leak_at_s: float | None = None,
    until_s: float,
    seed: int = 0,
    sample_period_s: float = 10.0,
) -> Outcome:
    """Let all troubles begin at AT_S and last as they do, or lasts_s; times in seconds of the night."""
    spells = [Spell(each, AT_S, AT_S + (lasts_s or each.lasts_s)) for each in troubles]
    night = night_of(troubles[0].night, LEAK_PSI_PER_H if leak_at_s else 0.0, leak_at_s or 0.0)
    bench = Broken(night, folder, spells, seed=seed, sample_period_s=sample_period_s)
    bench.begin()
    mended_s = max(spell.until_s for spell in spells)
    bench.run_until(min(mended_s, until_s))
    good_again_s = None
    if until_s > mended_s:
        watch = bench.service.watches[POT]
        while good_again_s is None and bench.now_s < until_s:
            bench.run_until(bench.now_s + sample_period_s)
            if watch.snapshot().reading.quality is Quality.GOOD:
                good_again_s = bench.now_s
        bench.run_until(until_s)
    watch = bench.service.watches[POT]
    one_batch = bench.service.batch_ids[POT] == 1 and watch.stage in (Stage.SETTLING, Stage.HOLDING)
    outcome = Outcome(raised(bench.events), one_batch, good_again_s)
    bench.service.stop()
    return outcome
