"""Which alarm conditions are true now, with the words for each.

First what to do, by when, then why, in the pot's unit. None: the condition is false; Over: for good. An alarm
missing from the answer is unknown, and stays as it is.
"""

from dataclasses import dataclass

from potvigil.model.events import AlarmId, Stage
from potvigil.model.pot import Pot, Supply
from potvigil.model.reading import Place, Quality, Reading
from potvigil.physics.bubble import diameter_growth
from potvigil.units import span
from potvigil.watch.alarm_states import Condition, ConditionWords, Over
from potvigil.watch.batch import Batch
from potvigil.wording.quantities import TimeTeller, pressure, rate

# Once passed, a limit clears only at this share of itself beyond it.
DEADBAND_SHARE = 0.02
# Working time is "nearly used up" with this share of it left, and at the latest five minutes before its end.
WORKING_TIME_LEFT_SHARE, WORKING_TIME_LEFT_S = 0.25, 300.0
# A gauge at this share of the working pressure counts as at it.
REACHED_SHARE = 0.95
# Top-ups hide a leak: so many within so long, spread over at least so much.
MASKING_TOP_UPS, MASKING_WITHIN_S, MASKING_SPREAD_S = 3, 3 * 3600.0, 1800.0
# A sound pot takes less air than this half an hour after its fill: 5 psi of heat (from a one-minute fill)
# that leave over an hour are 3 psi/h by then.
TAKEN_PER_S = 5.0 / 75.0 / 3600.0
VENTED_EARLY_SHOWN_S = 60.0
# Somebody called from bed cannot top up a pot in less.
TOP_UP_TAKES_S = 300.0
ALL_OF_A_LOSS = (AlarmId.RAPID_LOSS, AlarmId.BELOW_FLOOR, AlarmId.FLOOR_AHEAD, AlarmId.LEAK)

# The words are renewed once a forecast has moved by this share of the time left, and at least by so long; a
# leak by this share of itself, a pressure by this share of the working pressure.
MOVED_SHARE, MOVED_S, GROWN_SHARE, FALLEN_SHARE = 0.2, 900.0, 0.25, 0.1

Conditions = dict[AlarmId, Condition]


@dataclass(slots=True)
class Scene:
    """Everything the conditions depend on: one pot at one moment."""

    pot: Pot
    reading: Reading
    stage: Stage
    batch: Batch | None
    rapid_loss: bool
    vented_early_s: float | None
    pressure_fault: str | None
    gap_s: float
    missing: dict[Place, str]
    standing: frozenset[AlarmId]


def conditions(scene: Scene) -> Conditions:
    """Return which conditions are true or false now, with the words for the true ones."""
    found: Conditions = {
        AlarmId.PRESSURE_SENSOR: _pressure_sensor(scene),
        AlarmId.READINGS_STOPPED: _readings_stopped(scene),
        AlarmId.THERMOMETER: _thermometer(scene) if scene.missing else None,
        AlarmId.VENTED_EARLY: _vented_early(scene),
    }
    if scene.batch is not None and scene.batch.clock.done:  # whatever is known of the pressure
        found[AlarmId.BELOW_FLOOR] = Over("It was below the floor before the cure was done.")
        found[AlarmId.FLOOR_AHEAD] = Over("The cure is done; the floor no longer matters.")
    if scene.reading.gauge_pa is None or scene.reading.quality is Quality.BAD:
        return found  # a dead transducer says nothing about the pressure
    found[AlarmId.OVER_PRESSURE] = _over_pressure(scene, scene.reading.gauge_pa)
    if scene.pressure_fault is not None:
        return found  # doubted readings must not raise a leak, but over-pressure does not wait for certainty
    batch = scene.batch
    if batch is None:
        found.update(dict.fromkeys(ALL_OF_A_LOSS))
        found[AlarmId.SLOW_TO_PRESSURE] = found[AlarmId.SUPPLY_MASKING] = None
        return found
    found[AlarmId.SLOW_TO_PRESSURE] = _slow_to_pressure(scene, batch)
    if scene.stage is Stage.VENTING:
        return found  # air leaves by the valve: leak alarms stay as they are
    # once the cure is done, the cause is somebody opening the vent a little, who is there to see it
    found[AlarmId.RAPID_LOSS] = _rapid_loss(scene) if scene.rapid_loss and not batch.clock.done else None
    if not batch.clock.done:
        found[AlarmId.BELOW_FLOOR] = _below_floor(scene, batch, scene.reading.gauge_pa)
        found[AlarmId.FLOOR_AHEAD] = _floor_ahead(scene, batch, scene.reading.gauge_pa)
    found[AlarmId.LEAK] = _leak(scene, batch)
    found[AlarmId.SUPPLY_MASKING] = _supply_masking(scene, batch) if batch.top_ups else None
    return found


def _teller(scene: Scene) -> TimeTeller:
    return TimeTeller(scene.reading.t_s, scene.reading.utc_s, scene.pot.tz)


def _pressure_sensor(scene: Scene) -> ConditionWords | None:
    if scene.pressure_fault is None:
        return None
    return ConditionWords(
        "Read the pot's own gauge: there are no pressure alarms until this is fixed",
        f"The pressure reading cannot be trusted: {scene.pressure_fault}. "
        "Check the transducer's electrical plug and cable; unscrew nothing under pressure.",
    )


def _readings_stopped(scene: Scene) -> ConditionWords | None:
    if not scene.gap_s:
        return None
    gauge_pa = scene.reading.gauge_pa
    now = "" if gauge_pa is None else f", at {pressure(gauge_pa, scene.pot.pressure_unit)}"
    return ConditionWords(
        "Check that the pot's own gauge agrees",
        f"No readings for {span(scene.gap_s)}; the pot was not monitored. Readings are back{now}.",
    )


def _thermometer(scene: Scene) -> ConditionWords:
    which = "; ".join(f"{place} thermometer: {why}" for place, why in scene.missing.items())
    lost = (
        "the resin's own temperature, and so the end of the cure, is now less certain"
        if scene.missing.keys() == {Place.CONTENTS}
        else "a small leak can no longer be told from a temperature change"
    )
    several = "s" if len(scene.missing) > 1 else ""
    return ConditionWords(
        f"Check plug and cable of the {' and '.join(scene.missing)} thermometer{several}; keep the lid shut",
        f"{which[0].upper()}{which[1:]}. Monitoring continues; {lost}.",
    )


def _vented_early(scene: Scene) -> ConditionWords | None:
    since_s = scene.vented_early_s
    if since_s is None or scene.reading.t_s - since_s > VENTED_EARLY_SHOWN_S or scene.batch is None:
        return None
    cure = scene.batch.clock.cure()
    # without a gel time nobody knows whether it had gelled
    before, grow = ", before gel", "grow until the resin gels"
    if scene.batch.resin.gel_s is None:
        before, grow = "", "grow if the resin has not gelled"
    return ConditionWords(
        "If you did not vent it: shut off the air at the compressor and stay clear",
        f"The pot shows no pressure at {100.0 * cure.progress:.0f} % of the cure{before}: it was "
        "vented, or the lid or hose failed. Open nothing until the pot's own gauge reads zero with the vent "
        f"fully open. Bubbles {grow}.",
    )


def _over_pressure(scene: Scene, gauge_pa: float) -> ConditionWords | None:
    limit_pa = scene.pot.maximum_pa
    if AlarmId.OVER_PRESSURE in scene.standing:
        limit_pa *= 1.0 - DEADBAND_SHARE
    if gauge_pa <= limit_pa:
        return None
    unit = scene.pot.pressure_unit
    return ConditionWords(
        "Shut off the air at the compressor and stay clear",
        f"{pressure(gauge_pa, unit)}: above the pot's marked maximum of "
        f"{pressure(scene.pot.maximum_pa, unit)}. Do not touch the lid or clamps; let the relief valve work.",
        figure=gauge_pa,
        step=FALLEN_SHARE * scene.pot.working_pa,
    )


def _slow_to_pressure(scene: Scene, batch: Batch) -> ConditionWords | None:
    working_time_s = batch.resin.working_time_s
    waiting = scene.stage is Stage.FILLING or not _was_filled(batch)
    reached = (scene.reading.gauge_pa or 0.0) >= REACHED_SHARE * scene.pot.working_pa
    if working_time_s is None or not waiting or reached:
        return None
    left_s = batch.clock.seconds_to(working_time_s)
    if left_s > max(WORKING_TIME_LEFT_SHARE * working_time_s, WORKING_TIME_LEFT_S):
        return None
    now = pressure(scene.reading.gauge_pa or 0.0, scene.pot.pressure_unit)
    if left_s <= 0.0:
        return ConditionWords(
            "Fill the pot now, or give up this batch",
            f"It is at {now}, and the resin's working time is over.",
            says="over",
        )
    return ConditionWords(
        f"Bring the pot to {pressure(scene.pot.working_pa, scene.pot.pressure_unit)}",
        f"It is at {now}; the resin's working time ends then. Check the compressor, regulator and inlet "
        "valve; do not touch a clamp under pressure.",
        by_s=scene.reading.t_s + left_s,
        says="",
    )


def _rapid_loss(scene: Scene) -> ConditionWords:
    gauge_pa = scene.reading.gauge_pa or 0.0
    return ConditionWords(
        "Shut off the air at the compressor; stay clear of the lid",
        f"The pot is losing pressure fast, now {pressure(gauge_pa, scene.pot.pressure_unit)}. Unless you "
        "are venting it, the lid or hose may be failing: do not top it up, and stay away until its own "
        "gauge reads zero.",
        figure=gauge_pa,
        step=2.0 * FALLEN_SHARE * scene.pot.working_pa,
    )


def _below_floor(scene: Scene, batch: Batch, gauge_pa: float) -> ConditionWords | None:
    pot = scene.pot
    floor_pa = pot.floor_pa
    if AlarmId.BELOW_FLOOR in scene.standing:
        floor_pa += DEADBAND_SHARE * pot.working_pa
    filling = scene.stage is Stage.FILLING and AlarmId.BELOW_FLOOR not in scene.standing
    if gauge_pa >= floor_pa or filling or not _was_filled(batch):
        return None
    growth = diameter_growth(pot.working_pa, max(gauge_pa, 0.0), scene.reading.ambient_pa)
    now, floor = pressure(gauge_pa, pot.pressure_unit), pressure(pot.floor_pa, pot.pressure_unit)
    working = pressure(pot.working_pa, pot.pressure_unit)
    do, why = _top_up(scene, batch, working)
    return ConditionWords(
        do,
        f"{now}: {'just ' if now == floor else ''}below the floor of {floor} with {_cure_left(scene, batch)} "
        f"of the cure to go; bubbles are {100.0 * (growth - 1.0):.0f} % wider than at {working}.{why}",
        says="",
        figure=gauge_pa,
        step=FALLEN_SHARE * pot.working_pa,
    )


def _top_up(scene: Scene, batch: Batch, working: str) -> tuple[str, str]:
    """Return what to do about a pot below its floor, and what that can no longer put right."""
    if batch.clock.cure().done_s - scene.reading.t_s < TOP_UP_TAKES_S:
        return "Nothing to do before venting; then inspect the cast", " It is too late to top up."
    # gelled is not hard: keep it under pressure, though its bubbles no longer move
    if batch.resin.gel_s is None:
        return f"Top up to {working} now", " If the resin has gelled, bubbles that have grown may remain."
    stay = " The resin has gelled: bubbles that have grown may remain." if batch.clock.gelled else ""
    return f"Top up to {working} now", stay


def _floor_ahead(scene: Scene, batch: Batch, gauge_pa: float) -> ConditionWords | None:
    forecast, leak = batch.forecast, batch.leak
    if forecast is None or leak is None or not leak.established or gauge_pa < scene.pot.floor_pa:
        return None
    done_s = batch.clock.cure().done_s
    stands = AlarmId.FLOOR_AHEAD in scene.standing
    if not forecast.before_cure_done and not (stands and forecast.earliest_s < done_s):
        return None
    if AlarmId.FLOOR_AHEAD in batch.words:
        return batch.words[AlarmId.FLOOR_AHEAD]
    pot, teller = scene.pot, _teller(scene)
    about = teller.ahead(forecast.crossing_s, forecast.earliest_s, forecast.latest_s)
    before = done_s - forecast.crossing_s
    order = f"{span(before)} before the cure is done" if before > 0.0 else "close to the end of the cure"
    do = f"Top up to {pressure(pot.working_pa, pot.pressure_unit)}"
    says = "ahead" if before > 0.0 else "close"
    losing = rate(leak.rate_pa_per_s.value, pot.pressure_unit)
    text = f"Losing {losing}: falls below {pressure(pot.floor_pa, pot.pressure_unit)} {about}, {order}."
    if pot.supply is Supply.REGULATED:
        do = "Check the air supply"
        text += " It no longer delivers air."
    if forecast.top_up_until_s is not None:
        lasts = forecast.top_up_until_s >= done_s
        until = "through the cure" if lasts else f"at least {teller.until(forecast.top_up_until_s)}"
        text += f" A top-up now lasts {until}{'' if lasts else '; top up again by then'}."
        says += str(lasts)
    words = ConditionWords(
        do,
        text,
        by_s=forecast.earliest_s,
        says=says,
        figure=forecast.crossing_s,
        step=max(MOVED_SHARE * (forecast.crossing_s - scene.reading.t_s), MOVED_S),
    )
    batch.words[AlarmId.FLOOR_AHEAD] = words
    return words


def _leak(scene: Scene, batch: Batch) -> ConditionWords | None:
    leak = batch.leak
    if leak is None or not leak.established or leak.onset_s is None:
        return None
    if AlarmId.LEAK in batch.words:
        return batch.words[AlarmId.LEAK]
    unit = scene.pot.pressure_unit
    rates, borne = leak.rate_pa_per_s, _borne(scene, batch)
    words = ConditionWords(
        "After venting, check the lid clamps, seal and valves",
        f"{borne}. Losing {rate(rates.value, unit)} ({rate(rates.low, unit)} to {rate(rates.high, unit)}) "
        f"{_teller(scene).since(leak.onset_s)}.",
        says=borne,
        figure=rates.value,
        step=GROWN_SHARE * rates.value,
    )
    batch.words[AlarmId.LEAK] = words
    return words


def _borne(scene: Scene, batch: Batch) -> str:
    """Return what a leak means for the batch."""
    gauge_pa = scene.reading.gauge_pa
    if gauge_pa is not None and batch.is_fed(scene.reading.t_s, gauge_pa):
        return "The supply makes up for the leak"
    if batch.clock.done:
        return "The cure is done"
    if gauge_pa is not None and gauge_pa < scene.pot.floor_pa:
        return "The pot is below the floor"
    forecast, done_s = batch.forecast, batch.clock.cure().done_s
    if forecast is None or forecast.earliest_s >= done_s:
        return "This batch will hold"
    may = "will" if forecast.before_cure_done else "may"
    return f"The pot {may} fall below the floor before the cure is done"


def _supply_masking(scene: Scene, batch: Batch) -> ConditionWords | None:
    stands = AlarmId.SUPPLY_MASKING in scene.standing
    recent = [jump for jump in batch.top_ups if jump.end_s > scene.reading.t_s - MASKING_WITHIN_S]
    # one fewer while active: a top-up every 80 min is three in three hours, then two, then three again
    if len(recent) < MASKING_TOP_UPS - stands or recent[-1].end_s - recent[0].end_s < MASKING_SPREAD_S:
        return None
    # A sound pot takes air too, while gas and room cool and the mould absorbs it. The estimate allows for all
    # that: top-ups hide a leak only where its whole interval says that more is lost.
    lost = None if batch.leak is None else batch.leak.rate_pa_per_s
    # with top-ups too frequent to leave readings to estimate from, their rate is the estimate
    lost_pa_per_s = batch.put_back_pa_per_s(scene.reading.t_s) or 0.0
    least = TAKEN_PER_S * (scene.pot.working_pa + scene.reading.ambient_pa) * (0.5 if stands else 1.0)
    if lost_pa_per_s < least:
        if lost is None or (lost.value if stands else lost.low) <= 0.0:
            return None
        lost_pa_per_s = lost.value
    return ConditionWords(
        "Check that the air supply lasts the night",
        f"Top-ups are hiding a leak of about {rate(lost_pa_per_s, scene.pot.pressure_unit)}: {len(recent)} "
        f"in {span(MASKING_WITHIN_S)}. The pot holds only while the air lasts. Look for the leak after "
        "venting.",
        says="",
        figure=lost_pa_per_s,
        step=GROWN_SHARE * lost_pa_per_s,
    )


def _was_filled(batch: Batch) -> bool:
    return Stage.FILLING in batch.stages  # one opened at mixing is not filled yet


def _cure_left(scene: Scene, batch: Batch) -> str:
    return span(batch.clock.cure().done_s - scene.reading.t_s)
