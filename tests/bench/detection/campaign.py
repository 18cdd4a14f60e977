"""Many nights: what is to be done, in batches that are simulated at once, and what came of each night."""

import pickle
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random

import peers
from draw import END_RATE, FLOOR, FROM_START, MID_HOLD, QUICK, SOUND, DrawnNight, draw, draw_series
from learned import play_series
from limit import CONTENTS_K, CONTENTS_LEARNT_K, delay_min, pot_bound_min, reading_noise_pa
from rich.progress import Progress
from said import Combination, name_of
from simulate import CONVERTER_STEP_PA, Recorded, simulate_all
from watched import Outcome, own_bound_min, watch

from potvigil.leak.known import Known

# without a thermometer the goals speak only of these
WITHOUT = frozenset({SOUND, MID_HOLD, END_RATE, FLOOR})
RATES = {MID_HOLD: 1.5, FROM_START: 0.3, QUICK: 3.0}
AT_ONCE = 8  # nights simulated together; their readings fit in 30 MB


@dataclass(frozen=True)
class Task:
    """Nights of a kind that are read at one pace. batches: of the pot before, for a single night."""

    simulator: str
    kind: str
    numbers: tuple[int, ...]
    step_s: float
    campaign: str
    combinations: tuple[Combination, ...]
    batches: int = 0


@dataclass(frozen=True)
class NightResult:
    """outcomes: of the watch, by combination; with batches before, of them too. scores: of each peer.

    limit_min, bounds_min (by combination): the limits of limit.py, where there are any. own_bounds_min: the
    bound of the watch's own model.
    """

    simulator: str
    kind: str
    number: int
    batches: int
    onset_s: float | None
    outcomes: list[Outcome]
    scores: dict[str, peers.Scores] = field(default_factory=dict)
    limit_min: float | None = None
    bounds_min: dict[str, float] = field(default_factory=dict)
    own_bounds_min: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Plan:
    """What to play. counts: nights by kind. without: so many of the sound ones without a thermometer."""

    simulators: Sequence[str]
    counts: dict[str, int]
    without: int
    combinations: tuple[Combination, ...]
    campaign: str
    batches: int = 0

    def tasks(self) -> list[Task]:
        """Return all of it: each simulator's nights together, with the batches before a leak at the end."""
        tasks = []
        for simulator in self.simulators:
            for kind, count in self.counts.items():
                tasks += self._of_a_kind(simulator, kind, count)
            if self.batches:
                for number in range(self.counts.get(FROM_START, 0)):
                    step_s = step_of(simulator, FROM_START, number, self.campaign)
                    seen = tuple(each for each in self.combinations if each)
                    alone = simulator, FROM_START, (number,), step_s, self.campaign, seen, self.batches
                    tasks.append(Task(*alone))
        return tasks

    def _of_a_kind(self, simulator: str, kind: str, count: int) -> Iterator[Task]:
        together: dict[tuple[float, tuple[Combination, ...]], list[int]] = {}
        for number in range(count):
            pace = step_of(simulator, kind, number, self.campaign), self._combinations(kind, number)
            together.setdefault(pace, []).append(number)
        for (step_s, combinations), numbers in together.items():
            for at in range(0, len(numbers), AT_ONCE):
                batch = tuple(numbers[at : at + AT_ONCE])
                yield Task(simulator, kind, batch, step_s, self.campaign, combinations)

    def _combinations(self, kind: str, number: int) -> tuple[Combination, ...]:
        if kind in WITHOUT and (kind != SOUND or number < self.without):
            return self.combinations
        return tuple(each for each in self.combinations if each)


def step_of(simulator: str, kind: str, number: int, campaign: str) -> float:
    """Return the time between two readings of that night: 1 s for one in six, 5 or 10 s for the others."""
    at = Random(f"step/{campaign}/{simulator}/{kind}/{number}").randrange(12)
    return 1.0 if at < 2 else 5.0 if at < 7 else 10.0


def run(task: Task) -> list[NightResult]:
    """Simulate and watch the nights of a task."""
    if task.batches:
        return [_run_series(task, number) for number in task.numbers]
    nights = [draw(task.kind, number, task.campaign, task.simulator) for number in task.numbers]
    return [_run_one(task, recorded) for recorded in simulate_all(nights, task.step_s)]


def _run_one(task: Task, night: Recorded) -> NightResult:
    sigma_pa, rate = _sigma_pa(night.night, task), RATES.get(task.kind)
    coarse = peers.no_finer(night)
    return NightResult(
        *(task.simulator, task.kind, night.night.number, 0, night.onset_s),
        outcomes=[watch(night, combination) for combination in task.combinations],
        scores={peer.name: peer.scores(coarse) for peer in peers.PEERS},
        limit_min=None if rate is None else delay_min(rate, sigma_pa, task.step_s),
        bounds_min=_bounds_min(night.night, task, CONTENTS_K),
        own_bounds_min=_own_bounds_min(night, task, dict.fromkeys(task.combinations)),
    )


def _run_series(task: Task, number: int) -> NightResult:
    drawn = draw_series(task.kind, number, task.campaign, task.simulator, task.batches)
    nights = simulate_all(drawn, task.step_s)
    played = {each: play_series(nights, each) for each in task.combinations}
    known = {each: before_last for each, (_, before_last) in played.items()}
    return NightResult(
        *(task.simulator, task.kind, number, task.batches, nights[-1].onset_s),
        outcomes=[each for outcomes, _ in played.values() for each in outcomes],
        bounds_min=_bounds_min(drawn[-1], task, CONTENTS_LEARNT_K),
        own_bounds_min=_own_bounds_min(nights[-1], task, known),
    )


def _sigma_pa(night: DrawnNight, task: Task) -> float:
    converted_pa = CONVERTER_STEP_PA / task.step_s
    return reading_noise_pa(night.sensing.noise_pa, round(task.step_s), converted_pa)


def _bounds_min(night: DrawnNight, task: Task, contents_sigma_k: float) -> dict[str, float]:
    if task.kind != FROM_START:
        return {}
    sigma_pa, bounds = _sigma_pa(night, task), {}
    for combination in task.combinations:
        bound = pot_bound_min(night, combination, RATES[FROM_START], sigma_pa, task.step_s, contents_sigma_k)
        if bound is not None:
            bounds[name_of(combination)] = bound
    return bounds


def _own_bounds_min(
    night: Recorded, task: Task, known: Mapping[Combination, Known | None]
) -> dict[str, float]:
    if task.kind not in RATES or night.onset_s is None:
        return {}
    (sound,) = simulate_all([replace(night.night, leak=None)], task.step_s)
    return {
        name_of(each): own_bound_min(sound, each, RATES[task.kind], night.onset_s, batches)
        for each, batches in known.items()
    }


def run_all(tasks: Sequence[Task], jobs: int, keep: Path | None) -> list[NightResult]:
    """Run the tasks in so many processes; each result is added to the file `keep` as soon as it is there."""
    results: list[NightResult] = []
    if keep is not None:
        keep.write_bytes(b"")
    with Progress() as progress, ProcessPoolExecutor(jobs) as pool:
        bar = progress.add_task("nights", total=sum(len(task.numbers) * (1 + task.batches) for task in tasks))
        running = {pool.submit(run, task): task for task in tasks}
        try:
            for done in as_completed(running):
                task, came = running[done], done.result()
                results += came
                progress.advance(bar, len(task.numbers) * (1 + task.batches))
                if keep is not None:
                    with keep.open("ab") as file:
                        for each in came:
                            pickle.dump(each, file)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)  # else all the rest is played before it is told
            raise
    return results


def kept(paths: Iterable[Path]) -> list[NightResult]:
    """Return the results of such files; what was cut off while it was written is left out."""
    results = []
    for path in paths:
        with path.open("rb") as file:
            while True:
                try:
                    results.append(pickle.load(file))
                except (EOFError, pickle.UnpicklingError):
                    break
    return results
