"""Nights made from recorded weather."""

import csv
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from datetime import time as time_of_day
from itertools import pairwise
from pathlib import Path

from potvigil.sim.gas_laws import Leak
from potvigil.sim.nights import (
    OPEN_AGAIN_S,
    OPEN_S,
    ORDINARY_POT,
    VENT_S,
    WALL_PROBE,
    WORKING_PA,
    settings_for,
    truth,
)
from potvigil.sim.pot_parts import CureHeat, Fill, PotParameters, Table, Vent
from potvigil.sim.world import Night, Probe, Truth
from potvigil.units import PA_PER_HPA, SECONDS_PER_HOUR, celsius_to_kelvin

_LONGEST_WEATHER_GAP_S = 2.5 * SECONDS_PER_HOUR
_SHARE_OF_OUTDOOR_SWING = 0.5  # an unheated workshop


def weather_nights(
    csv_path: Path,
    *,
    leak: Leak | None = None,
    expected: Truth | None = None,
    parameters: PotParameters | None = None,
    cure: CureHeat | None = None,
    probes: Sequence[Probe] = (WALL_PROBE,),
    start_hour: int = 20,
) -> dict[str, Night]:
    """Return a night for each evening that a weather file covers without a long gap.

    The room follows half of the outdoor swing around its own recorded mean of that night; the barometer is as
    recorded. csv_path: columns time (RFC 3339), outdoor_temperature_c, room_temperature_c,
    ambient_pressure_hpa; irregular steps. start_hour: in the file's time zone. expected: the truth, required
    with a leak. Raises OSError or ValueError for a file that is not like this.
    """
    if leak is not None and expected is None:
        raise ValueError("nights with a leak need to be told what is expected of them")
    rows = _read_weather(csv_path)
    pot = parameters or ORDINARY_POT
    duration_s = VENT_S + OPEN_AGAIN_S
    nights: dict[str, Night] = {}
    day = datetime.fromtimestamp(rows[0][0], UTC).date()
    while (start := datetime.combine(day, time_of_day(start_hour), UTC).timestamp()) + duration_s <= rows[-1][
        0
    ]:
        covering = _covering(rows, start, start + duration_s)
        if covering:
            name = f"weather-{day.isoformat()}"
            room_k, ambient_pa = _courses(covering, start)
            nights[name] = Night(
                name=name,
                title=f"simulated, in real weather: the night of {day.isoformat()}",
                settings_yaml=settings_for(pot, probes),
                duration_s=duration_s,
                truth=expected or truth(),
                room_k=room_k,
                ambient_pa=ambient_pa,
                actions=(Fill(OPEN_S, WORKING_PA), Vent(VENT_S)),
                leaks=() if leak is None else (leak,),
                cure=cure,
                parameters=pot,
                probes=tuple(probes),
                start_utc_s=start,
            )
        day += timedelta(days=1)
    return nights


_WeatherRow = tuple[float, float, float, float]  # Unix time, outdoor C, room C, hPa


def _read_weather(csv_path: Path) -> list[_WeatherRow]:
    with csv_path.open(encoding="utf-8", newline="") as file:
        try:
            rows = [
                (
                    datetime.fromisoformat(row["time"]).timestamp(),
                    float(row["outdoor_temperature_c"]),
                    float(row["room_temperature_c"]),
                    float(row["ambient_pressure_hpa"]),
                )
                for row in csv.DictReader(file)
            ]
        except KeyError as error:
            raise ValueError(f"{csv_path}: no column {error}") from None
    if not rows:
        raise ValueError(f"{csv_path}: no rows")
    return rows


def _covering(rows: Sequence[_WeatherRow], start: float, end: float) -> list[_WeatherRow]:
    """Return the rows from the last before start to the first after end; none if there is a long gap."""
    first = max((i for i, row in enumerate(rows) if row[0] <= start), default=None)
    last = next((i for i, row in enumerate(rows) if row[0] >= end), None)
    if first is None or last is None:
        return []
    covering = list(rows[first : last + 1])
    if any(late[0] - early[0] > _LONGEST_WEATHER_GAP_S for early, late in pairwise(covering)):
        return []
    return covering


def _courses(rows: Sequence[_WeatherRow], start: float) -> tuple[Table, Table]:
    times_s = [row[0] - start for row in rows]
    outdoor_mean_c = sum(row[1] for row in rows) / len(rows)
    room_mean_c = sum(row[2] for row in rows) / len(rows)
    room_k = [
        celsius_to_kelvin(room_mean_c + _SHARE_OF_OUTDOOR_SWING * (row[1] - outdoor_mean_c)) for row in rows
    ]
    return Table(times_s, room_k), Table(times_s, [row[3] * PA_PER_HPA for row in rows])
