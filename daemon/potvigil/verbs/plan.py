"""The plan before a pour: one page a caster can act on."""

import argparse
import difflib
import re
import shutil
import textwrap
from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo

from potvigil.core.event import Interval
from potvigil.core.fill import Compressor
from potvigil.core.mould import Mould
from potvigil.core.night import DAY_S, Course, down_to, like, steady
from potvigil.core.plan import LOADING_S, MIXING_S, POURING_S, Answer, Pour, plan
from potvigil.core.plan_words import Asked, Sheet, sheet
from potvigil.core.words import shown
from potvigil.record.checklist import checklist_html
from potvigil.settings import CompressorSettings, PotSettings, Settings, load
from potvigil.units import (
    MASS,
    PRESSURE,
    SIZE,
    TEMPERATURE,
    TIME,
    Kind,
    kelvin_to_celsius,
)
from potvigil.verbs.common import UseError, one_of
from potvigil.verbs.pages import write_pages
from potvigil.verbs.pot_so_far import SoFar, so_far
from potvigil.verbs.status import DONE, NO

_CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
_ROOM_K, _TIME_S = (263.15, 323.15), (0.0, DAY_S)
_MASS_KG, _SIZE_M = (0.001, 1000.0), (0.001, 5.0)
_LINE = 100
_MARKS = {Answer.YES: "+", Answer.CLOSE: "~", Answer.NO: "!", Answer.UNKNOWN: "?"}


def plan_pour(args: argparse.Namespace) -> int:
    """Print the plan, write it as a page if asked; exit status 1 where it does not work out."""
    settings = load(args.config)
    pot_id = one_of(settings.pots, args.pot)
    start = _start(args, settings.timezone)
    known = so_far(settings.record_file if args.record is None else args.record, pot_id, start)
    made = _sheet(args, settings, pot_id, start, known)
    for line in _lines(made):
        print(line)
    if args.out is not None:
        write_pages(args, args.out, checklist_html(made))
    return NO if made.answer is Answer.NO else DONE


# --- what was asked


def _sheet(args: argparse.Namespace, settings: Settings, pot_id: str, start: datetime, known: SoFar) -> Sheet:
    pot, of = settings.core_pots()[pot_id], settings.pots[pot_id]
    resin = pot.resin(_resin(args.resin, settings))
    room_k = known.room_k if args.room is None else _read(args, "room", TEMPERATURE, _ROOM_K)
    night, night_words = _night(args, room_k, start, known)
    pour = Pour(
        pot=pot,
        resin=resin,
        mould=None if args.mould is None else _mould(args.mould),
        stand_m=0.0 if args.stand is None else _read(args, "stand", SIZE, _SIZE_M),
        inside_m=_inside(args, of),
        mass_kg=None if args.mass is None else _read(args, "mass", MASS, _MASS_KG),
        room_k=room_k,
        night=night,
        compressor=None if settings.compressor is None else _compressor(settings.compressor),
        tank_pa=_tank(args, settings),
        mixing_s=_takes(args, "mixing", MIXING_S),
        pouring_s=_takes(args, "pouring", POURING_S),
        loading_s=_takes(args, "loading", LOADING_S),
        leaks_pa_per_s=known.leaks_pa_per_s,
        leak_now_pa_per_s=known.leak_now_pa_per_s,
        fills_s=known.fills_s,
    )
    asked = Asked(
        resin=args.resin or of.cure.resin or "the pot's usual resin",
        mould=args.mould or "",
        mass=args.mass or "",
        start=start,
        until=None if args.until is None else _next(args.until, "until", start),
        night=night_words,
        workshop=settings.workshop,
    )
    return sheet(plan(pour), asked)


def _start(args: argparse.Namespace, tz: tzinfo | None) -> datetime:
    now = datetime.now(tz).replace(second=0, microsecond=0)
    now = now.astimezone() if tz is None else now
    return now if args.start is None else _next(args.start, "start", now)


def _next(text: str, option: str, after: datetime) -> datetime:
    """Return the next moment at which a clock shows this."""
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        raise UseError(f"--{option} {text!r} is no time of day; give one like 21:40")
    moment = after.replace(hour=int(found[1]), minute=int(found[2]))
    return moment if moment >= after else moment + timedelta(days=1)


def _resin(name: str | None, settings: Settings) -> str | None:
    known = settings.core_resins()
    if name is not None and name not in known:
        near = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean {near[0]}" if near else f"there are {', '.join(sorted(known))}"
        raise UseError(f"--resin {name!r} is not in the list; {hint}")
    return name


def _night(
    args: argparse.Namespace, room_k: float | None, start: datetime, known: SoFar
) -> tuple[Course | None, str]:
    """Return the temperature from the fill on and what it goes by."""
    if args.night_low is not None:
        if room_k is None:
            raise UseError("--night-low needs the room's temperature now; give --room too")
        low_k = _read(args, "night_low", TEMPERATURE, _ROOM_K)
        if low_k > room_k:
            raise UseError(
                f"--night-low {args.night_low} is warmer than --room; give the coldest of the night"
            )
        since_midnight_s = start.hour * 3600.0 + start.minute * 60.0
        return down_to(room_k, low_k, since_midnight_s), f"tonight down to {_celsius(low_k)}"
    if known.night is not None:
        low_k = min(known.night[1])
        return like(*known.night), f"night like the last one, down to {_celsius(low_k)}"
    if room_k is not None:
        return steady(room_k), "night taken as warm as now"
    return None, ""


def _mould(text: str) -> Mould:
    sizes = _sizes(text, "mould", (2, 3))
    return Mould(sizes[0], None, sizes[1]) if len(sizes) == 2 else Mould(sizes[0], sizes[1], sizes[2])


def _inside(args: argparse.Namespace, of: PotSettings) -> tuple[float, float] | None:
    if args.inside is not None:
        diameter_m, height_m = _sizes(args.inside, "inside", (2,))
        return diameter_m, height_m
    if of.inside_diameter is None or of.inside_height is None:
        return None
    return of.inside_diameter.si, of.inside_height.si


def _sizes(text: str, option: str, counts: tuple[int, ...]) -> list[float]:
    """Read `12 x 8 x 6 cm`: a size without a unit has that of the last one."""
    due = "diameter x height" if counts == (2,) else "length x width x height, or diameter x height"
    parts = [part.strip() for part in re.split("[x×*]", text.lower())]
    unit = re.search("[a-z]+$", parts[-1])
    if len(parts) not in counts or unit is None:
        raise UseError(f"--{option} {text!r} does not fit; give {due} with a unit, as 12 x 6 cm")
    sizes = []
    for part in parts:
        try:
            size_m = SIZE.read(part if re.search("[a-z]$", part) else f"{part} {unit[0]}").si
        except ValueError as error:
            raise UseError(f"--{option}: {part!r} {error}") from None
        if not _SIZE_M[0] <= size_m <= _SIZE_M[1]:
            raise UseError(f"--{option}: {part!r} is out of range; give 1 mm to 5 m")
        sizes.append(size_m)
    return sizes


def _compressor(of: CompressorSettings) -> Compressor:
    return Compressor(
        tank_m3=of.tank.si,
        free_air_m3_per_s=of.free_air.si,
        cut_in_pa=of.cut_in.si,
        cut_out_pa=of.cut_out.si,
        rated_pa=(of.at or of.cut_out).si,
        area_m2=None if of.effective_area is None else of.effective_area.si,
    )


def _tank(args: argparse.Namespace, settings: Settings) -> float | None:
    if args.tank is None:
        return None
    if settings.compressor is None:
        raise UseError(f"--tank {args.tank} is of no compressor; give a compressor block in {args.config}")
    return _read(args, "tank", PRESSURE, (0.0, settings.compressor.cut_out.si))


def _takes(args: argparse.Namespace, option: str, usual_s: Interval) -> Interval:
    if getattr(args, option) is None:
        return usual_s
    value_s = _read(args, option, TIME, _TIME_S)
    return Interval(value_s, value_s, value_s)


def _read(args: argparse.Namespace, option: str, kind: Kind, within: tuple[float, float]) -> float:
    text = getattr(args, option)
    name = f"--{option.replace('_', '-')} {text!r}"
    try:
        value = kind.read(text).si
    except ValueError as error:
        raise UseError(f"{name} {error}") from None
    if not within[0] <= value <= within[1]:
        raise UseError(f"{name} is out of range; check number and unit")
    return value


def _celsius(kelvin: float) -> str:
    return f"{kelvin_to_celsius(kelvin):.0f} C"


# --- what is printed


def _lines(made: Sheet) -> Iterator[str]:
    width = min(shutil.get_terminal_size((_LINE, 24)).columns, _LINE)
    yield shown(made.title)
    yield from _wrapped(shown(made.under), width)
    yield ""
    for answer, text in made.short:
        yield from _wrapped(text, width, f"{_MARKS[answer]} {answer:10}", " " * 12)
    for head, lines in made.sections:
        if lines:
            yield ""
            yield head
        for line in lines:
            yield from _wrapped(line, width, "  ", "    " if line.startswith("- ") else "  ")
    yield ""
    yield "In this order"
    for number, line in enumerate(made.checklist, 1):
        yield from _wrapped(line, width, f"  [ ] {number:2} ", " " * 9)
    yield ""
    yield from _wrapped(made.foot, width)


def _wrapped(text: str, width: int, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)
