"""The sequential tightness test on seeded empty pots: wrong answers, and its time against a fixed test's.

    python tests/bench/bench_tightness.py [--pots 100] [--processes 2] [--places gas wall] [--campaign WORD]

Pots of 8 to 50 L, every thermal constant drawn widely, in rooms that swing, drift and are heated; the leak by
either law. "fixed" is a test that looks once, at 95 %, after a time reckoned for the same nine of ten.
--campaign names another, independent set of pots; a wrong answer is a pass at twice the limit or more, or a
fail at half of it or less, and is named below the table, to be played again.
"""

import argparse
from collections import Counter
from dataclasses import dataclass
from math import cos, exp, log, pi
from multiprocessing import Pool
from random import Random
from statistics import median

from potvigil.diagnosis.tightness import Judgement, Limit, Tightness, plan
from potvigil.model.events import NORMAL_95
from potvigil.model.pot import Pot, Transducer
from potvigil.model.reading import Place, Sample
from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import Fill, PotParameters, Supply
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR

PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR
WORKING_PA = 60.0 * PA_PER_PSI
LIMITS = {
    "15 psi in 10 h": Limit(15 * PA_PER_PSI, 10 * 3600.0),
    "3 psi in 12 h": Limit(3 * PA_PER_PSI, 12 * 3600.0),
}
SHARES = (0.0, 0.5, 1.0, 2.0, 5.0)  # of the limit
PERIOD_S = 2.0  # two conversions averaged
PROBE_STEP_C, CONVERTER_STEP_PA = 0.0625, 0.0047 * PA_PER_PSI


@dataclass(frozen=True)
class Job:
    campaign: str
    place: str
    limit: str
    share: float
    number: int


@dataclass(frozen=True)
class Done:
    job: Job
    answer: Judgement
    after_s: float
    latest_s: float
    fixed_s: float
    holds_truth: bool


def drawn(random: Random, low: float, high: float) -> float:
    return low * exp(random.random() * log(high / low))


def run(job: Job) -> Done:
    random = Random(f"{job.campaign}/{job.place}/{job.limit}/{job.share}/{job.number}")
    volume_m3 = 1e-3 * drawn(random, 8.0, 50.0)
    size = volume_m3 / 0.020
    area = size ** (2.0 / 3.0)
    limit = LIMITS[job.limit]
    parameters = PotParameters(
        internal_volume_m3=volume_m3,
        contents_volume_m3=0.0,
        gas_wall_w_per_k=1.6 * area * drawn(random, 0.5, 2.0),
        gas_contents_w_per_k=0.3 * area * random.random(),  # a stand on its floor
        contents_j_per_k=drawn(random, 20.0, 800.0) * size,
        wall_room_w_per_k=2.2 * area * drawn(random, 0.5, 2.0),
        wall_j_per_k=7000.0 * size**0.8 * drawn(random, 0.6, 1.7),
        stirring_s_per_mol=80.0 / size,
    )
    mean_k, swing_k, phase = 290.0, random.uniform(0.0, 8.0), random.random()
    heated_k, heated_s = random.choice((0.0, 0.0, random.uniform(0.3, 1.2))), random.uniform(1200.0, 4800.0)

    def room_k(t_s: float) -> float:
        saw = heated_k * (4.0 * abs(t_s / heated_s % 1.0 - 0.5) - 1.0)
        return mean_k + 0.5 * swing_k * cos(2.0 * pi * (t_s / 86_400.0 + phase)) + saw

    slope = random.gauss(0.0, 30.0) / SECONDS_PER_HOUR

    def ambient_pa(t_s: float) -> float:
        return 101_325.0 + slope * t_s

    rate = job.share * limit.share_per_s(WORKING_PA + 101_325.0) * (WORKING_PA + 101_325.0)
    leaks = (
        (Leak(0.0, random.choice(list(LeakLaw)), rate_pa_per_s=rate, at_gauge_pa=WORKING_PA),) if rate else ()
    )
    model = PotModel(
        parameters,
        supply=Supply(
            valve_area_m2=6.5e-7 * size * drawn(random, 0.4, 2.0), tank_volume_m3=0.05 * max(size, 1.0)
        ),
        actions=(Fill(120.0, WORKING_PA),),
        leaks=leaks,
        room_k=room_k,
        ambient_pa=ambient_pa,
    )
    pot = Pot(
        pot_id="lantern",
        internal_volume_m3=volume_m3,
        contents_volume_m3=0.0,
        maximum_pa=80.0 * PA_PER_PSI,
        working_pa=WORKING_PA,
        floor_pa=45.0 * PA_PER_PSI,
        hold_s=36_000.0,
        thermometers=frozenset(() if job.place == "none" else (Place(job.place),)),
        has_barometer=True,
        transducer=Transducer(volts_per_count=187.5e-6, span_pa=100.0 * PA_PER_PSI),
    )
    planned = plan(pot, limit, 1.0)
    fixed_s = plan(pot, limit, 1.0, NORMAL_95).latest_s
    test = Tightness(pot, limit, planned, 1.0)
    zero_pa, drift = PA_PER_PSI * random.gauss(0.0, 0.2), PA_PER_PSI * random.uniform(-0.02, 0.02)
    lag_s = {
        "gas": drawn(random, 15.0, 90.0),
        "wall": drawn(random, 20.0, 150.0),
        "room": drawn(random, 60.0, 600.0),
    }
    mixed = random.uniform(0.0, 0.12) if job.place == "gas" else random.uniform(0.0, 0.25)
    offset_k = random.gauss(0.0, 0.25)
    noise_pa = PA_PER_PSI * random.uniform(0.01, 0.04) / PERIOD_S**0.5
    seen_k = model.room_k
    t_s = 0.0
    while test.result is None:
        model.advance(t_s)
        shown = model.gauge_pa + zero_pa + drift * (model.wall_k - 293.15) + random.gauss(0.0, noise_pa)
        target_k = {
            "gas": model.gas_k + mixed * (model.wall_k - model.gas_k),
            "wall": model.wall_k + mixed * (model.room_k - model.wall_k),
            "room": model.room_k,
            "none": 0.0,
        }[job.place]
        seen_k += (target_k - seen_k) * PERIOD_S / (lag_s.get(job.place, 1.0) + PERIOD_S)
        celsius = round((seen_k + offset_k - 273.15) / PROBE_STEP_C) * PROBE_STEP_C
        step_pa = CONVERTER_STEP_PA / 2.0
        test.feed(
            Sample(
                t_s=t_s,
                gauge_pa=round(shown / step_pa) * step_pa,
                ambient_pa=round(model.ambient_pa + 40.0 + random.gauss(0.0, 1.0)),
                gas_c=celsius if job.place == "gas" else None,
                wall_c=celsius if job.place == "wall" else None,
                room_c=celsius if job.place == "room" else None,
            )
        )
        t_s += PERIOD_S
    look = test.result.look
    true_share = rate / (WORKING_PA + 101_325.0)
    holds = look is None or look.share_per_s.low <= true_share <= look.share_per_s.high
    return Done(job, test.result.answer, test.result.after_s, planned.latest_s, fixed_s, holds)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--pots", type=int, default=100)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--places", nargs="*", default=["gas", "wall", "room"])
    parser.add_argument("--campaign", default="bench", help="a word that names another set of pots")
    asked = parser.parse_args()
    jobs = [
        Job(asked.campaign, place, limit, share, number)
        for place in asked.places
        for limit in LIMITS
        for share in SHARES
        for number in range(asked.pots)
    ]
    with Pool(asked.processes) as pool:
        done = pool.map(run, jobs, chunksize=8)
    print(
        "place  limit           leak/limit  pass  fail  cannot  min: median (95 %)  longest  fixed  interval"
    )
    for place in asked.places:
        for limit in LIMITS:
            for share in SHARES:
                some = [
                    each for each in done
                    if (each.job.place, each.job.limit, each.job.share) == (place, limit, share)
                ]  # fmt: skip
                n, count = len(some), Counter(each.answer for each in some)
                took = sorted(each.after_s / 60.0 for each in some)
                latest, fixed = (
                    max(each) / 60.0 for each in zip(*((d.latest_s, d.fixed_s) for d in some), strict=True)
                )
                held = sum(each.holds_truth for each in some)
                print(
                    f"{place:6} {limit:15} {share:10g} {count[Judgement.PASS]:5} {count[Judgement.FAIL]:5} "
                    f"{count[Judgement.CANNOT_TELL]:7} {median(took):8.0f} ({took[int(0.95 * n)]:.0f}) "
                    f"{latest:13.0f} {fixed:6.0f} {100.0 * held / n:8.0f} %"
                )
    for each in done:
        job, answer = each.job, each.answer
        if (answer is Judgement.PASS and job.share > 1.0) or (answer is Judgement.FAIL and job.share < 1.0):
            print(f"wrong: {answer}, {job}")


if __name__ == "__main__":
    main()
