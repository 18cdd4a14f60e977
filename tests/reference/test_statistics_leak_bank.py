"""The bank of a sound pot and the onsets beside it against linear algebra done the long way round.

With constants that are known exactly every cell is a linear Kalman filter, and the pot one joint Gaussian of
all that was ever seen of it. That Gaussian is written down here without a filter: wall, surface and core by
the matrix exponential of their equations (scipy.linalg.expm), Ornstein-Uhlenbeck s^2 exp(-|dt|/tau), Matern
3/2 s^2 (1 + a) exp(-a) with a = sqrt(3) |dt|/l (Rasmussen & Williams, Gaussian Processes for Machine Learning
(2006), eqs. 4.17 and B.28; from memory), Wiener q min(t, t'), and rank one for what dies away from a first
value. What is new in every observation is then a row of the Cholesky factor, and a leak's rate generalised
least squares, (X' C^-1 X)^-1 X' C^-1 y with variance (X' C^-1 X)^-1 (Aitken, Proc. Royal Society of Edinburgh
55 (1935) 42; from memory).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, exp, inf, sqrt

import numpy as np
import numpy.typing as npt
import pytest
from scipy.linalg import cholesky, expm, solve_triangular
from scipy.stats import binom, chi2, linregress, norm, qmc

from potvigil.leak import bank as bank_module
from potvigil.leak import cells as cells_module
from potvigil.leak import correction as correction_module
from potvigil.leak.bank import (
    AIR_WANDER_K,
    DRIFT_K,
    FAST_K,
    FILL_SURFACE_K,
    FILL_WALL_K,
    HEATING_K,
    LAW_MIDDLE,
    LAW_SIGMA,
    OFFSET_K,
    RATE_WANDER,
    ROOM_K,
    STIRRED_K,
    STIRRED_S,
    WALL_K,
    PotBank,
)
from potvigil.leak.cells import CELLS, WARM_CELLS, WARM_K, WARM_SHARE
from potvigil.leak.correction import Correction
from potvigil.leak.onsets import LossTraces, OnsetBank
from potvigil.leak.pot_model import (
    AIR,
    CONSTANTS,
    CONTENTS_PROBE_GAIN,
    CORE,
    DRIFT,
    DRIFT_S,
    EXCESS,
    FAST,
    FAST_RATE,
    FAST_S,
    GAS_OFFSET,
    GAS_PROBE_LAG_S,
    HEATING,
    HEATING_S,
    LEFT_BEHIND,
    LN_CORE_SURFACE,
    LN_EXCESS,
    LN_FASTEST,
    LN_ROOM_WALL,
    LN_SURFACE_CORE,
    LN_SURFACE_WALL,
    LN_WALL_SURFACE,
    MOULD_SIGMA_K,
    OFFSET_S,
    PROBE_SIGMA,
    RATE,
    ROOM,
    SIZE,
    START_CORE,
    START_SURFACE,
    SURFACE,
    UNKNOWN_K,
    UPTAKE,
    UPTAKE_S,
    WALL,
    WALL_PROBE_LAG_S,
    WALL_PROBE_ROOM_SHARE,
    Sizes,
    pressure_row,
    prior,
    start,
)
from potvigil.model.events import Interval
from potvigil.model.reading import Place

Array = npt.NDArray[np.float64]

POT = Sizes(0.020, 0.003)
AIR_SIGMA = 0.045  # of a bin, K of T0 ln p: 0.01 psi at 60 psi gauge
LEVEL_K = 3850.0  # T0 ln(512 kPa / Pa)
HEAT = (WALL, SURFACE, CORE, HEATING, ROOM)
ONE_STEP_S = 60.0  # a longer gap is gone through in equal steps no longer than that
LITTLE_EXCESS_K = 1.0  # so little that a probe's doubt while the gas is stirred goes by the stirring alone
ALL_PLACES = (Place.GAS, Place.WALL, Place.ROOM, Place.CONTENTS)
WIRINGS = [(Place.GAS,), (Place.WALL,), (Place.ROOM,), (Place.CONTENTS,), (), ALL_PLACES]


@pytest.fixture(autouse=True)
def nothing_but_gaussian(monkeypatch: pytest.MonkeyPatch) -> None:
    """Switch off what answers to its own estimate, or differs between cells: no Gaussian does."""
    monkeypatch.setattr(bank_module, "MISSED_SHARE", 0.0)
    monkeypatch.setattr(bank_module, "GAIN_SIGMA", 0.0)
    monkeypatch.setattr(correction_module, "TRUSTED_K", inf)
    monkeypatch.setattr(cells_module, "GAS_PROBE_GAINS", (1.0, 1.0))
    monkeypatch.setattr(cells_module, "ON_THE_MOULD", 1.0)
    monkeypatch.setattr(cells_module, "WARM_SIGMA_K", cells_module.MOULD_SIGMA_K)
    monkeypatch.setattr(cells_module, "WARM_HEAT", 1.0)
    monkeypatch.setattr(bank_module, "GROWTH", 0.0)
    monkeypatch.setattr(bank_module, "EXCESS_SPREAD", 0.0)
    monkeypatch.setattr(bank_module, "UPTAKE_SPREAD", 0.0)
    monkeypatch.setattr(bank_module, "RISE_SIGMAS", inf)
    monkeypatch.setattr(bank_module, "_OUTLIER_SIGMAS", inf)
    monkeypatch.setattr(bank_module, "FILL_EXCESS_K", LITTLE_EXCESS_K)
    monkeypatch.setattr(bank_module, "heat_only", lambda *each: None)
    monkeypatch.setattr(bank_module, "MOVES", {})


def certain_bank(sizes: Sizes = POT, *, room_k: float = ROOM_K, unseen_k: float = 0.0) -> PotBank:
    """Return a bank whose constants are known."""
    bank = PotBank(sizes, room_k=room_k, unseen_k=unseen_k)
    bank.p[:, CONSTANTS], bank.p[:, :, CONSTANTS] = 0.0, 0.0
    bank._sigma = np.zeros(SIZE)
    bank.p[:, EXCESS, EXCESS] = LITTLE_EXCESS_K**2
    return bank


@dataclass(frozen=True)
class Night:
    """When bins were, which thermometers spoke, and how much air was let in before which bin (a share)."""

    t_s: Array
    places: tuple[Place, ...]
    top_ups: Mapping[int, float]

    @property
    def width(self) -> int:
        """How many things are seen in a bin."""
        return len(self.places) + 1


def irregular(
    places: tuple[Place, ...], seed: int = 1, bins: int = 60, gap_s: float = 0.0, **top_ups: float
) -> Night:
    random = np.random.default_rng(seed)
    steps_s = random.uniform(4.0, 9.0, bins)
    steps_s[bins // 3] += gap_s
    return Night(1000.0 + np.cumsum(steps_s), places, {int(at[1:]): rise for at, rise in top_ups.items()})


class Joint:
    """All that is seen of one cell's pot as one Gaussian, in the order in which the bank sees it.

    mean, covariance: of it all. in_air: which rows are the pressure. since: at which time each is seen.
    """

    def __init__(self, bank: PotBank, cell: int, night: Night, *, drift_k: float = DRIFT_K) -> None:
        self.night, self._x, self._drift_k = night, bank.x[cell], drift_k
        self._bank_sources = bank
        share = cell * 0.618 % 1.0
        self._laws = self._equations(share)
        self.in_air = np.tile(np.arange(night.width) == night.width - 1, len(night.t_s))
        self.t_s = np.repeat(night.t_s, night.width)
        means, loads, noise = self._heat(bank.p[cell], bank._room_k)
        start_k = {state: (self._x[state], sqrt(bank.p[cell, state, state])) for state in (EXCESS, UPTAKE)}
        since_s = self.t_s - night.t_s[0]
        sees_excess = self.in_air | self._is(Place.GAS)
        excess_s = exp(-min(self._x[LN_EXCESS], LN_FASTEST[-1]))
        dying = {EXCESS: np.exp(-since_s / excess_s), UPTAKE: np.exp(-since_s / UPTAKE_S)}
        for state, sees in ((EXCESS, sees_excess), (UPTAKE, self.in_air)):
            means = means + start_k[state][0] * sees * dying[state]
        self.mean = means
        total = loads @ loads.T + np.diag(noise)
        for state, sees in ((EXCESS, sees_excess), (UPTAKE, self.in_air)):
            total += _outer(start_k[state][1] * sees * dying[state])
        both = np.logical_and.outer(self.in_air, self.in_air)
        apart_s, first_s = np.abs(np.subtract.outer(self.t_s, self.t_s)), np.minimum.outer(since_s, since_s)
        a = sqrt(3.0) * apart_s / FAST_S
        own = UNKNOWN_K**2 + AIR_WANDER_K**2 * first_s
        own = own + drift_k**2 * np.exp(-apart_s / DRIFT_S) + FAST_K**2 * (1.0 + a) * np.exp(-a)
        total += both * own
        for place in night.places:
            here = self._is(place)
            total += np.logical_and.outer(here, here) * (0.3**2 + 2.0 * OFFSET_K**2 / OFFSET_S * first_s)
        for at, rise in night.top_ups.items():
            later = self.t_s >= night.t_s[at]
            total += UNKNOWN_K**2 * _outer(later & self.in_air)
            left = LITTLE_EXCESS_K * rise * np.exp(-(self.t_s - night.t_s[at - 1]) / excess_s)
            total += _outer(np.where(later & sees_excess, left, 0.0))
        self.covariance = total
        self._factor = cholesky(total, lower=True)
        self.sigma = np.diag(self._factor)

    def _is(self, place: Place) -> npt.NDArray[np.bool_]:
        row = [each is place for each in self.night.places]
        return np.tile([*row, False], len(self.night.t_s))

    def _equations(self, heat_share: float) -> Array:
        """Return d/dt of wall, surface, core, heating and room; the last two stand still."""
        x, laws = self._x, np.zeros((5, 5))
        to_wall, from_room = exp(x[LN_SURFACE_WALL]), exp(x[LN_ROOM_WALL])
        laws[0] = (-from_room, to_wall, 0.0, 0.0, from_room)
        laws[1] = -LEFT_BEHIND * laws[0]
        laws[2] = -LEFT_BEHIND * laws[0]
        laws[1, 1] -= exp(x[LN_WALL_SURFACE]) + exp(x[LN_CORE_SURFACE])
        laws[1, 2] += exp(x[LN_CORE_SURFACE])
        laws[2, 1] += exp(x[LN_SURFACE_CORE])
        laws[2, 2] -= exp(x[LN_SURFACE_CORE])
        laws[1, 3], laws[2, 3] = heat_share / 3600.0, 1.0 / 3600.0
        return laws

    def _row(self, place: Place | None) -> Array:
        x, unit = self._x, np.eye(5)
        if place is None:
            return np.asarray(unit[0] + unit[1])
        if place is Place.GAS:
            seen = unit[0] + unit[1]
            return np.asarray(seen - GAS_PROBE_LAG_S * (seen @ self._laws))
        if place is Place.WALL:
            share = WALL_PROBE_ROOM_SHARE
            seen = (1.0 - share) * unit[0] + share * unit[4]
            return np.asarray(seen - WALL_PROBE_LAG_S * self._laws[0])
        if place is Place.ROOM:
            return unit[4]
        return np.asarray(unit[0] + 0.5 * x[CONTENTS_PROBE_GAIN] * (unit[1] + unit[2]))

    def _heat(self, p: Array, room_k: float) -> tuple[Array, Array, Array]:
        """Return mean, what every independent chance of the past adds, and the noise, of all that is seen.

        Of the states here, and of the gas that is stirred: those chances that come one after the other.
        """
        night, x = self.night, self._x
        mean = x[list(HEAT)].copy()
        past = cholesky(p[np.ix_(HEAT, HEAT)] + 1e-12 * np.eye(5), lower=True)
        knocks: list[tuple[float, float]] = []  # of the smooth process: when, and how much
        means, loads, noise, fast_loads = [], [], [], []
        age_s, stirred_k, last_s = 0.0, STIRRED_K, night.t_s[0]
        for i, t_s in enumerate(night.t_s):
            if i in night.top_ups:
                rise = night.top_ups[i]
                stirred_k = max(stirred_k * exp(-age_s / STIRRED_S), 1.25 * STIRRED_K * rise)
                age_s = 0.0
                past = np.hstack((past, rise * np.eye(5)[:, :2] * (FILL_WALL_K, FILL_SURFACE_K)))
            steps = ceil((t_s - last_s) / ONE_STEP_S)
            for step in range(steps):
                dt = (t_s - last_s) / steps
                move = expm(dt * self._laws)
                move[3] *= exp(-dt / HEATING_S)
                mean, past = move @ mean, move @ past
                wander = np.zeros((5, 3))
                wander[4, 1] = room_k * sqrt(dt / 3600.0)
                wander[0, 0] = WALL_K * room_k / ROOM_K * sqrt(dt / 3600.0)
                wander[3, 2] = HEATING_K * sqrt(1.0 - exp(-2.0 * dt / HEATING_S))
                past = np.hstack((past, wander))
                turn = sqrt(3.0) * dt / FAST_S
                stirred = stirred_k * exp(-age_s / STIRRED_S)
                knock = stirred * sqrt(1.0 - ((1.0 + turn) * exp(-turn)) ** 2)
                knocks.append((last_s + (step + 1) * dt, knock))
                age_s += dt
            last_s = t_s
            now = stirred_k * exp(-age_s / STIRRED_S)
            for place in (*night.places, None):
                row = self._row(place)
                means.append(row @ mean)
                loads.append(row @ past)
                stirring = [
                    (1.0 + a) * exp(-a) * knock
                    for at_s, knock in knocks
                    for a in (sqrt(3.0) * (t_s - at_s) / FAST_S,)
                ]
                fast_loads.append(np.array(stirring if place is None else []))
                if place is None:
                    noise.append(AIR_SIGMA**2)
                else:
                    noise.append(PROBE_SIGMA[place] ** 2 + (0.75 * now if place is Place.GAS else 0.0) ** 2)
        return np.array(means), np.hstack((_filled(loads), _filled(fast_loads))), np.array(noise)

    def draw(self, random: np.random.Generator) -> Array:
        """Return what might be seen, at that level."""
        level = UNKNOWN_K**2 * _outer(self.in_air)
        for at in self.night.top_ups:
            level = level + UNKNOWN_K**2 * _outer(self.in_air & (self.t_s >= self.night.t_s[at]))
        chance = random.multivariate_normal(np.zeros(len(level)), self.covariance - level, method="eigh")
        return np.asarray(self.mean + chance + LEVEL_K * self.in_air)

    def white(self, column: npt.ArrayLike) -> Array:
        """Return what of it is new after all that came before, in sigmas."""
        return np.asarray(solve_triangular(self._factor, np.asarray(column, float), lower=True))

    def new(self, y: Array) -> Array:
        """Return what is new in each; a level that nothing is known of is put where its first bin is."""
        new = self.white(y - self.mean)
        for at in (0, *self.night.top_ups):
            first = (at + 1) * self.night.width - 1
            step = self.white(self.in_air & (self.t_s >= self.night.t_s[at]))
            new = new - step * new[first] / step[first]
        return np.asarray(new)

    def ramp(self, onset: int) -> Array:
        """Return what a loss of unit rate since that bin does."""
        return np.asarray(-np.maximum(self.t_s - self.night.t_s[onset], 0.0) * self.in_air)


def _outer(column: npt.ArrayLike) -> Array:
    return np.asarray(np.multiply.outer(column, column), dtype=float)


def _filled(rows: Sequence[Array]) -> Array:
    """Return rows of growing length as a matrix: what had not happened yet is zero."""
    wide = np.zeros((len(rows), max(map(len, rows))))
    for i, row in enumerate(rows):
        wide[i, : len(row)] = row
    return wide


def run(
    bank: PotBank, night: Night, y: Array, losses: LossTraces | None = None, *since: int
) -> list[Correction]:
    """Let the bank see it all; losses: gets a column for each bin in `since`."""
    seen, rows = [], iter(y)
    for i, t_s in enumerate(night.t_s):
        if i in night.top_ups:
            bank.reopen(night.top_ups[i])
        elapsed_s = t_s - night.t_s[i - 1] if i else 0.0
        if losses is None:
            bank.carry(elapsed_s)
        else:
            losses.traces = bank.carry(elapsed_s, losses.traces)
            losses.lost += elapsed_s
        assert abs(bank.weights @ bank.x[:, EXCESS]) <= 1.5 * bank._stirred_now_k()
        now = [bank.see_probe(place, next(rows)) for place in night.places]
        now.append(bank.see_air(elapsed_s, next(rows), AIR_SIGMA**2))
        if losses is not None:
            for each in now:
                losses.follow(each)
            if i in since:
                columns = len(losses.lost)
                losses.select([*range(columns), columns])
        seen += now
    return seen


def drawn(night: Night, cell: int = 3, seed: int = 5, rate: float = 0.0, onset: int = 0) -> Array:
    joint = Joint(certain_bank(), cell, night)
    return joint.draw(np.random.default_rng(seed)) + rate * joint.ramp(onset)


# -- the states ------------------------------------------------------------------------------------


@pytest.mark.parametrize("places", WIRINGS, ids=lambda places: "-".join(places) or "none")
def test_innovations_match_the_joint_gaussian(places: tuple[Place, ...]) -> None:
    night = irregular(places)
    y = drawn(night)
    bank = certain_bank()
    before = bank.log_weights.copy()
    seen = run(bank, night, y)
    for cell in (0, 3, 9, CELLS - 1):
        joint = Joint(certain_bank(), cell, night)
        sigmas = np.array([sqrt(each.variance[cell]) for each in seen])
        news = np.array([each.innovation[cell] for each in seen]) / sigmas
        assert sigmas == pytest.approx(joint.sigma, rel=5e-5)
        assert news == pytest.approx(joint.new(y), abs=2e-4)
        # and how likely the cell is grows by the density of all that was seen
        new, (_, log_determinant) = joint.new(y), np.linalg.slogdet(joint.covariance)
        likely = -0.5 * (new @ new + log_determinant)
        assert bank.log_weights[cell] - before[cell] == pytest.approx(likely, abs=1e-3)


def test_a_gap_is_integrated_in_steps_to_second_order() -> None:
    night = irregular((Place.WALL, Place.ROOM), gap_s=125.0)
    y = drawn(night)
    seen, joint = run(certain_bank(), night, y), Joint(certain_bank(), 3, night)
    sigmas = np.array([sqrt(each.variance[3]) for each in seen])
    assert sigmas == pytest.approx(joint.sigma, rel=2e-3)
    assert [each.innovation[3] for each in seen] / sigmas == pytest.approx(joint.new(y), abs=5e-3)


@pytest.mark.parametrize("places", [(Place.GAS,), (Place.WALL, Place.ROOM)])
def test_air_let_in_is_a_new_level_with_its_own_heat(places: tuple[Place, ...]) -> None:
    night = irregular(places, seed=2, _25=0.08, _41=0.3)
    y = drawn(night, seed=6)
    seen, joint = run(certain_bank(), night, y), Joint(certain_bank(), 3, night)
    sigmas = np.array([sqrt(each.variance[3]) for each in seen])
    assert sigmas == pytest.approx(joint.sigma, rel=5e-5)
    assert [each.innovation[3] for each in seen] / sigmas == pytest.approx(joint.new(y), abs=2e-4)


def test_room_swing_and_unseen_pressure_changes_enter_with_their_stated_variance() -> None:
    night = irregular((Place.WALL,), seed=3)
    y = drawn(night, seed=7)
    joint = Joint(certain_bank(room_k=4.0), 3, night, drift_k=sqrt(DRIFT_K**2 + 0.44**2))
    seen = run(certain_bank(room_k=4.0, unseen_k=0.44), night, y)
    assert [sqrt(each.variance[3]) for each in seen] == pytest.approx(joint.sigma, rel=5e-5)


def test_the_predicted_air_is_the_mean_of_the_next_bin_over_all_cells() -> None:
    # law of total variance, over a mixture
    night = irregular((Place.WALL,), seed=4)
    bank = certain_bank()
    run(bank, night, drawn(night, seed=8))
    value, sigma = bank.air_ahead()
    weights, copy = (
        bank.weights,
        bank.leaking(np.zeros(bank.x.shape), np.zeros(bank.p.shape), bank.log_weights),
    )
    seen = copy.see_air(20.0, value, AIR_SIGMA**2)
    middles = value - seen.innovation
    assert value == pytest.approx(float(weights @ middles), abs=1e-9)
    spread = float(weights @ (seen.variance - AIR_SIGMA**2 + (middles - value) ** 2))
    assert sigma == pytest.approx(sqrt(spread), rel=1e-9)


def test_pinning_the_air_sets_it_and_teaches_nothing_about_the_pot() -> None:
    bank = PotBank(POT)
    bank.carry(600.0)
    bank.see_probe(Place.WALL, 0.4)
    others = [state for state in range(SIZE) if state != AIR]
    x, p = bank.x[:, others].copy(), bank.p[np.ix_(range(CELLS), others, others)].copy()
    bank.pin_air(3850.0)
    assert np.array_equal(bank.x[:, others], x)
    assert np.array_equal(bank.p[np.ix_(range(CELLS), others, others)], p)
    value, sigma = bank.air_ahead()
    assert (value, sigma) == (pytest.approx(3850.0), pytest.approx(0.0, abs=1e-6))
    # the sum of all that the pressure is made of has no variance left
    _, row = pressure_row(bank.x)
    assert np.einsum("ij,ijk,ik->i", row, bank.p, row) == pytest.approx(0.0, abs=1e-9)
    assert np.linalg.eigvalsh(bank.p).min() > -1e-9
    # what the pot does next moves it, and nothing else: as far as the pot itself is known
    bank.carry(600.0)
    assert bank.air_ahead()[1] > 0.05


# -- a leak ----------------------------------------------------------------------------------------

ONSETS = (0, 1, 15, 45)


@pytest.mark.parametrize("places", WIRINGS, ids=lambda places: "-".join(places) or "none")
def test_a_leak_since_any_bin_is_generalised_least_squares(places: tuple[Place, ...]) -> None:
    assert_is_least_squares(irregular(places, seed=11))


@pytest.mark.parametrize("places", [(Place.GAS,), (Place.WALL, Place.ROOM), ()])
def test_a_leak_goes_on_through_a_top_up(places: tuple[Place, ...]) -> None:
    assert_is_least_squares(irregular(places, seed=12, _30=0.08))


def assert_is_least_squares(night: Night) -> None:
    y = drawn(night, seed=13, rate=1e-3)
    losses = LossTraces(CELLS)
    run(certain_bank(), night, y, losses, *ONSETS)
    assert np.allclose(losses.lost, night.t_s[-1] - night.t_s[list(ONSETS)])
    for cell in (3, CELLS - 1):
        joint = Joint(certain_bank(), cell, night)
        new = joint.new(y)
        for column, onset in enumerate(ONSETS):
            ramp = joint.white(joint.ramp(onset))
            information, score = ramp @ ramp, ramp @ new
            assert losses.information[cell, column] == pytest.approx(information, rel=1e-4)
            rate = losses.rates()[cell, column]
            assert rate == pytest.approx(score / information, abs=1e-3 / sqrt(information))
            ratio = np.sign(score) * 0.5 * score**2 / information
            assert losses.log_ratios()[cell, column] == pytest.approx(ratio, rel=1e-3, abs=1e-3)


def only(cell: int) -> PotBank:
    """Return a bank in which that cell alone is believed in."""
    bank = certain_bank()
    bank.log_weights = np.where(np.arange(CELLS) == cell, 0.0, -1e4)
    return bank


def onsets_of(bank: PotBank, night: Night, y: Array, *since: int) -> OnsetBank:
    onsets, rows = OnsetBank(CELLS), iter(y)
    for i, t_s in enumerate(night.t_s):
        elapsed_s = t_s - night.t_s[i - 1] if i else 0.0
        onsets.carry(bank, elapsed_s)
        now = [bank.see_probe(place, next(rows)) for place in night.places]
        now.append(bank.see_air(elapsed_s, next(rows), AIR_SIGMA**2))
        for each in now:
            onsets.losses.follow(each)
        if not since or i in since:
            onsets.begin(t_s, bank, onsets.significance(bank))
    return onsets


def test_the_rate_since_the_start_has_the_interval_of_least_squares() -> None:
    night = irregular((Place.GAS,), seed=14)
    y, bank = drawn(night, seed=14, rate=2e-4), only(3)
    answer = onsets_of(bank, night, y).since_the_start(bank)
    joint = Joint(certain_bank(), 3, night)
    ramp = joint.white(joint.ramp(0))
    error = 1.0 / sqrt(ramp @ ramp)
    assert answer is not None
    assert answer.value == pytest.approx(ramp @ joint.new(y) * error**2, abs=1e-3 * error)
    assert answer.high - answer.value == pytest.approx(norm.ppf(0.975) * error, rel=1e-3)
    assert answer.value - answer.low == pytest.approx(norm.ppf(0.975) * error, rel=1e-3)


def test_cells_that_disagree_on_a_leak_are_a_mixture() -> None:
    # a cell's evidence for a leak, its rate under a flat prior, over a sound pot: sqrt(2 pi) s exp(z^2 / 2)
    night = irregular((Place.WALL,), seed=15)
    y, bank = drawn(night, seed=15, rate=4e-4), certain_bank()
    onsets = onsets_of(bank, night, y)
    prior = certain_bank().weights
    rates, errors, likely = np.zeros(CELLS), np.zeros(CELLS), np.zeros(CELLS)
    for cell in range(CELLS):
        joint = Joint(certain_bank(), cell, night)
        ramp, new = joint.white(joint.ramp(0)), joint.new(y)
        errors[cell] = 1.0 / sqrt(ramp @ ramp)
        rates[cell] = ramp @ new * errors[cell] ** 2
        sound = -0.5 * new @ new - np.log(joint.sigma).sum()
        likely[cell] = sound + 0.5 * (rates[cell] / errors[cell]) ** 2 + np.log(errors[cell] * prior[cell])
    weights = np.exp(likely - likely.max())
    weights /= weights.sum()
    assert np.sort(weights)[-2] > 0.05  # or there were nothing to mix
    answer = onsets.since_the_start(bank)
    assert answer is not None
    value = weights @ rates
    sigma = sqrt(weights @ (errors**2 + rates**2) - value**2)
    assert answer.value == pytest.approx(value, abs=5e-3 * sigma)
    assert answer.high - answer.value == pytest.approx(norm.ppf(0.975) * sigma, rel=5e-3)
    assert (answer.high + answer.low) / 2.0 == pytest.approx(answer.value)


def test_the_likeliest_leak_is_the_best_of_all_least_squares() -> None:
    # the bank keeps some onsets only, none further from the best than a tenth of its age
    night = irregular((Place.GAS,), seed=16, bins=120)
    y, bank = drawn(night, seed=16, rate=2e-3, onset=50), only(3)
    onsets = onsets_of(bank, night, y)
    joint = Joint(certain_bank(), 3, night)
    new = joint.new(y)
    whites = [joint.white(joint.ramp(onset)) for onset in range(len(night.t_s) - 1)]
    best = max(white @ new / sqrt(white @ white) for white in whites)
    significance = onsets.significance(bank)
    assert significance is not None and best > 6.0
    assert 0.98 * best <= significance <= best * 1.001
    # and when it began: the same likelihoods, on every bin
    found = onsets.found(bank)
    logs = np.array([0.5 * (white @ new) ** 2 / (white @ white) for white in whites])
    shares = np.exp(logs - logs.max()) * np.gradient(night.t_s[:-1])
    passed = np.cumsum(shares) / shares.sum()
    middle, low, high = (float(np.interp(q, passed, night.t_s[:-1])) for q in (0.5, 0.025, 0.975))
    apart_s = 0.15 * (night.t_s[-1] - night.t_s[50])
    assert found.onset_s.value == pytest.approx(middle, abs=0.5 * apart_s)
    assert found.onset_s.low == pytest.approx(low, abs=apart_s)
    assert found.onset_s.high == pytest.approx(high, abs=apart_s)
    # how fast: the mean over them; and what it took so far is the area
    rates = np.array([white @ new / (white @ white) for white in whites])
    mean = float(shares @ rates / shares.sum())
    assert found.rate_k_per_s.value == pytest.approx(mean, rel=0.03)
    lost = float(shares @ (rates * (night.t_s[-1] - night.t_s[:-1])) / shares.sum())
    assert found.lost_k == pytest.approx(lost, rel=0.05)


def by_hand(
    times_s: Sequence[float], information: npt.ArrayLike, score: npt.ArrayLike, lost: Sequence[float]
) -> tuple[OnsetBank, PotBank]:
    """Return onsets with such regressions, (cells, onsets), and a bank that believes all cells alike."""
    known, scores = np.asarray(information, float), np.asarray(score, float)
    onsets, bank = OnsetBank(len(known)), certain_bank()
    bank.log_weights = np.zeros(len(known))
    onsets._times_s = list(times_s)
    onsets.losses = LossTraces(len(known), len(times_s))
    onsets.losses.information, onsets.losses.score = known, scores
    onsets.losses.lost = np.asarray(lost, float)
    return onsets, bank


def test_each_onset_counts_for_the_span_of_time_it_stands_for() -> None:
    # three as likely as each other stand for 100, 400 and 300 s; the loss until now is what is seen, so that
    # the rate is in doubt by that span as well: a uniform distribution has its width over sqrt(12)
    onsets, bank = by_hand((0.0, 100.0, 400.0), [[4.0] * 3], [[8.0] * 3], (1000.0, 900.0, 600.0))
    found = onsets.found(bank)
    assert found.onset_s == Interval(pytest.approx(200.0), pytest.approx(10.0), pytest.approx(390.0))
    widths = 2.0 * np.array((50.0 / 1000.0, 200.0 / 900.0, 150.0 / 600.0))
    sigma = sqrt(1.0 / 4.0 + np.array((1.0, 4.0, 3.0)) @ widths**2 / 12.0 / 8.0)
    assert found.rate_k_per_s.value == pytest.approx(2.0)
    assert found.rate_k_per_s.high - 2.0 == pytest.approx(norm.ppf(0.975) * sigma, rel=1e-6)
    assert found.lost_k == pytest.approx(2.0 * (1000.0 + 4.0 * 900.0 + 3.0 * 600.0) / 8.0)


def test_a_log_likelihood_lower_by_twenty_counts_for_nothing() -> None:
    scores = [[8.0, 8.0 + 4.0 * sqrt(10.0)]]  # z^2/2: 8, and 23 more
    onsets, bank = by_hand((0.0, 100.0), [[4.0] * 2], scores, (200.0, 100.0))
    assert onsets.found(bank).onset_s.low == pytest.approx(51.25)  # of 50 to 100 s
    assert onsets._weighed(bank)[0][0, 0] == 0.0


def test_a_cell_that_sees_air_gained_does_not_count_against_a_leak() -> None:
    # two cells as likely: one finds a leak of z = 4, the other gains air; for it a sound pot does as well
    onsets, bank = by_hand((0.0,), [[4.0], [4.0]], [[8.0], [-8.0]], (100.0,))
    expected = sqrt(2.0 * np.log(0.5 * (exp(8.0) + 1.0)))
    assert onsets.significance(bank) == pytest.approx(expected, rel=1e-9)
    onsets, bank = by_hand((0.0,), [[4.0], [4.0]], [[-8.0], [-8.0]], (100.0,))
    assert onsets.significance(bank) == 0.0
    onsets, bank = by_hand((), np.zeros((2, 0)), np.zeros((2, 0)), ())
    assert onsets.significance(bank) is None and onsets.since_the_start(bank) is None


def test_a_leaking_bank_starts_from_the_joint_states_and_rate() -> None:
    # the same joint Gaussian with a rate of any size as one state more, conditioned on all that was seen
    # (Rasmussen & Williams eq. A.6, from memory)
    night, since = irregular((Place.GAS,), seed=17), 20
    y, bank = drawn(night, seed=17, rate=1e-3, onset=since), only(3)
    leaking = onsets_of(bank, night, y, since).leaking(bank)
    joint = Joint(certain_bank(), 3, night)
    # the rate
    ramp, new = joint.white(joint.ramp(since)), joint.new(y)
    error = 1.0 / sqrt(ramp @ ramp)
    rate, sigma = leaking.rate_k_per_s
    assert rate == pytest.approx(ramp @ new * error**2, abs=2e-3 * error)
    assert sigma == pytest.approx(error, rel=2e-3)
    # the states: what the next three bins will be, and how they hang together
    ahead = Night(np.append(night.t_s, night.t_s[-1] + np.array([8.0, 16.0, 24.0])), night.places, {})
    longer, n = Joint(certain_bank(), 3, ahead), len(y)
    whole = longer.covariance + 1e3 * _outer(longer.ramp(since))
    weights = np.linalg.solve(whole[:n, :n], whole[:n, n:])
    # the level, of which nothing is known beforehand, as the bank has it: at the first bin
    centred = y - joint.mean - (y[1] - joint.mean[1]) * joint.in_air
    after = longer.mean[n:] + (y[1] - joint.mean[1]) * longer.in_air[n:] + weights.T @ centred
    factor = cholesky(whole[n:, n:] - whole[n:, :n] @ weights, lower=True)
    future = after + np.tile((0.1, -0.2), 3)
    expected = solve_triangular(factor, future - after, lower=True)
    for i in range(3):
        leaking.carry(8.0)
        probe = leaking.see_probe(Place.GAS, future[2 * i])
        air = leaking.see_air(8.0, future[2 * i + 1], AIR_SIGMA**2)
        for seen, at in ((probe, 2 * i), (air, 2 * i + 1)):
            assert sqrt(seen.variance[3]) == pytest.approx(factor[at, at], rel=5e-3)
            assert seen.innovation[3] / sqrt(seen.variance[3]) == pytest.approx(expected[at], abs=1e-2)
    assert bank.rate_k_per_s == (0.0, 0.0)


@pytest.mark.parametrize("places", [(Place.GAS,), (Place.WALL,), ()])
def test_the_rate_of_a_leaking_pot_is_known_as_well_as_its_random_walk_allows(
    places: tuple[Place, ...],
) -> None:
    # a rate known to one part in three, wandering like a Wiener process, against conditioning of the joint
    # Gaussian of rate and bins (eq. A.6 once more); y on its mean, so that the estimate stands still
    rate, sigma = 1e-3, 3e-4
    night = irregular(places, seed=18)
    joint = Joint(certain_bank(), 3, night)
    mean, second = np.zeros((CELLS, SIZE)), np.zeros((CELLS, SIZE, SIZE))
    mean[:, RATE], second[:, RATE, RATE] = rate, sigma**2
    sound = only(3)
    bank = sound.leaking(mean, second, sound.log_weights)
    y = joint.mean + LEVEL_K * joint.in_air + rate * joint.ramp(0)
    run(bank, night, y)
    grid = []  # a longer gap is gone through in steps, each with a knock at its end
    for begin_s, end_s in zip(night.t_s, night.t_s[1:], strict=False):
        steps = ceil((end_s - begin_s) / ONE_STEP_S)
        grid += [
            ((end_s - begin_s) / steps, begin_s + (end_s - begin_s) * (k + 1) / steps) for k in range(steps)
        ]
    lengths_s, ends_s = np.array(grid).T
    knocks = (RATE_WANDER * rate) ** 2 * lengths_s / 3600.0
    ramps = -np.maximum(np.subtract.outer(joint.t_s, ends_s), 0.0) * joint.in_air[:, None]
    whole = joint.covariance + sigma**2 * _outer(joint.ramp(0)) + (ramps * knocks) @ ramps.T
    shared = sigma**2 * joint.ramp(0) + ramps @ knocks
    left = sigma**2 + knocks.sum() - shared @ np.linalg.solve(whole, shared)
    assert bank.rate_k_per_s == (pytest.approx(rate, rel=2e-3), pytest.approx(sqrt(left), rel=2e-3))


def test_the_rate_is_uncertain_by_the_difference_of_the_leak_laws() -> None:
    # ln of the rate moves by a share m of what the laminar law says, m = 0.5 +- 0.3: there and back again, or
    # in many steps, the doubt is the same as at one stroke
    def after(*steps: float) -> tuple[float, float]:
        mean, second = np.zeros((CELLS, SIZE)), np.zeros((CELLS, SIZE, SIZE))
        mean[:, RATE], second[:, RATE, RATE] = 1e-3, 1e-12
        sound = certain_bank()
        bank = sound.leaking(mean, second, sound.log_weights)
        for step in steps:
            bank.let_the_law_act(step)
        return bank.rate_k_per_s

    value, sigma = after(-0.4)
    assert value == pytest.approx(1e-3 * exp(-0.4 * LAW_MIDDLE), rel=1e-12)
    assert sigma == pytest.approx(sqrt((LAW_SIGMA * 0.4 * value) ** 2 + (1e-6 * value / 1e-3) ** 2), rel=1e-9)
    assert after(*([-0.004] * 100)) == (pytest.approx(value), pytest.approx(sigma, rel=2e-3))
    there_and_back = after(-0.4, 0.4)
    assert there_and_back[0] == pytest.approx(1e-3)
    assert there_and_back[1] == pytest.approx(LAW_SIGMA * 0.4 * 1e-3, rel=1e-4)


# -- mass point: no doubt about the temperature, white noise ---------------------------------------

BIN_S, BINS = 2.0, 40
COARSE = 0.5  # noise of a bin, K, beside which the level's wander is nothing


def mass_point(t_s: npt.ArrayLike, y: npt.ArrayLike, noise: float = COARSE) -> list[Interval]:
    """Return the rate since the first point after every point from the second on."""
    times_s, values = np.asarray(t_s, float), np.asarray(y, float)
    bank = certain_bank(Sizes(0.020, 0.0))
    level = bank.p[:, AIR, AIR].copy()
    bank.p[:] = 0.0
    bank.p[:, AIR, AIR] = level
    bank.x[:, : CONSTANTS.start] = 0.0
    bank._stirred_k = bank._room_k = bank._wall_k = bank._drift_k = bank._fast_k = 0.0
    onsets, answers = OnsetBank(CELLS), []
    with pytest.MonkeyPatch.context() as patch:
        for name in ("WALL_K", "HEATING_K", "OFFSET_K", "AIR_WANDER_K"):
            patch.setattr(bank_module, name, 0.0)
        for i, at_s in enumerate(times_s):
            elapsed_s = at_s - times_s[i - 1] if i else 0.0
            onsets.carry(bank, elapsed_s)
            onsets.losses.follow(bank.see_air(elapsed_s, values[i], noise**2))
            answers.append(onsets.since_the_start(bank))
            if i == 0:
                onsets.begin(at_s, bank, onsets.significance(bank))
    assert answers[0] is None  # one bin says nothing of a rate
    return [each for each in answers if each is not None]


def standard_error(answer: Interval) -> float:
    return (answer.high - answer.value) / float(norm.ppf(0.975))


def cramer_rao_floor(noise: float, points: int, step_s: float) -> float:
    """Return the least variance of a line's slope in white noise, 1/s2: 12 s^2/(dt^2 N (N^2 - 1)).

    Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), example 3.7; from memory.
    """
    return 12.0 * noise**2 / (step_s**2 * points * (points**2 - 1))


# NIST Statistical Reference Datasets, linear regression, Norris: y and x; certified slope, its standard
# deviation, residual standard deviation (values from memory, and the last three recomputed below by scipy)
NORRIS = (
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1),
    (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1),
    (888.0, 887.2), (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2),
    (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
)  # fmt: skip
SLOPE, SLOPE_SIGMA, RESIDUAL_SIGMA = 1.00211681802045, 0.429796848199937e-03, 0.884796396144373


def test_norris_has_the_slope_nist_certifies() -> None:
    points = sorted((x, y) for y, x in NORRIS)
    t_s, y = (np.array(each) for each in zip(*points, strict=True))
    assert linregress(t_s, y)[0] == pytest.approx(SLOPE, rel=1e-12)
    assert linregress(t_s, y).stderr == pytest.approx(SLOPE_SIGMA, rel=1e-9)
    # where nothing is known of the level but that it lies within 1000 K: in hundredths
    answer = mass_point(t_s, 0.01 * y, noise=0.01 * RESIDUAL_SIGMA)[-1]
    assert -100.0 * answer.value == pytest.approx(SLOPE, rel=1e-8)
    assert 100.0 * standard_error(answer) == pytest.approx(SLOPE_SIGMA, rel=1e-6)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_with_a_certain_temperature_the_rate_is_the_mass_point_slope_and_limit(seed: int) -> None:
    # mass-point method (ANSI/ANS-56.8, formulas from memory) on ln W; noise known, so the normal quantile of
    # one-sided 95 % (1.6449) takes the place of Student's
    random = np.random.default_rng(seed)
    t_s = 100.0 + np.cumsum(random.uniform(1.0, 4.0, BINS))
    y = LEVEL_K - 2e-3 * t_s + random.normal(0.0, COARSE, BINS)
    one_sided = float(norm.ppf(0.95))
    for points, answer in enumerate(mass_point(t_s, y), start=2):
        fit = linregress(t_s[:points], y[:points])
        error = COARSE / sqrt(np.sum((t_s[:points] - t_s[:points].mean()) ** 2))
        assert answer.value == pytest.approx(-fit.slope, abs=1e-5 * error)
        limit = answer.value + one_sided * standard_error(answer)
        assert limit == pytest.approx(-fit.slope + one_sided * error, abs=3e-5 * error)


def test_a_day_of_points_that_lose_a_thousandth_says_a_tenth_of_a_percent_a_day() -> None:
    # 97 points in 24 h, W = 1e5 (1 - 0.001 t/24): 0.1000 % per day of the first mass, 0.05 % more of the mean
    hours = np.arange(97) * 0.25
    day = mass_point(hours * 3600.0, 293.15 * np.log(1e5 * (1.0 - 0.001 * hours / 24.0)), noise=0.03)[-1]
    assert 100.0 * 86_400.0 * day.value / 293.15 == pytest.approx(0.1 * 1.0005, rel=1e-5)


def test_the_slope_of_a_certain_pot_reaches_the_cramer_rao_floor_and_no_less() -> None:
    points = BIN_S * np.arange(BINS)
    for count, answer in enumerate(mass_point(points, np.full(BINS, LEVEL_K)), start=2):
        floor = cramer_rao_floor(COARSE, count, BIN_S)
        assert standard_error(answer) ** 2 == pytest.approx(floor, rel=1e-5)
    # and with a pot round the air it is never below
    for places in WIRINGS:
        night = Night(20.0 * np.arange(40.0), places, {})
        bank = certain_bank()
        onsets = onsets_of(bank, night, drawn(night, seed=8), 0)
        answer = onsets.since_the_start(bank)
        assert answer is not None
        assert standard_error(answer) ** 2 > cramer_rao_floor(AIR_SIGMA, 40, 20.0)


def test_the_one_sided_limit_of_a_certain_pot_is_above_the_truth_in_95_of_100() -> None:
    runs, above, square = 120, 0, 0.0
    one_sided, t_s = float(norm.ppf(0.95)), 5.0 * np.arange(12)
    floor = cramer_rao_floor(COARSE, 12, 5.0)
    for seed in range(runs):
        random = np.random.default_rng(1000 + seed)
        rate = random.uniform(0.0, 4e-3)
        answer = mass_point(t_s, LEVEL_K - rate * t_s + random.normal(0.0, COARSE, 12))[-1]
        above += rate <= answer.value + one_sided * standard_error(answer)
        square += (answer.value - rate) ** 2 / floor
    # bounds that a binomial count of 95 % leaves once in a thousand, and chi square of the scatter it claims
    assert binom.interval(0.999, runs, 0.95)[0] <= above <= binom.interval(0.999, runs, 0.95)[1]
    low, high = chi2.interval(0.999, runs)
    assert low <= square <= high


# -- the cells -------------------------------------------------------------------------------------


def test_radical_inverses_match_van_der_corput() -> None:
    # 1/2, 1/4, 3/4, 1/8 ...: digits mirrored at the point (van der Corput 1935; Halton, Numerische Mathematik
    # 2 (1960) 84)
    twos = [cells_module._radical_inverse(i, 2) for i in range(9)]
    assert twos == [0.0, 0.5, 0.25, 0.75, 0.125, 0.625, 0.375, 0.875, 0.0625]
    threes = [cells_module._radical_inverse(i, 3) for i in range(1, 10)]
    assert threes == pytest.approx([3 / 9, 6 / 9, 1 / 9, 4 / 9, 7 / 9, 2 / 9, 5 / 9, 8 / 9, 1 / 27])
    assert cells_module._radical_inverse(137, 10) == pytest.approx(0.731)


def test_cells_are_at_halton_points_with_zero_mean_and_unit_spread() -> None:
    uniform = qmc.Halton(d=6, scramble=False).random(13)[1:]
    points = norm.ppf(uniform)
    points = (points - points.mean(axis=0)) / points.std(axis=0)
    assert cells_module._normal_points(12) == pytest.approx(points, abs=1e-9)


def test_cells_together_have_the_spread_of_the_prior() -> None:
    # of a mixture: mean of the variances and variance of the means
    bank, (mean, sigma) = PotBank(POT), prior(POT)
    x, p = bank.x[:, CONSTANTS], np.diagonal(bank.p, axis1=1, axis2=2)[:, CONSTANTS]
    assert x.mean(axis=0) == pytest.approx(mean[CONSTANTS], abs=1e-12)
    assert p.mean(axis=0) + x.var(axis=0) == pytest.approx(sigma[CONSTANTS] ** 2, rel=1e-9)
    spread = x.std(axis=0) > 1e-9
    assert np.flatnonzero(spread).tolist() == list(range(LN_EXCESS + 1 - CONSTANTS.start))
    # a warm mould: surface and core by as much, in so many of a hundred pots
    begin, _ = start(POT)
    warm = np.arange(CELLS) >= CELLS - WARM_CELLS
    assert bank.x[:, SURFACE] - begin[START_SURFACE] == pytest.approx(np.where(warm, WARM_K, 0.0))
    assert bank.x[:, CORE] - begin[START_CORE] == pytest.approx(np.where(warm, WARM_K, 0.0))
    assert bank.weights[warm].sum() == pytest.approx(WARM_SHARE)
    assert bank.weights[~warm] == pytest.approx((1.0 - WARM_SHARE) / (CELLS - WARM_CELLS))
    apart = bank.p[:, SURFACE, SURFACE] + bank.p[:, CORE, CORE] - 2.0 * bank.p[:, SURFACE, CORE]
    _, unsure = start(POT)
    assert apart == pytest.approx(
        unsure[START_SURFACE] ** 2 + unsure[START_CORE] ** 2 - 2.0 * MOULD_SIGMA_K**2
    )


def test_warm_contents_are_less_certain_and_expect_more_heat(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    warm = np.arange(CELLS) >= CELLS - WARM_CELLS
    for known in (None, {"core-begins": (1.0, 0.3), "surface-begins": (2.0, 0.3)}):
        p = PotBank(POT, heating_k_per_h=7.0, known=known).p
        _, unsure = start(POT)
        own = unsure[[START_SURFACE, START_CORE]] ** 2 if known is None else np.full(2, 0.3**2)
        shared = MOULD_SIGMA_K**2 if known is None else 0.0  # of a mould that is known each part is
        mould = np.where(warm, cells_module.WARM_SIGMA_K**2, shared)
        for at, state in enumerate((SURFACE, CORE)):
            assert p[:, state, state] == pytest.approx(own[at] - shared + mould)
        assert p[:, SURFACE, CORE] == pytest.approx(mould)
        assert p[:, HEATING, HEATING] == pytest.approx(
            np.where(warm, (cells_module.WARM_HEAT * 7.0) ** 2, 49.0)
        )
    empty = PotBank(Sizes(0.020, 0.0), heating_k_per_h=7.0).p
    assert empty[0] == pytest.approx(empty[-1]) and not empty[:, HEATING, HEATING].any()


def test_the_model_error_grows_with_the_distance_of_gas_and_wall_temperature(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def grown(surface_k: float) -> float:
        bank = certain_bank()
        bank._stirred_k, bank.p[:] = 0.0, 0.0
        bank.x[:, SURFACE], bank.x[:, EXCESS] = surface_k, 0.0
        bank.carry(20.0)
        assert np.ptp(bank.p[:, FAST_RATE, FAST_RATE]) == 0.0  # the same in every cell
        return float(bank.p[0, FAST_RATE, FAST_RATE])

    monkeypatch.setattr(bank_module, "MISSED_SHARE", 0.05)
    assert grown(4.0) / grown(0.0) == pytest.approx(1.0 + (0.05 * 4.0 / bank_module.FAST_K) ** 2)
    assert grown(-4.0) == grown(4.0)


def test_hot_contents_reduce_the_weight_of_evidence_for_cells_and_leaks_alike(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A likelihood to a power below one (Holmes & Walker, Biometrika 104 (2017) 497), the same for all."""
    seen = {}
    for trusted_k in (inf, 6.0):
        monkeypatch.setattr(correction_module, "TRUSTED_K", trusted_k)
        bank, losses = certain_bank(), LossTraces(CELLS, 1)
        bank.x[:, SURFACE] = np.where(np.arange(CELLS) % 2, 6.0, -6.0)
        bank.pin_air(LEVEL_K)
        bank._level_known = True
        before = bank.log_weights.copy()
        losses.traces = bank.carry(20.0, losses.traces)
        losses.lost += 20.0
        losses.follow(bank.see_air(20.0, LEVEL_K - 0.3, AIR_SIGMA**2))
        seen[trusted_k] = bank.log_weights - before, losses, bank.x
    (whole, all_of_it, x), (half, half_of_it, same_x) = seen[inf], seen[6.0]
    assert x == pytest.approx(same_x)  # what a cell believes of its own pot is as before
    share = half / whole
    assert np.ptp(share) < 1e-9 and 0.45 < share[0] < 0.6  # they cool a little in 20 s
    assert half_of_it.information == pytest.approx(share[0] * all_of_it.information)
    assert half_of_it.rates() == pytest.approx(all_of_it.rates())


def test_a_probe_in_the_gas_is_warmed_more_in_some_cells_than_in_others(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.undo()
    bank = PotBank(POT)
    seen = bank.see_probe(Place.GAS, 0.0).row
    low, high = cells_module.GAS_PROBE_GAINS
    gains = seen[:, SURFACE] - (seen[:, WALL] - 1.0)  # less what the lag does, nearly the same to both
    assert low - 0.05 < gains.min() < low + 0.1
    lies = np.sort(gains)[-8:]  # a quarter of them: on the mould
    assert np.sort(gains)[-9] < high + 0.15 and lies.min() > high
    assert 2.0 < lies.max() < cells_module.ON_THE_MOULD
    assert np.corrcoef(gains, bank._heat_share)[0, 1] < 0.3


def test_as_contents_warm_a_probe_in_the_gas_may_be_off_by_a_share_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A gain known to 5 % is an offset known to 5 % of what it multiplies, however slowly that comes."""

    def warmed(gain_sigma: float, heating_k_per_h: float) -> PotBank:
        monkeypatch.setattr(bank_module, "GAIN_SIGMA", gain_sigma)
        bank = certain_bank()
        bank.x[:, SURFACE], bank.x[:, HEATING] = 1.0, heating_k_per_h
        for _ in range(30):
            bank.carry(20.0)
        return bank

    with_it, without, cooled = warmed(0.05, 60.0), warmed(0.0, 60.0), warmed(0.05, 0.0)
    assert (with_it.x[:, SURFACE] > 1.5).any()
    variance = with_it.p[:, GAS_OFFSET, GAS_OFFSET] - without.p[:, GAS_OFFSET, GAS_OFFSET]
    rose = with_it.x[:, SURFACE] > 2.0  # those fell at no time
    assert variance[rose] == pytest.approx(0.05**2 * (with_it.x[rose, SURFACE] ** 2 - 1.0), rel=0.02)
    fell = cooled.x[:, SURFACE] < 0.9
    alike = without.p[fell, GAS_OFFSET, GAS_OFFSET]
    assert fell.any() and cooled.p[fell, GAS_OFFSET, GAS_OFFSET] == pytest.approx(alike)


@pytest.mark.parametrize("state", [DRIFT, FAST, FAST_RATE])
def test_a_stationary_state_keeps_its_spread_for_a_day(state: int) -> None:
    bank = certain_bank()
    bank._stirred_k = 0.0
    first = bank.p[:, state, state].copy()
    bank.carry(86_400.0)
    assert bank.p[:, state, state] == pytest.approx(first, rel=1e-9)


@pytest.mark.parametrize(("surface_k", "free"), [(0.0, 0.25**2), (2.0, 0.25**2 + 0.5**2), (9.0, 1.0)])
def test_constants_revert_to_their_prior_mean_and_spread(surface_k: float, free: float) -> None:
    # Ornstein-Uhlenbeck about the cell's own guess: mean x exp(-t/tau), variance to a share of the prior's
    bank, gain = PotBank(POT), CONTENTS_PROBE_GAIN
    home = bank.x[:, gain].copy()
    bank.x[:, gain] += 0.2
    bank.p[:, gain], bank.p[:, :, gain] = 0.0, 0.0
    bank.p[:, gain, gain] = 0.001
    for _ in range(144):
        bank.x[:, [WALL, ROOM, EXCESS, HEATING]] = 0.0
        bank.x[:, SURFACE : CORE + 1] = surface_k
        bank.carry(20.0)
    half = exp(-2880.0 / 86_400.0)
    assert bank.x[:, gain] - home == pytest.approx(0.2 * half, rel=1e-9)
    wide = 0.001 * half**2 + free * 0.7**2 * (1.0 - half**2)
    assert bank.p[:, gain, gain] == pytest.approx(wide, rel=1e-9)


# -- heat, which is never taken -------------------------------------------------------------------------


def dense(bank: PotBank, cell: int, place: Place, kelvin: float) -> tuple[Array, Array]:
    """Return state and covariance of a cell after a probe: by matrices, held to no less heat than zero.

    Where the best estimate has less, of all states with none the likeliest, min (x - a)' P^-1 (x - a) with
    x[HEATING] = 0; its gain is then K' = K - v d, and P' = (I - K' h) P (I - K' h)' + K' r K'.
    """
    copy = bank.leaking(np.zeros(bank.x.shape), np.zeros(bank.p.shape), bank.log_weights)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bank_module, "heat_only", lambda *each: None)
        seen = copy.see_probe(place, kelvin)
    x, p, h, s = bank.x[cell], bank.p[cell], seen.row[cell], seen.variance[cell]
    gain = p @ h / s
    best, left = x + gain * seen.innovation[cell], p - np.outer(gain, gain) * s
    if best[HEATING] < 0.0:
        along = left[:, HEATING] / left[HEATING, HEATING]
        gain = gain - along * best[HEATING] / seen.innovation[cell]
    rest = np.eye(SIZE) - np.outer(gain, h)
    return x + gain * seen.innovation[cell], rest @ p @ rest.T + np.outer(gain, gain) * (s - h @ p @ h)


@pytest.mark.parametrize("kelvin", [-6.0, -1.0, 3.0])
def test_no_correction_makes_heating_negative(kelvin: float, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    monkeypatch.setattr(bank_module, "_OUTLIER_SIGMAS", inf)
    bank = PotBank(POT)
    bank.p[:, HEATING, HEATING] = 16.0
    bank.x[:, HEATING] = 0.5
    for _ in range(30):
        bank.carry(60.0)
    expected = [dense(bank, cell, Place.CONTENTS, kelvin) for cell in range(CELLS)]
    bank.see_probe(Place.CONTENTS, kelvin)
    assert bank.x[:, HEATING].min() > -1e-12
    # where the mould may well have been cold the reading says nothing of heat
    assert kelvin > 0.0 or (bank.x[: CELLS - WARM_CELLS, HEATING] < 1e-12).all()
    assert kelvin < 0.0 or bank.x[:, HEATING].max() > 1.0
    for cell, (x, p) in enumerate(expected):
        assert bank.x[cell] == pytest.approx(x, rel=1e-9, abs=1e-9)
        assert bank.p[cell] == pytest.approx(p, rel=1e-9, abs=1e-9)
    assert np.linalg.eigvalsh(bank.p).min() > -1e-9
