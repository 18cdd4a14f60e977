"""A simulated night through the real drivers, core, record and outputs."""

import argparse
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

from potvigil.clock import ManualClock
from potvigil.commands.rehearsal.own_wiring import on_own_wiring, one_pot, some_pots
from potvigil.commands.rehearsal.progress import progress
from potvigil.commands.rehearsal.side_by_side import SideBySide
from potvigil.commands.shared import show
from potvigil.commands.shared.common import UseError, console
from potvigil.commands.shared.status import DONE
from potvigil.model.events import BatchClosed, BatchSummary, Event
from potvigil.outputs.broker.mqtt_link import MqttLink
from potvigil.outputs.live import LiveFile
from potvigil.outputs.patterns import Lamp, Rhythm, Show
from potvigil.outputs.signals import Signals
from potvigil.paths import rehearsed_records
from potvigil.record.errors import MissingRecordError
from potvigil.record.store import Store
from potvigil.service.loop import Service
from potvigil.service.wiring import mqtt_link, quiet_hours, signal_wiring
from potvigil.settings.loading import load, load_text
from potvigil.settings.schema import Settings
from potvigil.sim.nights import NIGHTS

# A night of ten hours in ten minutes.
PAGE_SPEED = 60.0


def rehearse(args: argparse.Namespace) -> int:
    if args.list:
        show.nights(console(), [(night.name, night.title) for night in NIGHTS.values()])
        return DONE
    night = NIGHTS.get(args.night)
    if night is None:
        raise UseError(f"no night {args.night!r}; there are {', '.join(NIGHTS)}")
    if args.config is None:
        settings = some_pots(load_text(night.settings_yaml, f"night {night.name}"), args.pot)
        nights = dict.fromkeys(settings.pots, night)
    else:
        settings = some_pots(load(args.config), args.pot)
        nights = {each: on_own_wiring(night, one_pot(settings, each)) for each in settings.pots}
    night_s = max(each.duration_s for each in nights.values())
    link = None if args.mqtt is None else _link(args.mqtt, settings)
    record = args.record or _rehearsal_record(night.name)
    _refuse_real(record)
    if args.notify and (args.config is None or settings.notify is None):
        raise UseError("--notify: needs --config with settings that say who to notify, under notify:")
    is_shown = args.page is not None or args.notify
    speed = args.speed or (PAGE_SPEED if is_shown else None)
    screen = console()
    printer = show.Printer(screen, settings)
    printer.line(f"Rehearsal, simulated: {night.title}", style="bold")
    with (
        tempfile.TemporaryDirectory(prefix="potvigil-") as folder,
        progress(screen, night_s) if speed is None else nullcontext(_no_progress) as at,
    ):
        pots = SideBySide(nights, settings, Path(folder), args.seed)

        def advance(boot_s: float) -> None:
            pots.advance(boot_s)
            at(boot_s)

        clock = ManualClock(utc_s=night.start_utc_s, on_advance=advance, speed=speed)
        store = Store.open_alone(record, "potvigil rehearse", make_parents=args.record is None)
        summaries: list[tuple[int | None, BatchSummary]] = []

        def on_event(pot_id: str, batch: int | None, event: Event) -> None:
            printer.event(pot_id, batch, event)
            if isinstance(event, BatchClosed):
                summaries.append((batch, event.summary))

        live = None
        if is_shown:
            period_s = settings.sample_period_s / (speed or 1.0)
            live_folder = Path(folder) / "live file"
            live_folder.mkdir()
            live = LiveFile(live_folder / "live.json", settings.workshop, night.name, period_s)
        service = Service(
            *(settings, clock, f"rehearsal-{night.name}", pots, store, link, night.name, on_event, live),
            signals=_printed_signals(settings, clock, printer),
        )
        service.start()
        try:
            with _interruptible(service), _page(args.page, record, live), _notifier(args, record, live):
                service.run(until_s=night_s)
            for watch in service.watches.values():
                open_batch = watch.summary()
                if open_batch is not None:
                    summaries.append((service.batch_ids[open_batch.pot_id], open_batch))
        finally:
            service.stop()
    for batch, summary in summaries:
        printer.summary(summary, batch)
    printer.line(f"record, for `batch list --record` and the other verbs: {record}")
    return DONE


def _no_progress(_: float) -> None:
    """Do nothing: at a limited speed the events themselves show how far the night is."""


def _printed_signals(settings: Settings, clock: ManualClock, printer: show.Printer) -> Signals:
    """Return signals that print what lamp and buzzer would do, whenever that changes."""
    lamps: dict[Lamp, Rhythm] = {}

    def print_change(shown: Show, is_news: bool) -> None:
        nonlocal lamps
        if shown.lamps == lamps and not (is_news and shown.call):
            return
        lamps = shown.lamps
        parts = [f"{'lamp' if one else f'{lamp} lamp'}: {rhythm.says}" for lamp, rhythm in lamps.items()]
        if shown.call is not None:
            parts.append(f"buzzer: {shown.call.burst.says}")
        now = clock.now()
        printer.moment(now.boot_s, now.utc_s, "; ".join(parts))

    fitted = frozenset(signal_wiring(settings).lamps) or {Lamp.ALARM}
    one = len(fitted) == 1
    return Signals(None, quiet_hours(settings), fitted, print_change)


@contextmanager
def _page(port: int | None, record: Path, live: LiveFile | None) -> Iterator[None]:
    """Serve the page during the night, in a separate process, and print where."""
    if port is None or live is None:
        yield
        return
    words = ["page", "--record", str(record), "--live", str(live.path), "--port", str(port)]
    with _beside(words, "the page"):
        yield


@contextmanager
def _notifier(args: argparse.Namespace, record: Path, live: LiveFile | None) -> Iterator[None]:
    """Notify the settings' targets during the night, if requested."""
    if not args.notify or live is None:
        yield
        return
    where = ["--config", str(args.config), "--record", str(record), "--live", str(live.path)]
    with _beside(["notify", "--rehearsal", *where], "the notifier"):
        yield


@contextmanager
def _beside(words: list[str], name: str) -> Iterator[None]:
    """Run another verb in a separate process until the night ends; print its first line."""
    process = subprocess.Popen(
        [sys.executable, "-m", "potvigil", *words],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,  # Ctrl-C goes to the rehearsal, which then ends this too
    )
    try:
        line = process.stdout.readline() if process.stdout is not None else ""
        if not line:
            raise UseError(f"{name} did not start; the rehearsal was ended")
        print(line, end="", flush=True)
        yield
    finally:
        process.terminate()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _refuse_real(record: Path) -> None:
    """Raise UseError for a record of real batches: simulated ones must not be mixed in."""
    with suppress(MissingRecordError), Store.open_read_only(record) as store:
        if any(run.rehearsed is None for run in store.runs()):
            raise UseError(f"{record} holds real measurements; give --record another path, or leave it out")


def _rehearsal_record(night: str) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    return rehearsed_records() / f"{night}-{stamp}-{os.getpid()}.db"


def _link(where: str, settings: Settings) -> MqttLink:
    """Return how to reach the broker: by the settings, with host and port replaced if given."""
    if where in NIGHTS:
        raise UseError(f"--mqtt {where}: that is a night; name it before --mqtt")
    known = None if settings.mqtt is None else mqtt_link(settings.mqtt)
    try:
        given = urlsplit(f"//{where}")
        host, port = given.hostname, given.port
    except ValueError:
        raise UseError(f"--mqtt {where}: give HOST or HOST:PORT") from None
    if where and (host is None or given.netloc != where or "@" in where):
        raise UseError(f"--mqtt {where}: give HOST or HOST:PORT")
    if known is None:
        if host is None:
            raise UseError("--mqtt: which broker? give HOST[:PORT], or --config with an mqtt block")
        return MqttLink(host, 1883 if port is None else port)
    return replace(
        known,
        host=host or known.host,
        port=known.port if port is None else port,
        # with the watch's own id the broker would disconnect the watch
        client_id=None if known.client_id is None else f"{known.client_id}-rehearsal",
    )


@contextmanager
def _interruptible(service: Service) -> Iterator[None]:
    """Make Ctrl-C and SIGTERM end the night early, with results printed and side processes ended."""
    ending = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(each, lambda *_: service.request_stop()) for each in ending]
    try:
        yield
    finally:
        for each, handler in zip(ending, before, strict=True):
            signal.signal(each, handler)
