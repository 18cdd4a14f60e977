"""The leak estimate: air lost, as distinct from everything else that makes the pressure of a sound pot fall.

A leak through a hole takes a share of the air per second: in the logarithm of the amount of air it is a ramp
that starts at its onset and never ends. Everything else obeys the laws of one pot (leak/pot_model.py), whose
constants are unknown. So a bank of filters describes sound pots (leak/bank.py), and a bank of onsets says
whether there is a ramp, since when and how steep (leak/onsets.py). Once there is one beyond doubt, a second
bank, of leaking pots, follows its rate, which may change: a seal stiffens in the cold, and the leak's law is
unknown.

Work per sample is constant; readings are averaged into bins first.
"""

from dataclasses import dataclass, replace
from math import exp, expm1, hypot, log, sqrt

from potvigil.leak.bank import BAROMETER_K, ROOM_K, PotBank
from potvigil.leak.bins import BIN_S, Bin, BinSum
from potvigil.leak.cells import CELLS
from potvigil.leak.correction import Correction
from potvigil.leak.known import LEAST_HOLD_S, Known
from potvigil.leak.onsets import OnsetBank, OnsetEstimate
from potvigil.leak.pot_model import DRIFT_S, T0_K, Sizes
from potvigil.leak.resin_heat import PEAK_OVER_MEAN
from potvigil.leak.resin_heat import heating_k_per_h as resin_heating_k_per_h
from potvigil.model.events import NORMAL_95, Interval
from potvigil.model.pot import USUAL_CONTENTS, Pot
from potvigil.model.reading import Place, Reading
from potvigil.physics.leak_laws import laminar_share
from potvigil.sensing.before_fill import BeforeFill
from potvigil.sensing.resolution import resolution

# A leak beyond doubt: so many sigma, part of it for errors of the model rather than noise.
Z_ESTABLISHED = 5.0
Z_DOUBTED = 4.0  # and it stays established down to this
# A loss is unexplained, and may also be a thermometer's fault. Sound pots reach 3 now and then.
Z_SUSPECTED = 4.5
# A shut pot gains no air. What seems to be a gain, beyond these sigmas of chance, is an error of the model or
# a sensor, and the next may look like a loss: a leak must stand out from it. It is forgotten as slowly as
# sensors drift.
CHANCE_SIGMAS, ERROR_S = 3.0, DRIFT_S
# The onsets assume a constant rate, and the bank a sound pot, which describes a leaking one badly. Beyond so
# many sigma these are the largest errors: later readings then inform the rate, no longer the onset.
Z_ONSET_KNOWN = 9.0
LEAST_RATE_PER_S = 0.1 / 75.0 / 3600.0  # and certainly faster than 0.1 psi/h at 60 psi gauge


@dataclass(frozen=True, slots=True)
class Leak:
    """Share of the air lost per second, 1/s, with its 95 % interval; onset likewise, s on the record's axis.

    onset_s: None while no leak is established; its low end is the fill where it may be as old. lost_pa: sum
    of what the leak took off the pressure since then, 0 while none is established. significance: in
    standard deviations.
    """

    rate_per_s: Interval
    onset_s: Interval | None
    lost_pa: float
    established: bool
    significance: float

    @property
    def is_suspected(self) -> bool | None:
        """Whether there may be a leak, or something else; None where a leak is established."""
        return None if self.established else self.significance > Z_SUSPECTED


# Without a thermometer: the swing of a night that ROOM_K stands for; how much of it may come and go, 1 sigma.
USUAL_SWING_K, UNSEEN_SHARE = 5.0, 0.1


def sizes_of(pot: Pot) -> Sizes:
    """Return what is known of a pot in advance."""
    contents_m3 = pot.contents_volume_m3
    if contents_m3 is None:
        contents_m3 = USUAL_CONTENTS * pot.internal_volume_m3
    return Sizes(pot.internal_volume_m3, contents_m3, pot.working_pa)


def bank_for(pot: Pot, known: Known | None = None, heating_k_per_h: float | None = None) -> PotBank:
    """Return the bank of a pot as its hold starts. heating_k_per_h: None for that of the pot's own resin."""
    sizes = sizes_of(pot)
    if heating_k_per_h is None:
        heating_k_per_h = resin_heating_k_per_h(sizes, pot.resin(None))
    if not pot.thermometers - {Place.ROOM}:
        # no probe sees the heat come, and its first rise looks like a mould that started cold
        heating_k_per_h *= PEAK_OVER_MEAN
    # a tightness test's empty pot differs from the pot with moulds
    taught = known.found if known is not None and sizes.contents_m3 else None
    barometer_k = 0.0 if pot.has_barometer else BAROMETER_K
    room_k, unseen_k = ROOM_K, barometer_k
    if not pot.thermometers:
        room_k *= pot.room_swing_k / USUAL_SWING_K
        unseen_k = hypot(barometer_k, UNSEEN_SHARE * pot.room_swing_k)
    return PotBank(
        sizes,
        room_k=room_k,
        unseen_k=unseen_k,
        steps_k=_steps_k(pot),
        heating_k_per_h=heating_k_per_h,
        known=taught,
    )


def _steps_k(pot: Pot) -> float:
    """Return by how much the converter's steps move the pressure, K, 1 sigma."""
    return T0_K * steps_share(pot)


def steps_share(pot: Pot) -> float:
    """Return by how much the converter's steps may move a bin of the pressure, as a share, 1 sigma.

    An even spread over one whole step (Bennett, Bell System Technical Journal 27 (1948) 446): whether noise
    smears it depends on how noisy this wire is, which is unknown in advance.
    """
    if pot.transducer is None:
        return 0.0
    steps_pa = resolution(pot.transducer, BIN_S, noise=0.0).steps_pa
    return steps_pa / sqrt(12.0) / (pot.working_pa + pot.ambient_pa)


class LeakFilter:
    """Takes readings of one hold; `estimate` is the newest answer, None before there is one.

    before: what the thermometers said before the fill. filled_since_s: when the pot came under pressure, on
    the record's axis. known: what earlier batches of the pot taught. heating_k_per_h: as `bank_for` takes it.
    """

    def __init__(
        self,
        pot: Pot,
        before: BeforeFill,
        filled_since_s: float,
        known: Known | None = None,
        heating_k_per_h: float | None = None,
    ) -> None:
        self._before = before
        self._filled_since_s = filled_since_s
        self.estimate: Leak | None = None
        self._bin = BinSum(steps=steps_share(pot))
        self._last_s: float | None = None
        self._last_law = 0.0
        self._sound = bank_for(pot, known, heating_k_per_h)
        self._begun_s: float | None = None
        self._onsets = OnsetBank(CELLS)
        self._leaking: PotBank | None = None
        self._has_leaked = False  # at any time, even if later withdrawn: then nothing is learnt
        self._found: OnsetEstimate | None = None  # the onsets' estimate, while they find a leak
        self._gained_sigmas = 0.0  # the most significant gain of air so far
        self._lost_pa = 0.0

    @property
    def fill_per_s(self) -> float:
        """95 % bound on how fast the fill's heat still moves the pressure, as a share, 1/s."""
        return 1.0 if self._last_s is None else self._sound.fill_k_per_s() / T0_K

    def add(self, reading: Reading, noise_pa: float) -> bool:
        """Take one good reading with the scatter of the pressure, Pa; True when a bin was completed."""
        if reading.absolute_pa is None:
            return False
        done = self._bin.take(reading, reading.absolute_pa, noise_pa)
        if done is not None:
            self._take_bin(done)
        return done is not None

    def taught(self) -> dict[str, tuple[float, float]] | None:
        """Return what a sound hold teaches about its pot; None where it was too short, or leaked."""
        if self._begun_s is None or self._last_s is None or self._last_s - self._begun_s < LEAST_HOLD_S:
            return None
        return None if self._has_leaked else self._sound.taught()

    def drop_bin(self) -> None:
        """Note that the readings went bad: those just before may already have been."""
        self._bin.drop()

    def top_up(self, rise_share: float) -> None:
        """Note that air was let in, about this share of what was there: a new level, some heat."""
        self.drop_bin()
        self._sound.reopen(rise_share)
        if self._leaking is not None:
            self._leaking.reopen(rise_share)

    def _take_bin(self, now: Bin) -> None:
        elapsed_s = 0.0 if self._last_s is None else now.t_s - self._last_s
        absolute_pa, ambient_pa = now.absolute_pa, now.ambient_pa
        # ln of the share a laminar gap loses, up to a constant; a choked hole always loses the same share
        law = log(laminar_share(max(absolute_pa, ambient_pa + 1.0), ambient_pa))
        law_step = 0.0 if self._last_s is None else law - self._last_law
        self._last_s, self._last_law = now.t_s, law
        self._begun_s = now.t_s if self._begun_s is None else self._begun_s
        self._onsets.carry(self._sound, elapsed_s)
        for seen in see_bin(self._sound, now, self._before, elapsed_s):
            self._onsets.losses.follow(seen)
        if self._leaking is not None:
            self._leaking.let_the_law_act(law_step)
            self._leaking.carry(elapsed_s)
            see_bin(self._leaking, now, self._before, elapsed_s)
        lost = self._onsets.significance(self._sound)
        self.estimate = self._judge(elapsed_s, absolute_pa, self._beyond_error(lost, elapsed_s))
        self._onsets.begin(now.t_s, self._sound, lost)

    def _beyond_error(self, lost: float | None, elapsed_s: float) -> float | None:
        """Return the significance of a leak less what the model has erred by in this hold."""
        gained = self._onsets.significance(self._sound, sign=-1.0)
        if lost is None or gained is None:
            return None
        self._gained_sigmas = max(gained, self._gained_sigmas * exp(-elapsed_s / ERROR_S))
        error = max(self._gained_sigmas**2 - CHANCE_SIGMAS**2, 0.0)
        return sqrt(max(lost**2 - error, 0.0))

    def _judge(self, elapsed_s: float, absolute_pa: float, significance: float | None) -> Leak | None:
        since_start = self._onsets.since_the_start(self._sound)
        if significance is None or since_start is None:
            return None
        if significance < (Z_ESTABLISHED if self._leaking is None else Z_DOUBTED):
            self._found = self._leaking = None
        elif self._leaking is None or self._found is None or significance < Z_ONSET_KNOWN:
            self._found = self._onsets.found(self._sound)
        if self._leaking is not None:
            self._lost_pa += elapsed_s * self._leaking.rate_k_per_s[0] / T0_K * absolute_pa
        elif self._found is not None and self._found.rate_k_per_s.low > LEAST_RATE_PER_S * T0_K:
            self._lost_pa = absolute_pa * expm1(self._found.lost_k / T0_K)
            self._leaking = self._onsets.leaking(self._sound)
            self._has_leaked = True
        if self._found is None or self._leaking is None:
            return Leak(_shares(since_start), None, 0.0, False, significance)
        value, sigma = self._leaking.rate_k_per_s
        rate = Interval(value, value - NORMAL_95 * sigma, value + NORMAL_95 * sigma)
        onset_s = self._found.onset_s
        if self._onsets.is_oldest(onset_s.low):  # present from the first bin: how long before is unknown
            onset_s = replace(onset_s, low=self._filled_since_s)
        return Leak(_shares(rate), onset_s, self._lost_pa, True, significance)


def _shares(rate: Interval) -> Interval:
    """Return kelvin as shares of the air."""
    return Interval(rate.value / T0_K, rate.low / T0_K, rate.high / T0_K)


def see_probes(bank: PotBank, now: Bin, before: BeforeFill) -> list[Correction]:
    """Pass all thermometers of one bin to a bank."""
    warmed_k = now.warmed_k(before).items()
    return [bank.see_probe(place, kelvin, now.steps_k2.get(place, 0.0)) for place, kelvin in warmed_k]


def see_bin(bank: PotBank, now: Bin, before: BeforeFill, elapsed_s: float) -> list[Correction]:
    """Pass one bin to a bank, thermometers first, then the pressure; elapsed_s: since the bin before."""
    return [*see_probes(bank, now, before), bank.see_air(elapsed_s, now.air_k, now.noise_variance * T0_K**2)]
