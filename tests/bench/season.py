"""A rehearsed season: one record, one pot, a year of batches in real weather, a lid seal that wears out.

    .venv/bin/pip install -e '.[test,bench]'
    .venv/bin/python tests/bench/season.py --record season.db

Each night goes through the real drivers, service and record on a clock that is moved by hand, and is a run of
its own: the machine is switched on in the evening. The seal loses 0.03 psi/h when new and 0.65 when worn out;
on the way there it loses ever more with each batch, and more with those in the cold. A sample each 5 s, not
each second: the watch thinks in bins of 20 s, and the season takes minutes instead of a quarter of an hour.
"""

import argparse
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import accumulate
from pathlib import Path
from random import Random

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.model import batch_details
from potvigil.model.events import Action, Detail
from potvigil.model.maintenance import Part
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.rows import ListedBatch
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.settings.loading import load_text
from potvigil.sim.gas_laws import Leak, LeakLaw
from potvigil.sim.nights import WALL_PROBE, settings_for, truth
from potvigil.sim.pot_parts import CureHeat, Fill, PotParameters, Table, Vent
from potvigil.sim.world import FaultKind, Night, SensorFault, World
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, celsius_to_kelvin

POT, REHEARSED, BY = "lantern", "season", "mara"
FIRST_DAY = datetime(2025, 3, 1, tzinfo=UTC)  # the weather's hours are taken for UTC

HOLD_S, SAMPLE_PERIOD_S = 10 * SECONDS_PER_HOUR, 5.0
# Seconds of a night: switched on, mixed and perhaps opened by hand, filled, vented, switched off
BOOT_TAKES_S, MIXED_S, FILL_S, OFF_AFTER_VENT_S = 25.0, 180.0, 600.0, 960.0
WORKING_PA = 60 * PA_PER_PSI
PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR

NEW_SEAL, WORN_SEAL = 0.03, 0.65  # psi/h at 60 psi gauge
MILD_C = 18.0  # a colder batch wears the seal more: by so much for each kelvin
WEAR_PER_K_COLDER = 0.06
OPENS_PER_K_COLDER = 0.02  # within a night, as the seal stiffens

# What befalls which of 60 batches
BATCHES, SEAL_CHANGED = 60, 39  # changed before this one
VENTED_EARLY, UNPLUGGED, POWER_CUT, VALVE_CLEANED, FITTING, INSPECTED, TOPPED_UP = 9, 14, 19, 22, 26, 30, 35
LEAST_FOR_MISHAPS = 30  # a short season is spared
MOST_BATCHES = 350

POT_AS_SET = PotParameters(mould_share=0.0015)


@dataclass(frozen=True)
class Evening:
    """Weather from start_utc_s on: the workshop's temperature, C, and the barometer, Pa, at times_s."""

    start_utc_s: float
    times_s: tuple[float, ...]
    room_c: tuple[float, ...]
    ambient_pa: tuple[float, ...]

    @property
    def mean_c(self) -> float:
        return sum(self.room_c) / len(self.room_c)

    @property
    def fall_k(self) -> float:
        """By how much the workshop cools until the morning."""
        night = [each for t_s, each in zip(self.times_s, self.room_c, strict=True) if t_s < 12 * 3600.0]
        return night[0] - min(night)


@dataclass(frozen=True)
class Care:
    part: Part
    text: str


@dataclass(frozen=True)
class Planned:
    """One batch to come. seal_psi_per_h: what the seal loses at 60 psi gauge in the evening's temperature.

    told: when the details are given: at mixing, in the evening, in the morning. note: in the morning, if any.
    cut_s: when the power goes, for off_s. mishap: in a word or two, for the printed line.
    """

    number: int
    night: Night
    seal_psi_per_h: float
    details: dict[Detail, str]
    told: str
    note: str
    cares: tuple[Care, ...] = ()
    vent_s: float = 0.0
    cut_s: float | None = None
    off_s: float = 1200.0
    mishap: str = ""


@dataclass(frozen=True)
class Played:
    """One batch as the record lists it. true_pa_per_s: the pot's own leak at the time of the estimate."""

    planned: Planned
    row: ListedBatch
    true_pa_per_s: float | None
    took_s: float


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--record", type=Path, help="a new file (default: a temporary one, which is kept)")
    parser.add_argument("--batches", type=int, default=BATCHES, help="in the year (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="another seed, another season")
    args = parser.parse_args()
    record = args.record or Path(tempfile.mkdtemp(prefix="potvigil-season-")) / "season.db"
    if record.exists():
        parser.error(f"--record {record}: there is such a file; give a new one")
    if not 1 <= args.batches <= MOST_BATCHES:
        parser.error(f"--batches {args.batches}: give 1 to {MOST_BATCHES}, an evening each")
    start_s = time.perf_counter()
    for played in play(record, plan(greensboro(), args.batches, args.seed)):
        print(_line(played), flush=True)
    size_mb = record.stat().st_size / 1e6
    print(f"record: {record} ({size_mb:.0f} MB), in {time.perf_counter() - start_s:.0f} s")


# --- what is to happen -----------------------------------------------------------------------------------


def greensboro() -> list[Evening]:
    """Return the evenings of a year at Greensboro from 1 March on, without those across a splice."""
    from detection.weather import START_HOUR, all_nights  # needs pvlib

    evenings = []
    for night in all_nights():
        place, _, day = night.name.partition("-")
        if place != "greensboro":
            continue
        date = datetime(FIRST_DAY.year, 1, 1, START_HOUR, tzinfo=UTC) + timedelta(days=int(day))
        if date < FIRST_DAY:
            date = date.replace(year=date.year + 1)
        # heated a little, so that winter and summer are half as far apart as outside
        mean_c = 17.5 + 0.5 * (sum(night.outdoor_c) / len(night.outdoor_c) - 14.4)
        room_c = tuple(max(mean_c, 9.0) + each for each in night.swing_c)
        evenings.append(Evening(date.timestamp(), night.times_s, room_c, night.ambient_pa))
    return sorted(evenings, key=lambda evening: evening.start_utc_s)


def plan(
    evenings: Sequence[Evening],
    batches: int = BATCHES,
    seed: int = 1,
    hold_s: float = HOLD_S,
    sample_period_s: float = SAMPLE_PERIOD_S,
) -> list[Planned]:
    """Return a season of batches on evenings spread over those given. The same seed gives the same season."""
    random = Random(f"season/{seed}")
    chosen = _evenings(evenings, batches, random)
    changed = max(2, round(SEAL_CHANGED * batches / BATCHES))
    seal = _seal([evening.mean_c for evening in chosen], changed - 1)
    words = _Words(random)
    coldest = max(range(changed, batches), key=lambda i: chosen[i].fall_k, default=0)
    season = []
    for i, evening in enumerate(chosen):
        given = words.details(i)
        planned = Planned(
            number=i + 1,
            night=_night(evening, seal[i], given, hold_s, sample_period_s, random),
            seal_psi_per_h=seal[i],
            details=given,
            told=random.choice(("at mixing", "in the evening", "in the evening", "in the morning")),
            note=words.note(),
            vent_s=FILL_S + 100.0 + hold_s * (1.0 + random.uniform(0.01, 0.1)),
        )
        if i + 1 == changed:
            seal_care = Care(Part.SEAL, "new ring, silicone 5 mm; the old one was flat at the hinge")
            planned = replace(planned, cares=(seal_care,))
        if batches >= LEAST_FOR_MISHAPS:
            planned = _with_mishap(planned, batches)
            if i == coldest:
                planned = replace(planned, mishap=f"cold night, {evening.fall_k:.0f} K")
        season.append(_finished(planned))
    return season


def _evenings(evenings: Sequence[Evening], batches: int, random: Random) -> list[Evening]:
    """Choose evenings that are evenly spread but for a day or two, and the one of the hardest frost."""
    apart = len(evenings) / batches
    late = min(max(apart - 1.0, 0.0), 3.0)  # never two on one evening
    at = [int(i * apart + random.uniform(0.0, late)) for i in range(batches)]
    hardest = max(range(len(evenings)), key=lambda i: evenings[i].fall_k)
    at[min(range(batches), key=lambda i: abs(at[i] - hardest))] = hardest
    return [evenings[i] for i in at]


def _seal(means_c: Sequence[float], lasts: int) -> list[float]:
    """Return what the seal loses on each night, psi/h; it is worn out on night `lasts` and changed then."""
    wear = [1.0 + WEAR_PER_K_COLDER * max(MILD_C - mean_c, 0.0) for mean_c in means_c]
    worn = [0.0, *accumulate(wear)]
    losing = []
    for i in range(len(means_c)):
        since = worn[i] if i < lasts else worn[i] - worn[lasts]
        losing.append(NEW_SEAL * (WORN_SEAL / NEW_SEAL) ** (since / max(worn[lasts - 1], wear[0])))
    return losing


def _night(
    evening: Evening,
    seal_psi_per_h: float,
    given: dict[Detail, str],
    hold_s: float,
    sample_period_s: float,
    random: Random,
) -> Night:
    """Return the night as it would go without mishap; when it is vented is not in it yet."""
    late_s = random.uniform(0.0, 2.0 * SECONDS_PER_HOUR)
    times_s = [each - late_s for each in evening.times_s]
    start_utc_s = evening.start_utc_s + late_s
    grams = float(given[Detail.MASS].split()[0])
    given[Detail.MIXED_AT] = datetime.fromtimestamp(start_utc_s + MIXED_S, UTC).isoformat(timespec="minutes")
    given.update({field: batch_details.read(field, text) for field, text in given.items()})
    seal = Leak(
        0.0,
        LeakLaw.CAPILLARY,
        rate_pa_per_s=seal_psi_per_h * PSI_PER_H,
        at_gauge_pa=WORKING_PA,
        opens_per_k_colder=OPENS_PER_K_COLDER,
    )
    # the settings say 3 L of contents; another mould every night is a little more or less
    filling = random.uniform(0.85, 1.15)
    contents = (POT_AS_SET.contents_volume_m3 * filling, POT_AS_SET.contents_j_per_k * filling)
    cure = f"hold: {hold_s / 3600.0:g} h, gel: {hold_s / 5.0 / 3600.0:g} h, working_time: 30 min"
    settings = settings_for(POT_AS_SET, (WALL_PROBE,), cure=cure)
    return Night(
        name=REHEARSED,
        title="a night of a season",
        settings_yaml=f"{settings}sample_period: {sample_period_s:g} s\n",
        duration_s=0.0,
        truth=truth(),
        room_k=Table(times_s, [celsius_to_kelvin(each) for each in evening.room_c]),
        ambient_pa=Table(times_s, evening.ambient_pa),
        actions=(Fill(FILL_S, WORKING_PA),),
        leaks=(seal,),
        # 60 J/g in the bell: what comes before and after it is too slow to be seen in the air
        cure=CureHeat(
            FILL_S + random.uniform(1.0, 3.0) * 3600.0, random.uniform(1200.0, 3000.0), 60.0 * grams
        ),
        parameters=replace(POT_AS_SET, contents_volume_m3=contents[0], contents_j_per_k=contents[1]),
        probes=(WALL_PROBE,),
        start_utc_s=start_utc_s,
    )


def _with_mishap(planned: Planned, batches: int) -> Planned:
    """Add what befalls this batch, or what care the pot got before it."""
    night, hour = planned.night, SECONDS_PER_HOUR
    match -(-planned.number * BATCHES // batches) if batches < BATCHES else planned.number:
        case n if n == VENTED_EARLY:
            return replace(
                planned, vent_s=FILL_S + hour, mishap="vented early", note="opened it too soon, pity"
            )
        case n if n == UNPLUGGED:
            fault = SensorFault(FaultKind.PROBE_ABSENT, 3 * hour, 6 * hour, probe_id=WALL_PROBE.probe_id)
            return replace(planned, night=replace(night, faults=(fault,)), mishap="thermometer unplugged")
        case n if n == POWER_CUT:
            return replace(planned, cut_s=4.5 * hour, mishap="power cut")
        case n if n == VALVE_CLEANED:
            return replace(planned, cares=(Care(Part.VALVE, "supply valve cleaned, it stuck a little"),))
        case n if n == FITTING:
            fitting = Leak(2.5 * hour, LeakLaw.ORIFICE, rate_pa_per_s=4.0 * PSI_PER_H)
            night = replace(night, leaks=(*night.leaks, fitting))
            return replace(planned, night=night, mishap="a fitting leaks", note="gauge fitting was loose")
        case n if n == INSPECTED:
            return replace(
                planned, cares=(Care(Part.INSPECTION, "yearly look at pot, clamps and relief valve"),)
            )
        case n if n == TOPPED_UP:
            actions = (*night.actions, Fill(5.5 * hour, WORKING_PA))
            return replace(planned, night=replace(night, actions=actions), mishap="topped up")
    return planned


def _finished(planned: Planned) -> Planned:
    """Return it with the venting, and the machine switched off when the alarms have gone."""
    night = planned.night
    return replace(
        planned,
        night=replace(
            night,
            actions=(*night.actions, Vent(planned.vent_s)),
            duration_s=planned.vent_s + OFF_AFTER_VENT_S,
        ),
    )


class _Words:
    """What a small studio writes to its batches; no two labels are the same."""

    LONG = "Signal lens for the west mole of the 1:72 harbour, large, second try after the first set with "
    HOSTILE = ('"Pier & Mole" <b>no. 7</b>, Jo\'s 🏮 lens', f"{LONG}a bubble inside")
    LAMPS = (
        "pier light",
        "mole lantern",
        "harbour beacon",
        "buoy lamp",
        "bollard light",
        "range light, rear",
    )
    MOULDS = ("lantern lens no. 3", "fresnel lens, 24 mm", "bollard light, set of six", "half shells, pair")
    RESINS = ("clear, slow", "clear, slow", "clear, medium")
    COLOURS = ("clear", "clear", "signal green, 2 drops", "port red, 2 drops", "amber, 1 drop")
    NOTES = (
        "clear as water",
        "two bubbles at the rim",
        "one bubble under the ring, can be turned off",
        "demoulded easily; edge a little soft",
        "good, both halves\npolish the seam",
    )

    def __init__(self, random: Random) -> None:
        self._random = random
        self._hostile = dict(zip((4, 44), self.HOSTILE, strict=True))

    def details(self, i: int) -> dict[Detail, str]:
        """Return what is known of batch i, counted from 0; when it was mixed is added later."""
        random = self._random
        label = f"{random.choice(self.LAMPS)} {i + 1:02d}"
        return {
            Detail.LABEL: self._hostile.get(i, label),
            Detail.RESIN: random.choice(self.RESINS),
            Detail.MOULD: random.choice(self.MOULDS),
            Detail.COLOUR: random.choice(self.COLOURS),
            Detail.MASS: f"{random.randrange(120, 420, 10)} g",
        }

    def note(self) -> str:
        return self._random.choice(self.NOTES) if self._random.random() < 0.4 else ""


# --- and as it happens -----------------------------------------------------------------------------------

_Ask = tuple[float, Callable[[Store, float], None]]  # second of the night, what is asked at which UTC


def play(record: Path, season: Sequence[Planned]) -> Iterator[Played]:
    """Play the batches one after the other into the record; yield each when it is closed."""
    for planned in season:
        start_s = time.perf_counter()
        true_rates: list[tuple[float, float]] = []  # UTC, Pa/s
        with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
            world = World(planned.night, Path(folder), seed=planned.number)
            asked = _asked(planned)
            for from_s, until_s in _powered(planned):
                _watch(record, world, from_s, until_s, asked, true_rates)
        row = _settle(record, planned)
        true_pa_per_s = None
        if row.leak_t_s is not None and row.start_utc_s is not None:
            # the estimate's last bin may reach a moment into the venting
            leak_utc_s = row.start_utc_s + row.leak_t_s - row.start_t_s
            known_s = min(leak_utc_s, planned.night.start_utc_s + planned.vent_s)
            true_pa_per_s = next(rate for utc_s, rate in reversed(true_rates) if utc_s <= known_s)
        yield Played(planned, row, true_pa_per_s, time.perf_counter() - start_s)


def _powered(planned: Planned) -> list[tuple[float, float]]:
    """Return the spans in which the machine has power, seconds of the night."""
    end_s = planned.night.duration_s
    if planned.cut_s is None:
        return [(0.0, end_s)]
    return [(0.0, planned.cut_s), (planned.cut_s + planned.off_s, end_s)]


def _watch(
    record: Path,
    world: World,
    from_s: float,
    until_s: float,
    asked: list[_Ask],
    true_rates: list[tuple[float, float]],
) -> None:
    """Boot and watch until the power goes; `asked` comes by a connection of its own, as a verb has it."""
    night = world.night
    boot_at_s = from_s - BOOT_TAKES_S
    settings = load_text(night.settings_yaml, night.name)

    def advance(boot_s: float) -> None:
        if (boot_s - BOOT_TAKES_S) % settings.sample_period_s:
            return  # the loop sleeps by the second, the pot need not wake for that
        world.advance(boot_s + boot_at_s)
        true_rates.append((night.start_utc_s + world.pot.t_s, world.pot.leak_pa_per_s))

    world.advance(from_s)
    clock = ManualClock(BOOT_TAKES_S, night.start_utc_s + from_s, advance)
    station = simulated_station(settings, world)
    boot_id = f"{REHEARSED}-{night.start_utc_s + from_s:.0f}"
    service = Service(settings, clock, boot_id, station, Store.open(record), rehearsed=REHEARSED)
    service.start()
    while asked and asked[0][0] < until_s:
        at_s, ask = asked.pop(0)
        service.run(at_s - boot_at_s)
        with Store.open(record, create=False) as store:
            ask(store, night.start_utc_s + at_s)
    service.run(until_s - boot_at_s)
    if until_s == night.duration_s:
        service.stop()  # else the power goes, and what was not written is lost


def _asked(planned: Planned) -> list[_Ask]:
    """Return what a person asks of the watch in this night, in order."""

    def acknowledge(store: Store, utc_s: float) -> None:
        store.add_command(POT, Action.ACKNOWLEDGE, utc_s, by=BY)

    def care(store: Store, utc_s: float) -> None:
        for each in planned.cares:
            store.add_care(POT, utc_s, each.part, each.text, BY, utc_s)

    def open_with_details(store: Store, utc_s: float) -> None:
        store.add_edits(POT, planned.details, BY, utc_s, opening=True)

    def edit(store: Store, utc_s: float) -> None:
        store.add_edits(POT, planned.details, BY, utc_s)

    asked: list[_Ask] = [(planned.vent_s + 300.0, acknowledge)]
    if planned.cares:
        asked.append((60.0, care))
    if planned.told == "at mixing":
        asked.append((MIXED_S, open_with_details))
    elif planned.told == "in the evening":
        asked.append((FILL_S + 900.0, edit))
    return sorted(asked, key=lambda each: each[0])


def _settle(record: Path, planned: Planned) -> ListedBatch:
    """Write what is said in the morning, and return the batch as it is listed then."""
    with Store.open(record, create=False) as store:
        (row,) = store.listed(Wanted(limit=1))
        said = dict(planned.details) if planned.told == "in the morning" else {}
        if planned.note:
            said[Detail.NOTE] = planned.note
        store.edit(row.id, said, BY, planned.night.start_utc_s + planned.night.duration_s + 1800.0)
        (row,) = store.listed(Wanted(limit=1))
        return row


def _line(played: Played) -> str:
    row, planned = played.row, played.planned
    leak = "no estimate"
    if row.leak_pa_per_s is not None and played.true_pa_per_s is not None:
        value, low, high, true = (
            each / PSI_PER_H
            for each in (
                row.leak_pa_per_s.value,
                row.leak_pa_per_s.low,
                row.leak_pa_per_s.high,
                played.true_pa_per_s,
            )
        )
        leak = f"{value:5.2f} ({low:5.2f} to {high:4.2f}), true {true:4.2f} psi/h"
        leak += "" if low <= true <= high else " missed"
    evening = datetime.fromtimestamp(planned.night.start_utc_s, UTC)
    happened = ", ".join([*(f"{care.part} seen to" for care in planned.cares), planned.mishap]).strip(", ")
    return (
        f"{row.id:3d}  {evening:%Y-%m-%d %H:%M}  {row.verdict or 'open':16s}  {leak:50s} {happened}".rstrip()
    )


if __name__ == "__main__":
    main()
