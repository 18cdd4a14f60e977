"""/metrics: the current state as numbers, for an existing dashboard.

In OpenMetrics 1.0 or Prometheus' own text format (the library negotiates), in base units: pascal, degrees
Celsius, second, ratio. An unknown value has no series rather than 0, and a pot has none while the watch is
silent. A rehearsal has metric names of its own, so that no alerting rule takes it for a real pot.

Built from the live file alone. Imported on first use: the library takes over 1 MB, and few need it.

Source: OpenMetrics 1.0.0, https://github.com/prometheus/OpenMetrics/blob/main/specification/OpenMetrics.md
"""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping

from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, choose_encoder, generate_latest
from prometheus_client.metrics_core import (
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

from potvigil import __version__
from potvigil.live_reader import Live
from potvigil.model.events import AlarmId, Priority, Snapshot, Stage
from potvigil.model.pot import Pot
from potvigil.model.reading import Quality
from potvigil.page.views.words import is_active
from potvigil.units import kelvin_to_celsius

_PASCALS, _CELSIUS, _SECONDS, _RATIO = "pascals", "celsius", "seconds", "ratio"
_PASCALS_PER_SECOND = "pascals_per_second"


def _when(t_s: float | None, of: Snapshot) -> float | None:
    """Return the Unix time of a moment on the record's axis; None without a wall clock."""
    return None if t_s is None or of.utc_s is None else t_s + of.utc_s - of.t_s


# name without its unit, unit, help text, getter; each a gauge per pot
_OF_POT: tuple[tuple[str, str, str, Callable[[Snapshot], float | None]], ...] = (
    ("gauge_pressure", _PASCALS, "Gauge pressure in the pot.", lambda s: s.reading.gauge_pa),
    ("absolute_pressure", _PASCALS, "Absolute pressure in the pot.", lambda s: s.reading.absolute_pa),
    (
        "corrected_gauge_pressure",
        _PASCALS,
        "Gauge pressure had temperature and barometer stayed as when the hold began.",
        lambda s: s.corrected_gauge_pa,
    ),
    (
        "ambient_absolute_pressure",
        _PASCALS,
        "Absolute pressure outside the pot.",
        lambda s: s.reading.ambient_pa,
    ),
    (
        "stage_since_timestamp",
        _SECONDS,
        "Unix time at which the stage began.",
        lambda s: _when(s.stage_since_s, s),
    ),
    (
        "batch_start_timestamp",
        _SECONDS,
        "Unix time at which the open batch began.",
        lambda s: _when(s.batch_start_s, s),
    ),
    (
        "leak_rate",
        _PASCALS_PER_SECOND,
        "Fall of the corrected pressure through lost air; positive is lost.",
        lambda s: None if s.leak is None else s.leak.rate_pa_per_s.value,
    ),
    (
        "leak_rate_low",
        _PASCALS_PER_SECOND,
        "Low end of the 95 % interval of the leak rate.",
        lambda s: None if s.leak is None else s.leak.rate_pa_per_s.low,
    ),
    (
        "leak_rate_high",
        _PASCALS_PER_SECOND,
        "High end of the 95 % interval of the leak rate.",
        lambda s: None if s.leak is None else s.leak.rate_pa_per_s.high,
    ),
    (
        "leak_established",
        "",
        "Whether air is being lost beyond doubt.",
        lambda s: None if s.leak is None else s.leak.established,
    ),
    (
        "floor_forecast_timestamp",
        _SECONDS,
        "Unix time at which the pressure falls below the floor if nothing is done.",
        lambda s: None if s.forecast is None else _when(s.forecast.crossing_s, s),
    ),
    (
        "floor_forecast_earliest_timestamp",
        _SECONDS,
        "Early end of the 95 % interval of the forecast.",
        lambda s: None if s.forecast is None else _when(s.forecast.earliest_s, s),
    ),
    (
        "floor_forecast_latest_timestamp",
        _SECONDS,
        "Late end of the 95 % interval of the forecast; without a series: perhaps never.",
        lambda s: None if s.forecast is None else _when(s.forecast.latest_s, s),
    ),
    (
        "cure_progress",
        _RATIO,
        "Share of the cure that is done.",
        lambda s: None if s.cure is None else s.cure.progress,
    ),
    (
        "cure_done_timestamp",
        _SECONDS,
        "Unix time at which the cure is, or was, done.",
        lambda s: None if s.cure is None else _when(s.cure.done_s, s),
    ),
)
_LIMITS: tuple[tuple[str, str, Callable[[Pot], float]], ...] = (
    ("working_gauge_pressure", "Working pressure, gauge.", lambda pot: pot.working_pa),
    ("floor_gauge_pressure", "Floor, gauge: below it bubbles grow back too far.", lambda pot: pot.floor_pa),
    ("maximum_gauge_pressure", "Maximum as marked on the pot, gauge.", lambda pot: pot.maximum_pa),
)


class _Families(Collector):
    """A collector of ready-made families, instead of the library's global registry."""

    def __init__(self, families: Iterable[Metric]) -> None:
        self._families = [family for family in families if family.samples]

    def collect(self) -> Iterable[Metric]:
        return self._families


def exposition(
    live: Live | None, is_silent: bool, boot_s: float, pots: Mapping[str, Pot], accept: str
) -> tuple[bytes, str]:
    """Return the text and its media type.

    live: the watch's last state. boot_s: the boot clock now. pots: from the settings. accept: the HTTP
    header.
    """
    families = _Families(_families(live, is_silent, boot_s, pots))
    try:
        encoder, kind = choose_encoder(accept)
    except TypeError:  # a malformed version in the header
        encoder, kind = generate_latest, CONTENT_TYPE_PLAIN_0_0_4
    return encoder(families), kind


def _families(live: Live | None, is_silent: bool, boot_s: float, pots: Mapping[str, Pot]) -> Iterator[Metric]:
    yield InfoMetricFamily("potvigil_build", "The program.", {"version": __version__})
    prefix = "potvigil_" if live is None or live.rehearsed is None else "potvigil_rehearsal_"
    yield GaugeMetricFamily(f"{prefix}watch_up", "Whether the watch speaks.", 0.0 if is_silent else 1.0)
    if live is None:
        return
    about = {"workshop": _label(live.workshop)}
    if live.rehearsed is not None:
        about["night"] = _label(live.rehearsed)
    yield InfoMetricFamily(f"{prefix}watch", "Whose pots these are.", about)
    age_s = boot_s - live.written_boot_s
    if age_s >= 0.0:  # else written before a reboot: age unknown
        text = "Time since the watch last said how things stand."
        yield GaugeMetricFamily(f"{prefix}watch_age", text, age_s, unit=_SECONDS)
    if is_silent:
        return
    snapshots = {_label(pot_id): pot.snapshot for pot_id, pot in live.pots.items()}
    for name, unit, text, value_of in _OF_POT:
        yield _gauge(prefix + name, unit, text, ((pot, value_of(s)) for pot, s in snapshots.items()))
    for name, text, limit in _LIMITS:
        known = ((pot, limit(pots[pot])) for pot in snapshots if pot in pots)
        yield _gauge(prefix + name, _PASCALS, text, known)
    yield from _with_more_labels(prefix, snapshots)
    yield from _of_workshop(prefix, live)


def _with_more_labels(prefix: str, snapshots: Mapping[str, Snapshot]) -> Iterator[Metric]:
    temperature = GaugeMetricFamily(
        f"{prefix}temperature",
        "Temperature, by place of the thermometer.",
        labels=("pot", "place"),
        unit=_CELSIUS,
    )
    stage = StateSetMetricFamily(f"{prefix}stage", "Stage of the pot.", labels=("pot",))
    quality = StateSetMetricFamily(f"{prefix}reading_quality", "Quality of the pressure.", labels=("pot",))
    standing = GaugeMetricFamily(
        f"{prefix}alarm_standing",
        "An alarm that is not normal; state as in IEC 62682.",
        labels=("pot", "alarm", "priority", "state"),
    )
    count = GaugeMetricFamily(
        f"{prefix}alarms_standing", "Number of alarms that are not normal.", labels=("pot", "priority")
    )
    for pot, snapshot in snapshots.items():
        for place, kelvin in snapshot.reading.temperatures:
            if kelvin is not None and math.isfinite(kelvin):
                temperature.add_metric((pot, place.value), kelvin_to_celsius(kelvin))
        stage.add_metric((pot,), {each.value: each is snapshot.stage for each in Stage})
        quality.add_metric((pot,), {each.value: each is snapshot.reading.quality for each in Quality})
        for alarm in snapshot.alarms:
            labels = (pot, alarm.alarm.value, alarm.priority.value, alarm.state.value)
            standing.add_metric(labels, 1.0)
        for priority in Priority:
            number = sum(alarm.priority is priority for alarm in snapshot.alarms)
            count.add_metric((pot, priority.value), number)
    yield from (temperature, stage, quality, standing, count)


def _of_workshop(prefix: str, live: Live) -> Iterator[Metric]:
    alarms = [alarm for pot in live.pots.values() for alarm in pot.snapshot.alarms]
    is_failing = any(each.alarm is AlarmId.RECORD_FAILING and is_active(each) for each in alarms)
    if live.pots:  # it is known from their alarms
        text = "Whether readings cannot be recorded."
        yield GaugeMetricFamily(f"{prefix}record_failing", text, float(is_failing))
    if (broker := live.broker) is not None:
        text = "Whether the MQTT broker listens."
        yield GaugeMetricFamily(f"{prefix}broker_connected", text, float(broker.is_connected))
        text = "Whether something is wrong at the broker; `potvigil status` says what."
        yield GaugeMetricFamily(f"{prefix}broker_trouble", text, float(broker.trouble is not None))


def _gauge(name: str, unit: str, text: str, values: Iterable[tuple[str, float | None]]) -> Metric:
    family = GaugeMetricFamily(name, text, labels=("pot",), unit=unit)
    for pot, value in values:
        if value is not None and math.isfinite(value):
            family.add_metric((pot,), value)
    return family


def _label(text: str) -> str:
    """Return the text as valid UTF-8; the library does the format's own escaping."""
    return text.encode("utf-8", "replace").decode()
