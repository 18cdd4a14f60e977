"""What a pot's past batches taught: the prior of its next one.

A sound batch records the pot's constants as it found them, where its contents started (a mould from the
shelf, or from the oven) and what the mould absorbed. The rate of a leak is never learnt, and a batch that
leaked, or whose readings were doubted, teaches nothing. Learnt sigmas have a lower bound, and grow a little
with every batch.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from math import hypot, sqrt

from potvigil.leak.pot_model import EACH_BATCH, Sizes, usual

LEAST_HOLD_S = 3 * 3600.0  # a shorter one teaches nothing
# A filter is overconfident: its sigma counts double, and never falls below a quarter of the usual spread of
# pots; a tenth of that is added with each batch. No pot differs from the usual by more than so many sigma.
CAUTION, FLOOR, FADE, MOST_SIGMAS = 2.0, 0.25, 0.1, 2.5
MEMORY = 12  # batches, for what varies from one to the next; the oldest fade


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one pot.

    batches: how many taught it. found: mean and 1 sigma by the names of leak/pot_model.py, LEARNT.
    """

    batches: int
    found: Mapping[str, tuple[float, float]]

    def prior(self, sizes: Sizes, *, anew: frozenset[str] = frozenset()) -> dict[str, tuple[float, float]]:
        """Return the prior of the next batch; `anew`: what was changed meanwhile and starts at the usual."""
        taught = {name: each for name, each in self.found.items() if name not in anew}
        return {**usual(sizes), **taught}

    def forgetting(self, names: Collection[str]) -> "Known":
        """Return the same without the constants of these names."""
        return Known(self.batches, {name: each for name, each in self.found.items() if name not in names})


def learn(known: Known | None, taught: Mapping[str, tuple[float, float]], sizes: Sizes) -> Known:
    """Return what is known after one more sound batch; `taught`: what its bank found by the end."""
    any_pot = usual(sizes)
    batches = 0 if known is None else known.batches
    before = any_pot if known is None else known.prior(sizes)
    found = {}
    for name, (mean, sigma) in taught.items():
        usual_mean, usual_sigma = any_pot[name]
        if name in EACH_BATCH:
            # the mean and the spread over batches; the usual pot counts as one of them
            n = min(batches, MEMORY) + 1
            was_mean, was_sigma = before[name]
            step = mean - was_mean
            mean = was_mean + step / (n + 1)
            sigma = sqrt((n * was_sigma**2 + sigma**2 + step**2 * n / (n + 1)) / (n + 1))
        else:
            sigma = hypot(CAUTION * sigma, FADE * usual_sigma)
        reach = MOST_SIGMAS * usual_sigma
        mean = min(max(mean, usual_mean - reach), usual_mean + reach)
        found[name] = mean, min(max(sigma, FLOOR * usual_sigma), usual_sigma)
    return Known(batches + 1, found)
