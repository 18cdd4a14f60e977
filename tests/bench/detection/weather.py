"""Nights of real weather, as the room of a workshop and the pressure outside.

Three years and places: Greensboro (TMY3) and Miami (TMY2), both in the pvlib wheel, and the recorded house of
../shared/data. The room of an unheated workshop follows half of the outdoor swing. Typical years are spliced
from months of different years, so nights across a month's end are left out: there the weather jumps.
"""

import csv
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import pairwise
from pathlib import Path

import pvlib
from pvlib.iotools import read_tmy2, read_tmy3

RECORDED = Path(__file__).parents[4] / "shared/data/house_and_outdoor_weather_138d.csv"
TYPICAL = Path(pvlib.__file__).parent / "data"
START_HOUR = 20
HOURS = 24  # covered from there
SHARE_OF_OUTDOOR_SWING = 0.5
LONGEST_GAP_S = 2.5 * 3600.0


@dataclass(frozen=True)
class WeatherNight:
    """outdoor_c, ambient_pa at times_s, seconds from eight in the evening; mean_c: of the outdoor air."""

    name: str
    times_s: tuple[float, ...]
    outdoor_c: tuple[float, ...]
    ambient_pa: tuple[float, ...]

    @property
    def swing_c(self) -> tuple[float, ...]:
        """What the workshop does, around its own mean of the night, K."""
        mean_c = sum(self.outdoor_c) / len(self.outdoor_c)
        return tuple(SHARE_OF_OUTDOOR_SWING * (each - mean_c) for each in self.outdoor_c)


@cache
def all_nights() -> tuple[WeatherNight, ...]:
    """Return every usable night of the three sources, in a fixed order."""
    greensboro, _ = read_tmy3(str(TYPICAL / "723170TYA.CSV"), map_variables=True)
    miami, _ = read_tmy2(str(TYPICAL / "12839.tm2"))
    return (
        *_typical("greensboro", list(greensboro["temp_air"]), list(greensboro["pressure"]), greensboro.index),
        *_typical("miami", [each / 10.0 for each in miami["DryBulb"]], list(miami["Pressure"]), miami.index),
        *_recorded(),
    )


def _typical(place, temperatures_c, pressures_hpa, index):
    # rows in the file's order: sorting by their spliced years would destroy the year. Row 0 is 01:00.
    nights = []
    months = [stamp.month for stamp in index]
    for day in range(364):
        first = day * 24 + START_HOUR - 1
        rows = range(first, first + HOURS + 1)
        if rows[-1] >= len(months) or months[first] != months[rows[-1] - 1]:
            continue
        nights.append(
            WeatherNight(
                f"{place}-{day:03d}",
                tuple(3600.0 * i for i in range(HOURS + 1)),
                tuple(float(temperatures_c[row]) for row in rows),
                tuple(float(pressures_hpa[row]) * 100.0 for row in rows),
            )
        )
    return nights


def _recorded():
    if not RECORDED.exists():  # it is not in the repository: the bench draws from the other two then
        return []
    with RECORDED.open(encoding="utf-8", newline="") as file:
        rows = [
            (
                datetime.fromisoformat(row["time"]).timestamp(),
                float(row["outdoor_temperature_c"]),
                float(row["ambient_pressure_hpa"]) * 100.0,
            )
            for row in csv.DictReader(file)
        ]
    nights = []
    day_s = 24 * 3600.0
    start = (rows[0][0] // day_s) * day_s + START_HOUR * 3600.0
    while start + HOURS * 3600.0 <= rows[-1][0]:
        end = start + HOURS * 3600.0
        inside = [row for row in rows if start - LONGEST_GAP_S <= row[0] <= end + LONGEST_GAP_S]
        covered = inside and inside[0][0] <= start and inside[-1][0] >= end
        if covered and all(late[0] - early[0] < LONGEST_GAP_S for early, late in pairwise(inside)):
            times_s, outdoor_c, ambient_pa = zip(
                *((row[0] - start, row[1], row[2]) for row in inside), strict=True
            )
            nights.append(WeatherNight(f"recorded-{len(nights):03d}", times_s, outdoor_c, ambient_pa))
        start += day_s
    return nights
