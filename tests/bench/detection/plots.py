"""Draw one night as the watch sees it, beside the truth, to a PNG: pressure, leak rate, temperatures.

    .venv/bin/python tests/bench/detection/plots.py slow-lid-leak
    .venv/bin/python tests/bench/detection/plots.py mid-hold:3 --place wall --out night.png

NIGHT is one of the simulator's named nights, played through the real drivers at 5 s, or KIND:NUMBER for a
drawn one. The watch is looked at once a minute. What is dashed is the truth, which the watch does not know.
"""

import argparse
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from textwrap import fill
from typing import Any, NoReturn

import matplotlib

matplotlib.use("Agg")
import numpy as np
from draw import (
    END_RATE,
    FILL_AT_S,
    FLOOR,
    FLOOR_PA,
    FROM_START,
    HOLD_S,
    MID_HOLD,
    SOUND,
    WORKING_PA,
    draw,
)
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.ticker import MaxNLocator, MultipleLocator
from numpy.typing import NDArray
from simulate import Floats, simulate

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import simulated_station
from potvigil.model.events import AlarmEvent, AlarmId, AlarmState, FloorForecast, Snapshot, Stage
from potvigil.model.pot import Pot
from potvigil.model.reading import Place, Sample
from potvigil.settings.loading import load_text
from potvigil.sim.gas_laws import LeakLaw
from potvigil.sim.nights import GAS_PROBE, NIGHTS, ROOM_PROBE, WALL_PROBE, settings_for
from potvigil.sim.world import Night, World
from potvigil.units import PA_PER_PSI, SECONDS_PER_HOUR, kelvin_to_celsius
from potvigil.watch.pot_watch import PotWatch

KINDS = {
    "sound": SOUND,
    "mid-hold": MID_HOLD,
    "from-start": FROM_START,
    "end-rate": END_RATE,
    "floor": FLOOR,
}
LAWS = {LeakLaw.ORIFICE: "a hole", LeakLaw.CAPILLARY: "a fine gap"}
PLACES: dict[str, Place | None] = {"gas": Place.GAS, "wall": Place.WALL, "room": Place.ROOM, "none": None}
PROBES = {Place.GAS: GAS_PROBE, Place.WALL: WALL_PROBE, Place.ROOM: ROOM_PROBE}
STEP_S, SNAPSHOT_EVERY_S, FORECAST_AFTER_S = 5.0, 60.0, 3600.0
MAXIMUM_PA = 80.0 * PA_PER_PSI  # of a drawn night's pot; the named nights' settings say the same
PSI_PER_H = PA_PER_PSI / SECONDS_PER_HOUR
SHUT = (Stage.SETTLING, Stage.HOLDING)

# Okabe & Ito, Color Universal Design (2008): blue, orange and vermilion, of different lightness too.
READ, CORRECTED, ALARM, TRUTH, QUIET = "#0072B2", "#E69F00", "#D55E00", "black", "0.45"
CORRECTED_WORD = "#8A5F00"  # the orange is too light for letters
GAS_TRUE, ROOM_UNSEEN = "gas, true", "room, unseen"
DASHED, DOTTED = (0, (4, 2)), (0, (1, 2))
A4_LANDSCAPE_IN = (11.69, 8.27)
LEFT_IN, RIGHT_IN, BOTTOM_IN, TITLE_IN, ROW_IN = 0.75, 1.6, 0.55, 0.62, 0.16
NEAR_PT = 4.0  # so near to its line, a name needs nothing to lead to it
HALO = withStroke(linewidth=2.0, foreground="white")
LONGEST_SHOWN_H = 16.0  # a forecast of the floor after the night is drawn to its end if that is sooner


@dataclass(frozen=True)
class Played:
    """A night as sensed, and its truth; times s from the night's start.

    sampled_s, true_rate_pa_per_s, temperatures: an element a sample. temperatures: C by name, for what no
    thermometer of the watch reads. fill_s, filled_s: supply opened and shut. onset_s: of the leak, one from
    the start counts from filled_s; None for a sound pot. crossing_s: the gauge truly passes the floor, also
    after the record's end; None where it does not, or is not known. vent_s: None where the record ends first.
    """

    title: str
    pot: Pot
    samples: list[Sample]
    sampled_s: Floats
    true_rate_pa_per_s: Floats
    temperatures: dict[str, Floats]
    fill_s: float
    filled_s: float
    onset_s: float | None
    crossing_s: float | None
    vent_s: float | None

    def hours(self, t_s: Any) -> Any:
        """Return hours since the fill, of one time or of an array."""
        return (t_s - self.fill_s) / SECONDS_PER_HOUR

    def is_shut(self, t_s: Floats) -> NDArray[np.bool_]:
        """Say for each time whether the pot stands filled and not yet vented."""
        return (t_s >= self.filled_s) & (t_s < (self.vent_s or np.inf))


@dataclass(frozen=True)
class Watched:
    """What the watch said: a snapshot a minute, and every alarm when it was raised."""

    snapshots: list[Snapshot]
    raised: list[AlarmEvent]

    @property
    def t_s(self) -> Floats:
        return np.array([each.t_s for each in self.snapshots])


@dataclass(frozen=True)
class Moment:
    """Something that happened, drawn through all panels and named above them."""

    hours: float
    text: str
    colour: str
    style: object
    width: float = 1.0


# Hours and value of a point that a name may stand beside, and whether above (1) or below it (-1).
Anchor = tuple[float, float, int]


@dataclass(frozen=True)
class Name:
    """A word for one of the anchors. led: joined to it however near, because other lines are as near."""

    text: str
    anchors: Sequence[Anchor]
    colour: str
    led: bool = False


class OneLineParser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}\n")


def main() -> None:
    parser = OneLineParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument(
        "night",
        metavar="NIGHT",
        help=f"KIND:NUMBER, of {', '.join(KINDS)};\n{fill('or one of ' + ', '.join(NIGHTS), 80)}",
    )
    parser.add_argument(
        "--place",
        choices=PLACES,
        help="where the one thermometer sits; else as the named night has it, a drawn one on the wall",
    )
    parser.add_argument("--out", type=Path, metavar="FILE.png", help="else NIGHT-PLACE.png, in this folder")
    args = parser.parse_args()
    out: Path = args.out or Path("-".join((*args.night.split(":"), args.place or "own")) + ".png")
    if out.suffix != ".png":
        parser.error(f"{out}: the figure is a PNG; give a name that ends in .png")
    if not out.parent.is_dir():
        parser.error(f"{out}: there is not a folder {out.parent}; make it first")
    try:
        night = play(args.night, args.place)
    except ValueError as error:
        parser.error(str(error))
    figure = figure_of(night, watch(night))
    try:
        figure.savefig(out)
    except OSError as error:
        parser.error(f"{out}: cannot be written: {error}")
    print(out)


# --- playing and watching ---------------------------------------------------------------------------------


def play(name: str, place: str | None) -> Played:
    """Play a night by name or KIND:NUMBER. Raises ValueError in words for one that there is not."""
    kind, colon, number = name.partition(":")
    if not colon:
        if name not in NIGHTS:
            raise ValueError(f"there is no night {name!r}; take one of {', '.join(NIGHTS)}, or KIND:NUMBER")
        return _play_named(NIGHTS[name], place)
    if kind not in KINDS:
        raise ValueError(f"{name!r}: there is no kind {kind!r}; take one of {', '.join(KINDS)}")
    if not number.isdecimal():
        raise ValueError(f"{name!r}: {number!r} is no number of a night; take 0, 1, 2 and so on")
    return _play_drawn(kind, int(number), PLACES[place or "wall"])


def _play_named(night: Night, place: str | None) -> Played:
    if place is not None:
        night = _with_thermometer(night, PLACES[place])
    settings = load_text(f"{night.settings_yaml}sample_period: {STEP_S:g} s\n", night.name)
    (pot,) = settings.core_pots().values()
    samples, truth, filled_s, fed_mol = [], [], 0.0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        world = World(night, Path(folder))
        clock = ManualClock(utc_s=night.start_utc_s, on_advance=world.advance)
        station = simulated_station(settings, world)
        for tick in range(int(night.duration_s / STEP_S)):
            clock.sleep_until(tick * STEP_S)
            samples.append(station.read(tick * STEP_S, clock.now())[0][1])
            truth.append((world.pot.leak_pa_per_s, world.pot.gas_k, world.pot.room_k, world.pot.gauge_pa))
            if not filled_s and 0.0 < fed_mol == world.pot.fed_mol:
                filled_s = world.pot.t_s
            fed_mol = world.pot.fed_mol
        station.close()
    rate, gas_k, room_k, gauge_pa = np.array(truth).T
    sampled_s = np.arange(len(samples)) * STEP_S
    onset_s, vent_s = night.truth.leak_onset_s, night.actions[-1].at_s
    below = (gauge_pa < pot.floor_pa) & (sampled_s > filled_s) & (sampled_s < vent_s)
    return Played(
        title=f"{night.name}: {night.title}",
        pot=pot,
        samples=samples,
        sampled_s=sampled_s,
        true_rate_pa_per_s=rate,
        temperatures={GAS_TRUE: kelvin_to_celsius(gas_k)}
        | ({} if Place.ROOM in pot.thermometers else {ROOM_UNSEEN: kelvin_to_celsius(room_k)}),
        fill_s=night.actions[0].at_s,
        filled_s=filled_s,
        onset_s=None if onset_s is None else max(onset_s, filled_s),
        crossing_s=float(sampled_s[np.argmax(below)]) if below.any() else None,
        vent_s=vent_s,
    )


def _with_thermometer(night: Night, place: Place | None) -> Night:
    """Return the night with one thermometer there, or none; faults of those taken away go with them."""
    probes = () if place is None else (PROBES[place],)
    (pot,) = load_text(night.settings_yaml, night.name).core_pots().values()
    ids = {"", *(probe.probe_id for probe in probes)}
    return replace(
        night,
        probes=probes,
        settings_yaml=settings_for(night.parameters, probes, pot.supply),
        faults=tuple(fault for fault in night.faults if fault.probe_id in ids),
    )


def _play_drawn(kind: str, number: int, place: Place | None) -> Played:
    night = draw(KINDS[kind], number)
    recorded = simulate(night)
    columns = {f"{each}_c": getattr(recorded, f"{each}_c") for each in ([] if place is None else [place])}
    columns |= {"gauge_pa": recorded.gauge_pa, "ambient_pa": recorded.ambient_pa}
    pot = Pot(
        pot_id="lantern",
        internal_volume_m3=night.parameters.internal_volume_m3,
        contents_volume_m3=night.parameters.contents_volume_m3,
        maximum_pa=MAXIMUM_PA,
        working_pa=WORKING_PA,
        floor_pa=FLOOR_PA,
        hold_s=HOLD_S,
        thermometers=frozenset(() if place is None else (place,)),
        has_barometer=True,
    )
    details = [f"{1000 * pot.internal_volume_m3:.0f} L", f"weather {night.weather.name}"]
    details += [night.contents.resin] if night.contents.resin_kg else []
    details += ["a heater"] if night.heater else []
    details += [f"leak through {LAWS[night.leak.law]}"] if night.leak else []
    name = f"{kind}:{number}" if night.kind == kind else f"{kind}:{number}, {night.kind}"
    return Played(
        title=f"{name}: {', '.join(details)}",
        pot=pot,
        samples=[
            Sample(t_s=float(t_s), **{name: float(column[i]) for name, column in columns.items()})
            for i, t_s in enumerate(recorded.t_s)
        ],
        sampled_s=recorded.t_s,
        true_rate_pa_per_s=recorded.true_rate_pa_per_s,
        temperatures={GAS_TRUE: kelvin_to_celsius(recorded.true_gas_k)}
        | ({} if place is Place.ROOM else {ROOM_UNSEEN: recorded.room_c}),
        fill_s=FILL_AT_S,
        filled_s=recorded.filled_s,
        onset_s=recorded.onset_s,
        crossing_s=recorded.crossing_s,
        vent_s=None,
    )


def watch(night: Played) -> Watched:
    """Feed a night to a watch."""
    pot_watch = PotWatch(night.pot)
    watched = Watched([], [])
    every = round(SNAPSHOT_EVERY_S / STEP_S)
    for i, sample in enumerate(night.samples):
        events = pot_watch.feed(sample)
        watched.raised.extend(
            event
            for event in events
            if isinstance(event, AlarmEvent) and event.state is AlarmState.UNACKNOWLEDGED and not event.repeat
        )
        if i % every == 0:
            watched.snapshots.append(pot_watch.snapshot())
    return watched


def forecast_shown(watched: Watched) -> tuple[Snapshot, FloorForecast] | None:
    """Return the forecast an hour after the first word of a leak; sooner if the floor came sooner."""
    told = [event.t_s for event in watched.raised if event.alarm in (AlarmId.LEAK, AlarmId.FLOOR_AHEAD)]
    if not told:
        return None
    with_forecast = [
        (snapshot, snapshot.forecast)
        for snapshot in watched.snapshots
        if snapshot.forecast is not None
        and snapshot.stage in SHUT
        and snapshot.reading.gauge_pa is not None
        and snapshot.forecast.crossing_s > snapshot.t_s >= told[0]
    ]
    later = [each for each in with_forecast if each[0].t_s >= told[0] + FORECAST_AFTER_S]
    return next(iter(later or with_forecast), None)


# --- drawing ----------------------------------------------------------------------------------------------


def figure_of(night: Played, watched: Watched) -> Figure:
    """Draw the three panels."""
    plt.rcParams.update({"font.size": 8.5, "axes.linewidth": 0.7, "lines.solid_capstyle": "butt"})
    plt.rcParams.update({"axes.spines.top": False, "axes.spines.right": False})
    figure, axes = plt.subplots(
        3, 1, sharex=True, figsize=A4_LANDSCAPE_IN, dpi=150, height_ratios=(1.25, 1.0, 0.8)
    )
    wide_in, high_in = A4_LANDSCAPE_IN
    left, right = LEFT_IN / wide_in, 1.0 - RIGHT_IN / wide_in
    figure.subplots_adjust(left=left, right=right, bottom=BOTTOM_IN / high_in, hspace=0.09)
    forecast = forecast_shown(watched)
    _set_hours(axes[2], night, forecast)
    # names are put where room is, so the panels must have their sizes and lines before
    rows = _draw_moments(axes, _moments(night, watched))
    figure.subplots_adjust(top=1.0 - (TITLE_IN + rows * ROW_IN) / high_in)
    _draw_pressure(axes[0], night, watched, forecast)
    _draw_rate(axes[1], night, watched)
    _draw_temperatures(axes[2], night, watched)
    figure.align_ylabels(axes)
    figure.text(left, 1.0 - 0.22 / high_in, night.title, fontsize=11, weight="bold", va="center")
    places = " and ".join(place for place in Place if place in night.pot.thermometers) or "none"
    told = f"thermometer: {places}; dashed: the truth, which the watch does not know"
    figure.text(left, 1.0 - 0.42 / high_in, told, color=QUIET, va="center")
    return figure


def _set_hours(axis: Axes, night: Played, forecast: tuple[Snapshot, FloorForecast] | None) -> None:
    end_h = night.hours(night.sampled_s[-1]) + 0.1
    if forecast is not None and night.hours(forecast[1].crossing_s) < LONGEST_SHOWN_H:
        reach_h = night.hours(forecast[1].latest_s or forecast[1].crossing_s)
        end_h = max(end_h, min(reach_h + 0.2, LONGEST_SHOWN_H))
    axis.set_xlim(-0.1, end_h)
    axis.set_xlabel("hours since the fill")
    axis.xaxis.set_major_locator(MultipleLocator(0.5 if end_h < 5.0 else 1.0))


def _draw_pressure(
    axis: Axes, night: Played, watched: Watched, forecast: tuple[Snapshot, FloorForecast] | None
) -> None:
    hours, shut = night.hours(watched.t_s), night.is_shut(watched.t_s)
    gauge = _numbers(each.reading.gauge_pa for each in watched.snapshots) / PA_PER_PSI
    corrected = _numbers(each.corrected_gauge_pa for each in watched.snapshots) / PA_PER_PSI
    corrected[~shut] = np.nan
    floor, working = night.pot.floor_pa / PA_PER_PSI, night.pot.working_pa / PA_PER_PSI
    axis.set_ylim(min(np.nanmin(gauge[shut]), floor) - 2.5, max(np.nanmax(gauge[shut]), working) + 2.5)
    axis.set_ylabel("gauge pressure, psi")
    axis.yaxis.set_major_locator(MaxNLocator(8, steps=[1, 2, 5, 10]))
    for level, text in ((floor, "floor"), (working, "working pressure")):
        axis.axhline(level, color=QUIET, lw=0.8, ls=DOTTED)
        axis.text(1.012, level, text, transform=axis.get_yaxis_transform(), va="center", color=QUIET)
    axis.plot(hours, corrected, color=CORRECTED, lw=2.4)
    axis.plot(hours, gauge, color=READ, lw=1.0)
    names: list[Name] = []
    if forecast is not None:
        names.append(_draw_cone(axis, night, *forecast))
    if night.crossing_s is not None:
        passed = (night.hours(night.crossing_s), floor)
        axis.plot(*passed, "D", mec=TRUTH, mfc="white", ms=5, zorder=5)
        names.append(Name(f"floor truly passed {passed[0]:.1f} h", [(*passed, 1), (*passed, -1)], TRUTH))
    side = np.where(corrected > gauge, 1, -1)
    for text, values, away, colour in (
        ("gauge", gauge, -side, READ),
        ("corrected for temperature", corrected, side, CORRECTED_WORD),
    ):
        known = shut & ~np.isnan(values)
        anchors = list(zip(hours[known], values[known], away[known], strict=True))
        names.append(Name(text, anchors, colour, led=True))
    _put_names(axis, names)


def _draw_cone(axis: Axes, night: Played, snapshot: Snapshot, forecast: FloorForecast) -> Name:
    """Draw the forecast, earliest to latest and the likeliest within; return its name."""
    now_h, crossing_h = night.hours(snapshot.t_s), night.hours(forecast.crossing_s)
    earliest_h = night.hours(forecast.earliest_s)
    gauge, floor = (snapshot.reading.gauge_pa or 0.0) / PA_PER_PSI, night.pot.floor_pa / PA_PER_PSI
    if forecast.latest_s is None:
        end_h, latest = axis.get_xlim()[1], "perhaps never"
        corners = [(end_h, floor), (end_h, gauge)]
    else:
        latest_h = night.hours(forecast.latest_s)
        corners, latest = [(latest_h, floor)], f"{latest_h:.1f} h"
    cone = np.array([(now_h, gauge), (earliest_h, floor), *corners])
    axis.fill(*cone.T, facecolor="0.88", edgecolor="0.6", lw=0.6, zorder=0.5)
    axis.plot([now_h, crossing_h], [gauge, floor], color=TRUTH, lw=1.0, ls="-.")
    axis.plot(now_h, gauge, "o", color=TRUTH, ms=4)
    text = f"forecast at {now_h:.1f} h:\nfloor passed at {crossing_h:.1f} h\n({earliest_h:.1f} h to {latest})"
    return Name(text, [(now_h, gauge, 1), (now_h, gauge, -1)], TRUTH)


def _draw_rate(axis: Axes, night: Played, watched: Watched) -> None:
    hours, snapshots = night.hours(watched.t_s), watched.snapshots
    # an estimate that stands still, in a vent or with a dead transducer, is not shown as one of that moment
    fresh = [
        each.leak if each.stage in SHUT and each.leak and each.t_s - each.leak.t_s < 120.0 else None
        for each in snapshots
    ]
    value, low, high = (
        _numbers(None if leak is None else getattr(leak.rate_pa_per_s, end) for leak in fresh) / PSI_PER_H
        for end in ("value", "low", "high")
    )
    established = np.array([leak is not None and leak.established for leak in fresh])
    truth = np.where(night.is_shut(night.sampled_s), night.true_rate_pa_per_s / PSI_PER_H, np.nan)
    true_h = night.hours(night.sampled_s)

    axis.set_ylim(*_rate_limits(hours, value, low, high, truth, established))
    axis.set_ylabel("leak rate, psi/h")
    axis.axhline(0.0, color=QUIET, lw=0.8, ls=DOTTED)
    axis.fill_between(hours, low, high, color=READ, alpha=0.22, lw=0)
    axis.plot(hours, value, color=READ, lw=1.0)
    axis.plot(hours, np.where(established, value, np.nan), color=READ, lw=2.4)
    axis.plot(true_h, truth, color=TRUTH, lw=1.2, ls=DASHED)
    ends = [("true rate", true_h, truth, TRUTH), ("estimate with\n95 % band", hours, value, READ)]
    if np.nanmax(truth) > 0.0:  # else the truth lies there and names it
        ends.append(("no leak", np.array(axis.get_xlim()), np.zeros(2), QUIET))
    _name_ends(axis, ends)
    if not established.any():
        axis.text(0.5, 0.04, "no leak established", transform=axis.transAxes, color=QUIET, ha="center")
        return
    foot = axis.get_ylim()[0]
    axis.plot(hours, np.where(established, foot, np.nan), color=TRUTH, lw=6.0)
    names = [Name("leak established", [(each, foot, 1) for each in hours[established]], TRUTH)]
    last = [leak.onset_s for leak in fresh if leak is not None and leak.onset_s is not None]
    if last:
        began = [night.hours(each) for each in (last[-1].low, last[-1].value, last[-1].high)]
        axis.plot(began[::2], [0.0, 0.0], color=TRUTH, lw=1.2, marker="|", ms=7)
        axis.plot(began[1], 0.0, "o", color=TRUTH, ms=4)
        text = f"told onset {began[1]:.1f} h\n({began[0]:.1f} to {began[2]:.1f} h)"
        names.append(Name(text, [(began[1], 0.0, 1), (began[1], 0.0, -1)], TRUTH))
    _put_names(axis, names)


def _rate_limits(
    hours: Floats, value: Floats, low: Floats, high: Floats, truth: Floats, established: NDArray[np.bool_]
) -> tuple[float, float]:
    """Return limits that hold the truth, the estimate after half an hour, and the better part of its band."""
    bottoms, tops = [0.0, np.nanmin(truth)], [0.5, np.nanmax(truth)]
    later = (hours > 0.5) & ~np.isnan(value)
    if later.any():
        bottoms += [np.percentile(value[later], 1), np.percentile(low[later], 25)]
        tops += [np.percentile(value[later], 99), np.percentile(high[later], 75)]
    if (sure := later & established).any():
        bottoms.append(np.percentile(low[sure], 2))
        tops.append(np.percentile(high[sure], 98))
    room = 0.07 * (max(tops) - min(bottoms))
    return min(bottoms) - 3.0 * room, max(tops) + room  # the bar and its name stand at the foot


def _draw_temperatures(axis: Axes, night: Played, watched: Watched) -> None:
    lines = []
    sampled_h = night.hours(night.sampled_s)
    for text, celsius in night.temperatures.items():
        axis.plot(sampled_h, celsius, color=TRUTH, lw=1.0, ls=DASHED if text == GAS_TRUE else DOTTED)
        lines.append((text, sampled_h, np.where(night.is_shut(night.sampled_s), celsius, np.nan), TRUTH))
    for place, style in ((Place.GAS, "-"), (Place.WALL, "-"), (Place.ROOM, "-.")):
        if place not in night.pot.thermometers:
            continue
        hours = night.hours(watched.t_s)
        celsius = kelvin_to_celsius(
            _numbers(getattr(each.reading, f"{place}_k") for each in watched.snapshots)
        )
        axis.plot(hours, celsius, color=READ, lw=1.2, ls=style)
        lines.append((place, hours, np.where(night.is_shut(watched.t_s), celsius, np.nan), READ))
    # the heat of a fill or top-up may leave the panel: it is gone in minutes and would flatten the night
    shown = [celsius[hours > 0.3] for _, hours, celsius, _ in lines]
    low, high = (
        pick(np.nanpercentile(each, share) for each in shown) for pick, share in ((min, 2), (max, 98))
    )
    room = 0.12 * (high - low) + 0.2
    axis.set_ylim(low - room, high + room)
    axis.set_ylabel("temperature, °C")
    axis.yaxis.set_major_locator(MaxNLocator(7, steps=[1, 2, 5, 10]))
    _name_ends(axis, lines)


def _moments(night: Played, watched: Watched) -> Iterator[Moment]:
    if night.onset_s is not None:
        hours = night.hours(night.onset_s)
        began = "leak from the start" if night.onset_s == night.filled_s else f"true onset {hours:.2f} h"
        yield Moment(hours, began, TRUTH, DASHED, 1.2)
    for event in watched.raised:
        hours = night.hours(event.t_s)
        yield Moment(hours, f"alarm {event.alarm} {hours:.2f} h", ALARM, "-", 1.4)
    cures = [each.cure for each in watched.snapshots if each.cure is not None]
    if cures:
        yield Moment(night.hours(cures[0].done_s), "cure done", QUIET, DOTTED)
    if night.vent_s is not None:
        yield Moment(night.hours(night.vent_s), "vent", QUIET, "-.")


def _draw_moments(axes: Sequence[Axes], moments: Iterable[Moment]) -> int:
    """Draw the moments, their names above the first panel in as many rows as they need; return how many.

    A name stands to the right of its line. From the right on, each takes the lowest row that is above all
    the lines it would cross.
    """
    top = axes[0]
    start_h, end_h = top.get_xlim()
    placed: list[tuple[float, int]] = []
    for moment in sorted(moments, key=lambda each: -each.hours):
        if not start_h <= moment.hours <= end_h:
            continue
        look = {"color": moment.colour, "ls": moment.style, "lw": moment.width}
        for axis in axes:
            axis.axvline(moment.hours, **look, zorder=1.5)
        foot = {"xy": (moment.hours, 1), "xycoords": ("data", "axes fraction"), "textcoords": "offset points"}
        name = top.annotate(moment.text, xytext=(3, 0), va="center", color=moment.colour, **foot)
        wide_px = name.get_window_extent().width + 16
        right_h = moment.hours + wide_px / top.bbox.width * (end_h - start_h)
        row = max((1 + other for hours, other in placed if hours <= right_h), default=0)
        placed.append((moment.hours, row))
        up_pt = 72 * ROW_IN * (row + 0.5)
        name.xyann = (3, up_pt)
        line = {"arrowstyle": "-", "shrinkA": 0, "shrinkB": 0, **look}
        top.annotate("", xytext=(0, up_pt + 4), arrowprops=line, **foot)
    return 1 + max((row for _, row in placed), default=-1)


def _name_ends(axis: Axes, lines: Iterable[tuple[str, Floats, Floats, str]]) -> None:
    """Name lines in the right margin, in the order of their ends, apart from each other and led to them."""
    low, high = axis.get_ylim()
    ends = []
    for text, hours, values, colour in lines:
        known = np.flatnonzero(~np.isnan(values))
        if len(known):
            ends.append((float(values[known[-1]]), float(hours[known[-1]]), text, colour))
    ends.sort()
    line_share = 14.0 / 72.0 * axis.figure.dpi / axis.bbox.height
    heights: list[float] = []
    below = 0.0  # where the last name ends
    for value, _, text, _ in ends:
        half = 0.5 * line_share * (1 + text.count("\n"))
        heights.append(max(min(max((value - low) / (high - low), 0.0), 1.0), below + half))
        below = heights[-1] + half
    down = max(below - 1.0, 0.0)
    line = {"arrowstyle": "-", "color": "0.7", "lw": 0.5, "shrinkA": 0, "shrinkB": 0}
    for (value, hours, text, colour), height in zip(ends, heights, strict=True):
        to = {"xytext": (1.012, height - down), "textcoords": "axes fraction", "va": "center"}
        axis.annotate(text, (hours, value), color=colour, arrowprops=line, **to)


def _put_names(axis: Axes, names: Iterable[Name]) -> None:
    """Put each name near one of its anchors, where it lies on the fewest lines and on no other name."""
    inked = np.concatenate([*map(_dots_px, axis.lines), *map(_dots_px, axis.patches)])
    pt = axis.figure.dpi / 72.0
    for name in names:
        near = {"xytext": (0, 0), "textcoords": "offset points", "va": "center", "annotation_clip": False}
        line = {"arrowstyle": "-", "color": name.colour, "lw": 0.5, "shrinkA": 0, "shrinkB": 2}
        look = {"color": name.colour, "path_effects": [HALO]}
        word = axis.annotate(name.text, (0, 0), arrowprops=line, **look, **near)
        extent = Text.get_window_extent(word)  # without the line that leads to it
        wide, high = extent.width + 6 * pt, extent.height + 3 * pt
        best = (np.inf, 0.0, (0.0, 0.0), (0.0, 0.0), (0.0, 0.0))
        for hours, value, side in name.anchors[:: max(len(name.anchors) // 60, 1)]:
            x, y = axis.transData.transform((hours, value))
            for far_pt in (NEAR_PT, 10.0, 18.0, 28.0, 40.0, 60.0):
                for turn, centre_x in enumerate((x + wide / 2 + 2, x, x - wide / 2 - 2)):
                    centre = (centre_x, y + side * (far_pt * pt + high / 2))
                    if not _is_inside(axis, centre, wide, high):
                        continue
                    on = (np.abs(inked - centre) < (wide / 2, high / 2)).all(axis=1).sum()
                    if (cost := 5.0 * on + far_pt + turn) < best[0]:  # rather to the right
                        best = (cost, far_pt, (hours, value), (x, y), centre)
        cost, far_pt, word.xy, (x, y), (centre_x, centre_y) = best
        if not np.isfinite(cost):
            word.remove()  # no anchor is in the panel
            continue
        word.arrow_patch.set_visible(name.led or far_pt > NEAR_PT)
        word.xyann = ((centre_x - extent.width / 2 - x) / pt, (centre_y - y) / pt)
        grid = np.meshgrid(
            np.arange(centre_x - wide / 2, centre_x + wide / 2, 3.0),
            np.arange(centre_y - high / 2, centre_y + high / 2, 3.0),
        )
        inked = np.concatenate([inked, np.stack(grid, axis=-1).reshape(-1, 2)])


def _is_inside(axis: Axes, centre: tuple[float, float], wide: float, high: float) -> bool:
    across = axis.bbox.x0 <= centre[0] - wide / 2 and centre[0] + wide / 2 <= axis.bbox.x1
    return across and axis.bbox.y0 <= centre[1] - high / 2 and centre[1] + high / 2 <= axis.bbox.y1


def _dots_px(drawn: Line2D | Patch) -> Floats:
    """Return dots along what is drawn, no further apart than 3 pixels."""
    path = drawn.get_transform().transform_path(drawn.get_path())
    corners = path.vertices[~np.isnan(path.vertices).any(axis=1)]
    if len(corners) == 0:
        return corners
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    wanted = np.arange(0.0, along[-1] + 3.0, 3.0)
    return np.stack([np.interp(wanted, along, column) for column in corners.T], axis=1)


def _numbers(values: Iterable[float | None]) -> Floats:
    """Return an array in which what is unknown is not a number, so that no line is drawn there."""
    return np.array([np.nan if each is None else each for each in values])


if __name__ == "__main__":
    main()
