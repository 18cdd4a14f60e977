"""What `pot cause` says of seeded nights whose cause is known: a table of truth against answer.

    python tests/bench/bench_cause.py [--nights 40] [--processes 2] [--places gas wall room] [--campaign WORD]

Pots of 8 to 50 L with mould and resin, a hold of 10 h in a room that cools by 2 to 10 K; leaks of 0.5 to 3
psi/h at 60 psi from the start or from mid-hold. "seal": a gap or the cold. "cannot" is no answer, which is no
fault; "cannot*" one whose list of what may be leaves out the truth. --campaign names another, independent
set of nights; wrong ones are named below the table, to be played again.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from math import cos, exp, log, pi
from multiprocessing import Pool
from random import Random

from potvigil.diagnosis.cause import Cause, find, follow
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Sample
from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.pot import PotModel
from potvigil.sim.pot_parts import CureHeat, Fill, PotParameters, Supply
from potvigil.units import PA_PER_PSI, ZERO_CELSIUS_K

WORKING_PA, HOLD_S, FILL_AT_S, PERIOD_S = 60.0 * PA_PER_PSI, 36_000.0, 120.0, 5.0
SETTLE_S = 120.0
CAUSES = ("sound", "hole", "gap", "cold", "above")


def drawn(random: Random, low: float, high: float) -> float:
    return low * exp(random.random() * log(high / low))


def night(campaign: str, place: str, cause: str, number: int) -> tuple[Iterator[Sample], Pot]:
    """Draw a night; return its samples, played as they are asked for, and its pot."""
    random = Random(f"{campaign}/{place}/{cause}/{number}")
    volume_m3 = 1e-3 * drawn(random, 8.0, 50.0)
    size = volume_m3 / 0.020
    area = size ** (2.0 / 3.0)
    contents_m3 = volume_m3 * random.uniform(0.06, 0.35)
    parameters = PotParameters(
        internal_volume_m3=volume_m3,
        contents_volume_m3=contents_m3,
        gas_wall_w_per_k=1.6 * area * drawn(random, 0.5, 2.0),
        gas_contents_w_per_k=1.4 * area * drawn(random, 0.4, 3.0),
        wall_room_w_per_k=2.2 * area * drawn(random, 0.5, 2.0),
        wall_j_per_k=7000.0 * size**0.8 * drawn(random, 0.6, 1.7),
        contents_j_per_k=1000.0 * contents_m3 * drawn(random, 500.0, 1900.0),
        stirring_s_per_mol=80.0 / size,
        mould_share=random.uniform(0.0, 0.003),
    )
    swing_k, coldest_s = random.uniform(2.0, 10.0), random.uniform(6.0, 11.0) * 3600.0

    def room_k(t_s: float) -> float:
        return 290.0 + 0.5 * swing_k * cos(pi * (t_s - coldest_s) / (11.0 * 3600.0) + pi)

    heat = None
    if random.random() < 1.0 / 3.0:
        peak_s, width_s = random.uniform(2500.0, 15_000.0), drawn(random, 500.0, 3000.0)
        heat = CureHeat(peak_s, width_s, parameters.contents_j_per_k * drawn(random, 3.0, 20.0))
    law = {"hole": LeakLaw.ORIFICE, "gap": LeakLaw.CAPILLARY}.get(cause, random.choice(list(LeakLaw)))
    onset_s = 0.0 if cause == "above" else random.choice((0.0, random.uniform(1.0, 4.0) * 3600.0))
    leak = Leak(
        onset_s,
        law,
        rate_pa_per_s=drawn(random, 0.5, 3.0) * PA_PER_PSI / 3600.0,
        at_gauge_pa=WORKING_PA,
        opens_per_k_colder=random.uniform(0.03, 0.1) if cause == "cold" else 0.0,
    )
    model = PotModel(
        parameters,
        supply=Supply(
            valve_area_m2=6.5e-7 * size * drawn(random, 0.4, 2.0), tank_volume_m3=0.05 * max(size, 1.0)
        ),
        actions=(Fill(FILL_AT_S, WORKING_PA),),
        leaks=() if cause == "sound" else (leak,),
        cure=heat,
        room_k=room_k,
        ambient_pa=lambda t_s: 101_325.0 + 200.0 * cos(2.0 * pi * t_s / 50_000.0),
    )
    sets_pa = WORKING_PA * random.uniform(0.78, 0.93)  # where a weeping relief valve shuts
    pot = Pot(
        pot_id="lantern",
        internal_volume_m3=volume_m3,
        contents_volume_m3=contents_m3,
        maximum_pa=80.0 * PA_PER_PSI,
        working_pa=WORKING_PA,
        floor_pa=45.0 * PA_PER_PSI,
        hold_s=HOLD_S,
        thermometers=frozenset((Place(place),)),
        has_barometer=True,
    )
    lag_s = {"gas": drawn(random, 15.0, 90.0), "wall": drawn(random, 20.0, 150.0), "room": 200.0}[place]
    mixed = random.uniform(0.0, 0.12) if place == "gas" else random.uniform(0.0, 0.25)
    offset_k, zero_pa = random.gauss(0.0, 0.25), PA_PER_PSI * random.gauss(0.0, 0.2)
    drift, noise_pa = PA_PER_PSI * random.uniform(-0.02, 0.02), 0.03 * PA_PER_PSI / PERIOD_S**0.5

    def samples() -> Iterator[Sample]:
        seen_k, filled, fed_mol, full_size = model.room_k, False, 0.0, 0.0
        for tick in range(int((FILL_AT_S + HOLD_S) / PERIOD_S)):
            t_s = tick * PERIOD_S
            model.advance(t_s)
            if (
                cause == "above" and model._leaks
            ):  # the simulator knows no such leak: its size follows the gauge
                law_of, size_of, then_k = model._leaks[0]
                if tick and not filled:
                    full_size = size_of
                lifted = max(model.gauge_pa - sets_pa, 0.0) / (WORKING_PA - sets_pa)
                model._leaks[0] = (law_of, full_size * lifted if filled else size_of, then_k)
            filled = filled or 0.0 < fed_mol == model.fed_mol
            fed_mol = model.fed_mol
            target_k = {
                "gas": model.gas_k + mixed * (model.wall_k - model.gas_k),
                "wall": model.wall_k + mixed * (model.room_k - model.wall_k),
                "room": model.room_k,
            }[place]
            seen_k += (target_k - seen_k) * PERIOD_S / (lag_s + PERIOD_S)
            celsius = round((seen_k + offset_k - ZERO_CELSIUS_K) / 0.0625) * 0.0625
            off_pa = zero_pa + drift * (model.wall_k - 293.15) + random.gauss(0.0, noise_pa)
            gas_c, wall_c, room_c = (celsius if each == place else None for each in ("gas", "wall", "room"))
            yield Sample(
                t_s, gauge_pa=model.gauge_pa + off_pa, ambient_pa=model.ambient_pa + 40.0,
                gas_c=gas_c, wall_c=wall_c, room_c=room_c,
            )  # fmt: skip

    return samples(), pot


def said(job: tuple[str, str, str, int]) -> tuple[str, str, str]:
    """Return place, truth and answer."""
    campaign, place, cause, number = job
    samples, pot = night(campaign, place, cause, number)
    finding = find(follow(samples, pot, SETTLE_S), pot)
    if finding is None:
        return place, cause, "no leak"
    if finding.kind is not None:
        return place, cause, str(finding.kind)
    if set(finding.possible) == {Cause.GAP, Cause.COLD}:
        return place, cause, "seal"
    return place, cause, "cannot" if cause in finding.possible else "cannot*"


_SEAL = (str(Cause.GAP), str(Cause.COLD))


def is_wrong(cause: str, answer: str) -> bool:
    if answer == "seal":
        return cause not in _SEAL
    return answer == "cannot*" or answer not in (cause, "no leak", "cannot")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--nights", type=int, default=40)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--places", nargs="*", default=["gas", "wall", "room"])
    parser.add_argument("--campaign", default="bench", help="a word that names another set of nights")
    asked = parser.parse_args()
    jobs = [
        (asked.campaign, place, cause, number)
        for place in asked.places
        for cause in CAUSES
        for number in range(asked.nights)
    ]
    with Pool(asked.processes) as pool:
        answered = pool.map(said, jobs, chunksize=4)
    counted = Counter(answered)
    answers = ["no leak", *(str(kind) for kind in Cause), "seal", "cannot", "cannot*"]
    print("place  truth  " + "".join(f"{each:>9}" for each in answers))
    for place in asked.places:
        for cause in CAUSES:
            figures = "".join(f"{counted[(place, cause, each)]:9}" for each in answers)
            print(f"{place:6} {cause:6} {figures}")
    for job, (_, cause, answer) in zip(jobs, answered, strict=True):
        if is_wrong(cause, answer):
            print(f"wrong: {answer}, {job}")


if __name__ == "__main__":
    main()
