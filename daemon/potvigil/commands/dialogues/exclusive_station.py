"""Exclusive use of a pot's wires for a dialogue, sample by sample, while no watch reads them."""

import json
import time
from collections.abc import Iterator
from contextlib import contextmanager

from potvigil.clock import Clock
from potvigil.commands.shared.common import UseError
from potvigil.drivers.station import Station
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality, Reading, Sample
from potvigil.paths import usual_live
from potvigil.sensing.conversion import convert
from potvigil.service.wiring import open_inputs
from potvigil.settings.schema import Settings


def refuse_beside_a_watch(settings: Settings) -> None:
    """Raise UseError while a watch reads the wires: two programs on one converter mix up its answers."""
    try:
        live = json.loads((settings.page.live or usual_live()).read_text(encoding="utf-8"))
        age_s = time.clock_gettime(time.CLOCK_BOOTTIME) - live["written_boot_s"]
        runs = live["rehearsed"] is None and 0.0 <= age_s < 3.0 * live["sample_period_s"] + 2.0
    except (OSError, ValueError, KeyError, TypeError):
        return
    if runs:
        raise UseError(
            "the watch is running and reads the same wires; stop it first: systemctl stop potvigil"
        )


VENT = (
    "To vent: shut the supply, open the vent fully and confirm zero on the pot's own gauge before you loosen "
    "the lid."
)


@contextmanager
def pressure_warning() -> Iterator[None]:
    """If a dialogue ends early, warn that the pot may still be under pressure."""
    try:
        yield
    except BaseException:
        print(f"\nThe pot may be under pressure. {VENT}", flush=True)
        raise


@contextmanager
def own_station(settings: Settings) -> Iterator[Station]:
    """Open the configured devices, and close them at the end."""
    station = open_inputs(settings)
    try:
        yield station
    finally:
        station.close()


def samples_of(station: Station, clock: Clock, pot_id: str, period_s: float) -> Iterator[Sample]:
    """Yield one sample of a pot each period, for ever."""
    while True:
        now = clock.now()
        yield dict(station.read(now.boot_s, now))[pot_id]
        clock.sleep_until(now.boot_s + period_s)


def with_pressure(sample: Sample, pot: Pot) -> Reading:
    """Return the reading; raise UseError if it has no pressure, before somebody fills a pot for nothing."""
    reading = convert(sample, pot)
    if reading.gauge_pa is None or reading.quality is Quality.BAD:
        raise UseError(f"{pot.pot_id}: {reading.fault}; see `potvigil check --hardware`")
    return reading


def answer(prompt: str) -> str:
    """Wait for a person's answer. Raises UseError where there is no input."""
    try:
        return input(prompt)
    except EOFError:
        print()
        raise UseError("cancelled; nothing was saved or changed") from None
