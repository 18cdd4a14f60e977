"""A dialogue that calibrates a pot's transducer, against the open pot and the pot's own gauge."""

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from potvigil.clock import SystemClock
from potvigil.commands.dialogues.exclusive_station import (
    answer,
    own_station,
    pressure_warning,
    refuse_beside_a_watch,
)
from potvigil.commands.dialogues.gauge import Bench, fine, take_points, take_zero
from potvigil.commands.shared.common import OR_REHEARSE, UseError, one_of, settings_path, who
from potvigil.commands.shared.status import DONE, NO
from potvigil.diagnosis.calibration import (
    Calibration,
    CalibrationError,
    VentZero,
    drift,
    zero_alone,
    zero_at_vent,
)
from potvigil.model.maintenance import Part
from potvigil.model.pot import Pot
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.settings.loading import load, load_text
from potvigil.settings.schema import Settings
from potvigil.wording.quantities import pressure, shown

# After a vent: wait for a minute, then use at most ten minutes.
_AFTER_VENT_S, _VENT_WINDOW_S = 60.0, 600.0
_MONTH_S = 30.4 * 86_400.0


def calibrate(args: argparse.Namespace) -> int:
    if args.rehearse:
        from potvigil.commands.rehearsal.rehearsed_pot import rehearsed_bench

        print("Rehearsal on a simulated pot: nothing is saved.")
        with rehearsed_bench(answer) as (settings, bench):
            return _run(args, settings, bench)
    settings = load(settings_path(args, OR_REHEARSE))
    pot_id = one_of(settings.pots, args.pot)
    if args.history:
        return _history(settings, pot_id)
    refuse_beside_a_watch(settings)
    with _wired_bench(settings, pot_id) as bench:
        return _run(args, settings, bench)


def _run(args: argparse.Namespace, settings: Settings, bench: Bench) -> int:
    both = args.zero == args.points
    pot = bench.pot
    print(
        f"Calibrating {pot.pot_id}. Eye protection on, and clear of the lid. Nothing here goes above the "
        f"working pressure, {pressure(pot.working_pa, pot.pressure_unit)}."
    )
    try:
        anchor = take_zero(bench) if args.zero or both else None
        if args.points or both:
            with pressure_warning():
                found, note = take_points(bench, anchor, args.gauge, args.gauge_class)
            print(
                "Done. Shut the supply, open the vent fully and confirm zero on the pot's own gauge before "
                "you loosen the lid."
            )
        elif anchor is not None:
            found, note = zero_alone(anchor, pot), "zero alone"
    except CalibrationError as error:
        print(f"Not calibrated: {error}.", file=sys.stderr)
        return NO
    lines = _settings_lines(found, pot)
    print(f"\nSettings for pots.{pot.pot_id}.transducer; restart the watch once they are in place:")
    print("".join(f"    {line}\n" for line in lines), end="")
    kept = f"{', '.join(lines).replace(':', '')}; {note}"
    if args.write is not None:
        _write(
            args.write,
            pot.pot_id,
            lines,
            f"{datetime.now(settings.timezone):%Y-%m-%d %H:%M}, {who()}: {note}",
        )
    if not args.rehearse:
        _keep(settings, pot.pot_id, kept, who())
    return DONE


# --- results


def _settings_lines(found: Calibration, pot: Pot) -> list[str]:
    return [f"zero: {fine(found.zero_pa, pot)}", f"slope: {found.slope:.4f}"]


def _write(path: Path, pot_id: str, lines: list[str], note: str) -> None:
    text = f"# {note}\npots:\n  {pot_id}:\n    transducer:\n" + "".join(f"      {line}\n" for line in lines)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UseError(f"{path} already exists; give --write another file") from None
    print(f"written to {path}")


def _keep(settings: Settings, pot_id: str, text: str, by: str) -> None:
    """Record the calibration as care of the transducer, with date and person."""
    now_utc_s = time.time()
    try:
        with Store.open(settings.record_file, create=False) as store:
            if pot_id in store.pots():
                store.add_care(pot_id, now_utc_s, Part.TRANSDUCER, text, by, now_utc_s)
                print(f"Kept in the record {settings.record_file}")
                return
        reason = f"it knows no pot {pot_id} yet"
    except RecordError as error:
        reason = str(error)
    print(
        f"Not kept in the record: {reason}. Once the watch has run, note it with\n"
        f'  potvigil pot care {pot_id} transducer "{text}"'
    )


def _history(settings: Settings, pot_id: str) -> int:
    """Print the zero after each vent, and when it was calibrated."""
    pot = settings.core_pots()[pot_id]
    now_pa = pot.transducer.zero_pa if pot.transducer is not None else 0.0
    with Store.open_read_only(settings.record_file) as store:
        zeros = list(_zeros(store, pot_id))
        cares = [care for care in store.cares(pot_id) if care.part == Part.TRANSDUCER]
    for care in cares:
        print(f"{_day(care.utc_s, settings)}  calibrated by {shown(care.by)}: {shown(care.text)}")
    if not zeros:
        print(
            f"{pot_id}: the pot has not yet been open long enough after a vent to show the transducer's zero"
        )
        return DONE
    for batch, zero in zeros:
        when = "" if zero.utc_s is None else f", {_day(zero.utc_s, settings)}"
        print(
            f"after batch {batch}{when}: zero {fine(zero.zero_pa, pot)}, "
            f"{fine(zero.zero_pa - now_pa, pot)} from that in the settings"
        )
    trend = drift([zero for _, zero in zeros])
    if trend is None:
        print("It takes three vents to show a drift.")
    else:
        value, low, high = (fine(each * _MONTH_S, pot) for each in (trend.value, trend.low, trend.high))
        drifts = "drifts" if trend.low > 0.0 or trend.high < 0.0 else "does not drift significantly"
        print(f"The zero {drifts}: {value} a month ({low} to {high}).")
    return DONE


def _zeros(store: Store, pot_id: str) -> Iterator[tuple[int, VentZero]]:
    """Yield (batch, zero) for each batch that was followed by an open pot."""
    batches = list(reversed(store.batches(pot_id)))
    texts = {run.id: run.settings_json for run in store.runs()}
    pots: dict[str, Pot] = {}
    for batch, after in zip(batches, [*batches, None][1:], strict=True):
        text = texts.get(batch.run_id) if batch.run_id is not None else None
        if batch.end_t_s is None or text is None:
            continue
        if text not in pots:
            try:
                pots[text] = load_text(text, "record").core_pots()[pot_id]
            except (ValueError, KeyError):  # settings of an older version, or the pot was renamed
                continue
        from_s = batch.end_t_s + _AFTER_VENT_S
        to_s = min(from_s + _VENT_WINDOW_S, float("inf") if after is None else after.start_t_s)
        zero = zero_at_vent(store.samples(pot_id, from_s, to_s), pots[text])
        if zero is not None:
            yield batch.id, zero


def _day(utc_s: float, settings: Settings) -> str:
    return f"{datetime.fromtimestamp(utc_s, UTC).astimezone(settings.timezone):%Y-%m-%d}"


@contextmanager
def _wired_bench(settings: Settings, pot_id: str) -> Iterator[Bench]:
    with own_station(settings) as station:
        yield Bench(
            pot=settings.core_pots()[pot_id],
            station=station,
            clock=SystemClock(),
            period_s=settings.sample_period_s,
            ask=answer,
            bring=lambda gauge_pa: None,  # a person does that
        )
