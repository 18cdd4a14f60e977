"""The daemon, and the check of its settings and wires."""

import argparse
import signal
import sys
from types import FrameType

from potvigil import show
from potvigil.clock import SystemClock, boot_id
from potvigil.outputs.live import LiveFile
from potvigil.outputs.signals import Signals, open_pins
from potvigil.paths import make_own_folder, usual_live, usual_record
from potvigil.record.store import Store
from potvigil.service import Service, mqtt_link, open_inputs, quiet_hours, signal_wiring
from potvigil.settings import Settings, load
from potvigil.verbs.common import console
from potvigil.verbs.status import DONE, NO


def watch(args: argparse.Namespace) -> int:
    settings = load(args.config)
    link = None if settings.mqtt is None else mqtt_link(settings.mqtt)
    printer = show.Printer(console(), settings)
    # only our own folder is made: the missing one of a path that was given may be a stick not plugged in
    is_usual = settings.record_file == usual_record()
    with Store.open(settings.record_file, make_parents=is_usual) as store:
        station = open_inputs(settings)
        service = Service(
            settings,
            SystemClock(),
            boot_id(),
            station,
            store,
            link,
            on_event=printer.event,
            live=_live_file(settings),
            signals=_signals(settings),
        )

        def stop(_signal: int, _frame: FrameType | None) -> None:
            service.request_stop()

        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)
        service.start()
        printer.line(f"watching {', '.join(settings.pots)}; record {settings.record_file}")
        try:
            service.run()
        finally:
            service.stop()
    return DONE


def _signals(settings: Settings) -> Signals | None:
    if settings.signals is None:
        return None
    return Signals(open_pins(signal_wiring(settings), settings.sample_period_s), quiet_hours(settings))


def _live_file(settings: Settings) -> LiveFile | None:
    path = settings.page.live or usual_live(writing=True)
    try:
        if settings.page.live is None:
            make_own_folder(path.parent)
    except OSError as error:
        print(f"potvigil: {path.parent} {error.strerror}: the page shows no live values", file=sys.stderr)
        return None
    return LiveFile(path, settings.workshop, None, settings.sample_period_s)


def check(args: argparse.Namespace) -> int:
    settings = load(args.config)
    show.settings(console(), settings, args.config)
    if not args.hardware:
        return DONE
    station = open_inputs(settings)
    try:
        wires = station.probe_each_wire()
    finally:
        station.close()
    show.wires(console(), wires)
    return DONE if all(ok for _, ok, _ in wires) else NO
