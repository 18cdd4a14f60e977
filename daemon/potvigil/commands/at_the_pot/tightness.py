"""Tests whether the empty pot holds, as a guided run: on the wires, from a log, or rehearsed."""

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from math import inf

from potvigil.clock import SystemClock
from potvigil.commands.at_the_pot.cause import of_a_test
from potvigil.commands.dialogues.exclusive_station import (
    VENT,
    answer,
    own_station,
    pressure_warning,
    refuse_beside_a_watch,
    samples_of,
    with_pressure,
)
from potvigil.commands.shared.common import OR_REHEARSE, UseError, one_of, settings_path, who
from potvigil.commands.shared.status import DONE, NO
from potvigil.diagnosis.tightness import (
    Judgement,
    Limit,
    LimitError,
    Look,
    Result,
    Schedule,
    Tightness,
    plan,
    read_limit,
    usual_limit,
)
from potvigil.imports.csv_log import read_log
from potvigil.model.events import Interval, Stage
from potvigil.model.maintenance import Part
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Quality, Sample
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.sensing.conversion import convert
from potvigil.settings.loading import load
from potvigil.settings.schema import Settings
from potvigil.units import span
from potvigil.upkeep.thinning import BIN_S, thinned
from potvigil.wording.quantities import pressure, rate

_WITH = {
    Place.GAS: "With the thermometer in the gas",
    Place.WALL: "With the thermometer on the wall",
    Place.ROOM: "With a thermometer in the room only",
    None: "Without a thermometer",
}
_NEARER = {
    Place.GAS: "",
    Place.WALL: " or a thermometer in the gas",
    Place.ROOM: " or a thermometer on the pot's wall",
    None: " or a thermometer on the pot's wall",
}
_THERMOMETER = {Place.GAS: "in the gas", Place.WALL: "on the wall", Place.ROOM: "in the room", None: "none"}


@dataclass(frozen=True, slots=True)
class Run:
    """The source of the readings. ask: waits for a person. keeps: the answer is recorded.

    log_s: the length of a log, None where readings go on as long as needed.
    """

    settings: Settings
    pot: Pot
    samples: Iterator[Sample]
    period_s: float
    ask: Callable[[str], str] | None
    keeps: bool
    log_s: float | None = None


def tightness(args: argparse.Namespace) -> int:
    """Run the test; exit status 0 for a pass, 1 for a fail or no answer."""
    if args.log is not None and args.rehearse is not None:
        raise UseError("give --log or --rehearse, not both")
    if args.rehearse is not None:
        from potvigil.commands.rehearsal.rehearsed_pot import rehearsed_test

        settings = None if args.config is None else load(args.config)
        print("Rehearsal on a simulated pot: nothing is saved.")
        with rehearsed_test(settings, args.pot, args.rehearse == "leaking") as (settings, station, clock):
            pot = next(iter(settings.core_pots().values()))
            samples = samples_of(station, clock, pot.pot_id, settings.sample_period_s)
            return _test(args, Run(settings, pot, samples, settings.sample_period_s, answer, keeps=False))
    settings = load(settings_path(args, OR_REHEARSE))
    pot = settings.core_pots()[one_of(settings.pots, args.pot)]
    if args.log is not None:
        log = read_log(args.log)
        for note in log.notes:
            print(note)
        log_s = log.samples[-1].t_s - log.samples[0].t_s
        period_s = max(log_s / max(len(log.samples) - 1, 1), 0.01)
        return _test(args, Run(settings, pot, iter(log.samples), period_s, None, keeps=False, log_s=log_s))
    refuse_beside_a_watch(settings)
    with own_station(settings) as station:
        samples = samples_of(station, SystemClock(), pot.pot_id, settings.sample_period_s)
        with_pressure(next(samples), pot)
        return _test(args, Run(settings, pot, samples, settings.sample_period_s, answer, keeps=True))


def _test(args: argparse.Namespace, run: Run) -> int:
    pot = run.pot
    try:
        limit = usual_limit(pot) if args.limit is None else read_limit(args.limit, pot)
    except LimitError as error:
        raise UseError(f"--limit {error}") from None
    planned = plan(pot, limit, run.period_s)
    words = _Words(pot, limit)
    for line in words.beginning(planned, of_a_log=run.log_s is not None):
        print(line)
    if run.log_s is not None:  # its length is given
        planned = replace(planned, latest_s=max(planned.latest_s, run.log_s))
    if run.ask is not None:
        with pressure_warning():
            run.ask(
                "Empty the pot, shut the lid and the vent, and tighten the clamps evenly and crosswise. "
                f"Press Enter; then bring the pot slowly to {words.pressure(pot.working_pa)} and shut the "
                "supply: "
            )
    test = Tightness(pot, limit, planned, run.period_s)
    seen: list[Sample] = []
    try:
        _go_on(test, _kept(run.samples, seen), words)
    except KeyboardInterrupt:
        test.end("it was stopped")
        print("\nStopped. The pot may be under pressure.")
    test.end("the readings ended before the answer was certain")
    result = test.result
    assert result is not None
    for line in words.ending(result, planned):
        print(line)
    if result.answer is Judgement.FAIL:
        for line in of_a_test(seen, pot, seen[-1].utc_s):
            print(line)
    else:
        print(VENT)
    if run.keeps:
        _keep(run.settings, pot, result, words.kept(result, planned), seen)
    return DONE if result.answer is Judgement.PASS else NO


def _go_on(test: Tightness, samples: Iterator[Sample], words: "_Words") -> None:
    stage, look, low, after_s = Stage.OPEN, None, False, 0.0
    for sample in samples:
        test.feed(sample)
        if test.watch.stage is not stage:
            stage = test.watch.stage
            gauge_pa = test.watch.snapshot().reading.gauge_pa
            if stage is Stage.FILLING:
                print("Filling ...", flush=True)
            elif stage is Stage.SETTLING and gauge_pa is not None:
                print(
                    f"Shut at {words.pressure(gauge_pa)}. Leave the pot and its valves alone now.", flush=True
                )
        if test.after_s < after_s:  # the test began anew, because air was let in
            low = False
        after_s = test.after_s
        if test.is_low and not low:
            low = True
            print(f"That is low: add air up to {words.pressure(words.pot.working_pa)}.")
        if test.look is not None and test.look is not look:
            if look is None:
                print("The leak so far:")
            look = test.look
            print(f"{span(look.after_s):>10}: {words.leak(look)}", flush=True)
        if test.result is not None:
            return


def _kept(samples: Iterator[Sample], seen: list[Sample]) -> Iterator[Sample]:
    for sample in samples:
        seen.append(sample)
        yield sample


# --- wording


class _Words:
    def __init__(self, pot: Pot, limit: Limit) -> None:
        self.pot, self.limit = pot, limit
        self._working_pa = pot.working_pa + pot.ambient_pa
        self._share = limit.share_per_s(self._working_pa)

    def beginning(self, planned: Schedule, of_a_log: bool) -> Iterator[str]:
        pot = self.pot
        if of_a_log:
            yield f"Tightness test of {pot.pot_id} from its log, assumed to be of an empty pot."
        else:
            yield (
                f"Tightness test of {pot.pot_id}, empty. Eye protection on, and clear of the lid. Nothing "
                f"here goes above the working pressure, {self.pressure(pot.working_pa)}."
            )
        yield (
            f"It passes if a {span(self.limit.over_s)} cure would lose less than "
            f"{self.pressure(self.limit.loss_pa)}: that is {self.rate(self._share)} at first. A pot that "
            "leaks exactly that passes in 1 of 40 tests, or fewer."
        )
        if of_a_log:
            return
        yield (
            f"{_WITH[planned.place]} the answer comes at most {span(planned.latest_s)} after the valve is "
            "shut, sooner if it is clear."
        )
        if not planned.enough:
            yield (
                "That may not be enough for a pot that leaks half the limit: it may end with no answer. A "
                f"wider --limit{_NEARER[planned.place]} helps."
            )
            yield from self._reach(planned)

    def _reach(self, planned: Schedule) -> Iterator[str]:
        """Yield what a test can still show if it is too short for the limit."""
        reach = planned.reach_per_s
        if reach is None or reach == inf:
            return
        if planned.place is None:
            yield "Without a thermometer, a leak cannot be told from a cooling room."
        passes = "a tight pot can pass" if reach < self._share else "even a tight pot will hardly pass"
        yield (
            f"By then the leak is known to within {self.rate(reach)}: {passes}, and one that leaks more than "
            f"{self.rate(self._share + reach)} fails."
        )

    def ending(self, result: Result, planned: Schedule) -> Iterator[str]:
        look, pot = result.look, self.pot
        after = span(result.after_s)
        if look is not None and result.answer is not Judgement.CANNOT_TELL:
            is_pass = result.answer is Judgement.PASS
            compared = "less" if is_pass else "more"
            yield (
                f"\n{'PASS' if is_pass else 'FAIL'} after {after}: {pot.pot_id} leaks {self.leak(look)}. A "
                f"{span(self.limit.over_s)} cure from {self.pressure(pot.working_pa)} would lose "
                f"{self._loss(look.share_per_s)}, {compared} than {self.pressure(self.limit.loss_pa)}."
            )
        else:
            yield f"\nCANNOT TELL after {after}: {result.why}."
            if look is not None:
                yield f"{pot.pot_id} leaks {self.leak(look)}; the limit is {self.rate(self._share)}."
                if planned.enough and look.share_per_s.value > 0.5 * self._share:
                    yield "This close to the limit, check the pot: seal, lid's rim and clamps, valves."

    def kept(self, result: Result, planned: Schedule) -> str:
        look, text = result.look, str(result.answer)
        if look is not None:
            text += f": {self.leak(look)}"
        return (
            f"{text}; limit {self.pressure(self.limit.loss_pa)} in {span(self.limit.over_s)}; "
            f"{span(result.after_s)}, thermometer {_THERMOMETER[planned.place]}"
        )

    def leak(self, look: Look) -> str:
        share = look.share_per_s
        if share.low <= 0.0:
            return f"{self.rate(max(share.value, 0.0))} (at most {self.rate(max(share.high, 0.0))})"
        figures = " to ".join(self.rate(each).split()[0] for each in (share.low, share.high))
        return f"{self.rate(share.value)} ({figures})"

    def pressure(self, pa: float) -> str:
        return pressure(pa, self.pot.pressure_unit)

    def rate(self, share_per_s: float) -> str:
        return rate(share_per_s * self._working_pa, self.pot.pressure_unit)

    def _loss(self, share: Interval) -> str:
        value, low, high = (
            self.pressure(self.limit.loss_of(max(each, 0.0), self._working_pa))
            for each in (share.value, share.low, share.high)
        )
        return f"{value} (at most {high})" if share.low <= 0.0 else f"{value} ({low.split()[0]} to {high})"


# --- recording the answer


def _keep(settings: Settings, pot: Pot, result: Result, text: str, seen: list[Sample]) -> None:
    """Record the test as care of the pot, with the leak at working pressure and the readings."""
    if result.look is None:
        return
    now_utc_s, working_pa = time.time(), pot.working_pa + pot.ambient_pa
    share = result.look.share_per_s
    leak = Interval(share.value * working_pa, share.low * working_pa, share.high * working_pa)
    try:
        with Store.open(settings.record_file, create=False) as store:
            store.add_care(
                pot.pot_id, now_utc_s, Part.TIGHTNESS_TEST, text, who(), now_utc_s, leak_pa_per_s=leak,
                readings=_readings(seen, pot),
            )  # fmt: skip
        print(
            f"Kept in the record {settings.record_file}; `potvigil pot health {pot.pot_id}` shows it, "
            f"`potvigil pot cause {pot.pot_id} --test` what the leak varied with"
        )
    except RecordError as error:
        print(f"Not kept in the record: {error}. Note it in the pot's logbook.")


def _readings(seen: list[Sample], pot: Pot) -> Iterator[Sample]:
    """Yield the readings as in a recorded log, as means of 20 s where nothing happens."""
    for sample in thinned(seen, (), seen[-1].t_s + BIN_S):
        reading = convert(sample, pot)
        if reading.gauge_pa is not None and reading.quality is not Quality.BAD:
            yield replace(sample, gauge_pa=reading.gauge_pa)
