"""Details that somebody enters, made ready to be kept; the workshop's unit and zone, by the record."""

import json
from collections.abc import Mapping
from datetime import tzinfo
from typing import Any
from zoneinfo import ZoneInfo

from potvigil.model import batch_details
from potvigil.model.events import Detail, Stage, StageEvent
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store


def given_details(
    store: Store, row: BatchRow | None, texts: Mapping[Detail, str], now_utc_s: float
) -> dict[Detail, str]:
    """Return details in the form in which they are kept. Raises DetailError.

    row: their batch, None for one not yet open. A mixed-at time like `21:40` is the one nearest to its fill,
    or to now.
    """
    return {
        field: _mixed_at(text, store, row, now_utc_s)
        if field is Detail.MIXED_AT
        else batch_details.read(field, text)
        for field, text in texts.items()
    }


def habits_of(store: Store) -> tuple[str, tzinfo | None]:
    """Return the workshop's unit of pressure and its time zone, None for the machine's own."""
    run = store.last_run()
    settings: dict[str, Any] = {} if run is None else json.loads(run.settings_json)
    return str(settings.get("units", {}).get("pressure", "psi")), _zone(settings)


def _mixed_at(text: str, store: Store, row: BatchRow | None, now_utc_s: float) -> str:
    since_utc_s: float | None = now_utc_s
    since = "now"
    if row is not None:
        fills = [each for each in store.events(row.id) if isinstance(each, StageEvent)]
        fills = [each for each in fills if each.stage is Stage.FILLING]
        if fills or row.end_t_s is not None:
            since_utc_s, since = fills[0].utc_s if fills else row.start_utc_s, "the fill"
    if since_utc_s is not None:
        text = batch_details.at_clock(text, since_utc_s, _zone_of(store, row))
    text = batch_details.read(Detail.MIXED_AT, text)
    if text and since_utc_s is not None:
        batch_details.check_mixed_at(text, since_utc_s, since)
    return text


def _zone_of(store: Store, row: BatchRow | None) -> tzinfo | None:
    """Return the zone of the settings in force when the batch started, or now."""
    runs = [run for run in store.runs() if row is None or run.id == row.run_id]
    return _zone(json.loads(runs[-1].settings_json)) if runs else None


def _zone(settings: Mapping[str, Any]) -> tzinfo | None:
    zone = settings.get("timezone")
    return None if zone is None else ZoneInfo(zone)
