"""The watch as a daemon."""

import argparse
import signal
import sys
import time
from contextlib import suppress
from pathlib import Path
from types import FrameType

from potvigil.clock import SystemClock, boot_id
from potvigil.commands.shared import show
from potvigil.commands.shared.common import console, settings_path
from potvigil.commands.shared.status import DONE
from potvigil.history.care_due import care_due
from potvigil.outputs.live import LiveFile
from potvigil.outputs.signals import Signals, open_pins
from potvigil.paths import make_own_folder, usual_live, usual_record
from potvigil.record.errors import RecordError
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.service.wiring import mqtt_link, notified, open_inputs, quiet_hours, signal_wiring
from potvigil.settings.loading import load
from potvigil.settings.schema import Settings


def watch(args: argparse.Namespace) -> int:
    settings = load(settings_path(args))
    link = None if settings.mqtt is None else mqtt_link(settings.mqtt)
    printer = show.Printer(console(), settings)
    # only the usual folder is made: if that of a configured path is missing, a stick may not be plugged in
    is_usual = settings.record_file == usual_record()
    live = _live_file(settings)
    unwritten = None if live is None else Path(f"{live.path}.unwritten")
    with Store.open_for_watch(settings.record_file, make_parents=is_usual, unwritten=unwritten) as store:
        station = open_inputs(settings)
        service = Service(
            settings,
            SystemClock(),
            boot_id(),
            station,
            store,
            link,
            on_event=printer.event,
            live=live,
            signals=_signals(settings),
            notified=notified(settings),
        )

        def stop(_signal: int, _frame: FrameType | None) -> None:
            service.request_stop()

        signal.signal(signal.SIGTERM, stop)
        signal.signal(signal.SIGINT, stop)
        service.start()
        printer.line(f"watching {', '.join(settings.pots)}; record {settings.record_file}")
        _print_due_care(store, settings, printer)
        try:
            service.run()
        finally:
            service.stop()
    return DONE


def _print_due_care(store: Store, settings: Settings, printer: show.Printer) -> None:
    with suppress(RecordError):  # a failing record has its own alarm
        for pot_id in settings.pots:
            for text in care_due(store, pot_id, time.time(), settings.timezone):
                printer.line(f"{pot_id}: {text}")


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
