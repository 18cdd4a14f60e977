"""The verbs: the only place that prints, and that opens inputs and outputs."""

import argparse
import logging
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from types import FrameType
from typing import TextIO, TypeAlias

from rich.console import Console

from potvigil import __version__, show
from potvigil.clock import ManualClock, SystemClock, boot_id
from potvigil.core import details
from potvigil.core.conversion import convert
from potvigil.core.details import DetailError
from potvigil.core.event import (
    Action,
    AlarmId,
    AlarmState,
    BatchClosed,
    BatchSummary,
    Detail,
    Event,
    Stage,
    StageEvent,
)
from potvigil.core.watch import PotWatch
from potvigil.faults import SettingsError
from potvigil.inputs.ds18b20 import InlineExecutor
from potvigil.inputs.recording import LogError, read_log
from potvigil.outputs.mqtt import MqttError, MqttLink
from potvigil.record import export
from potvigil.record.errors import RecordError
from potvigil.record.pages import pdf_of, png_of
from potvigil.record.report import harmless_name, report_html
from potvigil.record.rows import BatchRow
from potvigil.record.store import Store
from potvigil.retold import retell
from potvigil.service import Service, WiringError, feed_again, keep_event, keep_trace, mqtt_link, open_inputs
from potvigil.settings import RecordSettings, Settings, load, load_text

DONE, NO, WRONG_USE = 0, 1, 2
# argparse gives the type no public name
_Verbs: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
DEFAULT_NIGHT = "slow-lid-leak"
_REPLAY_COMMIT_SAMPLES = 20_000
_WIDEST = 10_000
_BY = "command line"


class UseError(ValueError):
    """The command line asks for something that cannot be."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb; return the exit status: 0 done, 1 the answer is no, 2 wrong use or settings."""
    args = _parser().parse_args(arguments)
    logging.basicConfig(level=logging.WARNING, format="potvigil: %(message)s", stream=sys.stderr)
    try:
        status: int = args.run(args)
        sys.stdout.flush()
        return status
    except SettingsError as error:
        for fault in error.faults:
            print(fault, file=sys.stderr)
    except BrokenPipeError:  # `potvigil batch list | head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except (LogError, RecordError, MqttError, WiringError, DetailError, UseError) as error:
        print(f"potvigil: {error}", file=sys.stderr)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"potvigil: {where}{error.strerror or error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("potvigil: interrupted", file=sys.stderr)
    return WRONG_USE


# -- the watch -------------------------------------------------------------------------------------


def _watch(args: argparse.Namespace) -> int:
    settings = load(args.config)
    link = None if settings.mqtt is None else mqtt_link(settings.mqtt)
    printer = show.Printer(_console(), settings)
    # only our own folder is made: the missing one of a path that was given may be a stick not plugged in
    is_usual = settings.record_file == RecordSettings().file
    with Store.open(settings.record_file, make_parents=is_usual) as store:
        station = open_inputs(settings)
        service = Service(settings, SystemClock(), boot_id(), station, store, link, on_event=printer.event)

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


def _rehearse(args: argparse.Namespace) -> int:
    from potvigil.sim.nights import NIGHTS, World  # only a rehearsal may know the simulator

    if args.list:
        show.nights(_console(), [(night.name, night.title) for night in NIGHTS.values()])
        return DONE
    night = NIGHTS.get(args.night)
    if night is None:
        raise UseError(f"no night {args.night!r}; there are {', '.join(NIGHTS)}")
    settings = load_text(night.settings_yaml, f"night {night.name}")
    link = None if args.mqtt is None else _host_and_port(args.mqtt)
    record = args.record or _rehearsal_record(night.name)
    printer = show.Printer(_console(), settings)
    printer.line(f"Rehearsal, simulated: {night.title}", style="bold")
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        world = World(night, Path(folder), seed=args.seed)
        clock = ManualClock(utc_s=night.start_utc_s, on_advance=world.advance, speed=args.speed)
        station = open_inputs(
            settings,
            bus_opener=world.open_bus,
            one_wire_root=world.one_wire_root,
            executor=InlineExecutor(),
            sleep=lambda seconds: None,
        )
        store = Store.open(record, make_parents=args.record is None)
        summaries: list[tuple[int | None, BatchSummary]] = []

        def on_event(pot_id: str, batch: int | None, event: Event) -> None:
            printer.event(pot_id, batch, event)
            if isinstance(event, BatchClosed):
                summaries.append((batch, event.summary))

        service = Service(
            settings, clock, f"rehearsal-{night.name}", station, store, link, night.name, on_event
        )
        service.start()
        try:
            with _interruptible(service):
                service.run(until_s=night.duration_s)
            for watch in service.watches.values():
                open_batch = watch.summary()
                if open_batch is not None:
                    summaries.append((service.batch_ids[open_batch.pot_id], open_batch))
        finally:
            service.stop()
    for batch, summary in summaries:
        printer.summary(summary, batch)
    printer.line(f"record: {record}")
    return DONE


def _replay(args: argparse.Namespace) -> int:
    settings = load(args.config)
    pot_id = _one_pot(settings, args.pot)
    log = read_log(args.log)
    to_stdout = args.json == "-"
    console = _console(stderr=to_stdout)
    printer = show.Printer(console, settings)
    for note in log.notes:
        printer.line(note)
    watch = PotWatch(settings.core_pots()[pot_id])
    store = Store.open(args.record) if args.record else None
    with _json_lines(args.json) as out, store or nullcontext():
        batch: int | None = None
        if store is not None:
            first = log.samples[0]
            name = f"replay of {args.log.name}"
            store.begin_run(settings.as_json(), name, first.t_s, first.utc_s, name)
        closed: list[tuple[int | None, BatchSummary]] = []
        for number, sample in enumerate(printer.progress(log.samples, "replay")):
            events = watch.feed(sample)
            if store is not None:
                store.append(pot_id, sample)
                keep_trace(store, watch, pot_id, sample.t_s)
                if number % _REPLAY_COMMIT_SAMPLES == 0:
                    store.flush()
            for event in events:
                if isinstance(event, BatchClosed):
                    closed.append((batch, event.summary))
                if store is not None:
                    batch = keep_event(store, pot_id, batch, event)
                printer.event(pot_id, batch, event)
                if out is not None and not isinstance(event, BatchClosed):
                    out.write(export.json_text(export.event_line(event, 0.0)) + "\n")
        last = watch.summary()
        if last is not None:
            closed.append((batch, last))
        if store is not None:
            store.flush()
        for number_of, summary in closed:
            if out is not None:
                out.write(export.json_text(export.batch_line(summary, 0.0)) + "\n")
            printer.summary(summary, number_of)
    return DONE


def _check(args: argparse.Namespace) -> int:
    settings = load(args.config)
    console = _console()
    show.settings(console, settings, args.config)
    if not args.hardware:
        return DONE
    station = open_inputs(settings)
    try:
        wires = station.probe_each_wire()
    finally:
        station.close()
    show.wires(console, wires)
    return DONE if all(ok for _, ok, _ in wires) else NO


# -- batches ---------------------------------------------------------------------------------------


def _batch_list(args: argparse.Namespace) -> int:
    with Store.open_read_only(_record(args)) as store:
        rows = store.batches(args.pot, args.limit)
    show.batches(_console(), rows)
    return DONE


def _batch_show(args: argparse.Namespace) -> int:
    with Store.open_read_only(_record(args)) as store:
        row = store.batch(args.batch)
        settings = _settings_of(store, row)
        printer = show.Printer(_console(), settings)
        for event in store.events(row.id):
            printer.event(row.pot_id, row.id, event)
        summary = row.summary or _judged_so_far(store, row, settings)
        if summary is not None:
            printer.summary(summary, row.id)
        printer.details(row.details, store.edits(row.id))
    return DONE


def _batch_export(args: argparse.Namespace) -> int:
    with Store.open_read_only(_record(args)) as store:
        row = store.batch(args.batch)
        out = Path(f"batch-{row.id}.{args.format}") if args.out is None else args.out
        with _out_file(out) as file:
            if args.format == "csv":
                pot = _settings_of(store, row).core_pots()[row.pot_id]
                samples = store.samples(row.pot_id, row.start_t_s, row.end_t_s)
                export.write_csv(file, ((sample, convert(sample, pot)) for sample in samples), pot)
            else:
                summary = row.summary or _judged_so_far(store, row, _settings_of(store, row))
                edits = store.edits(row.id)
                export.write_json_lines(file, store.events(row.id), summary, row.start_t_s, edits)
    if str(out) != "-":
        print(out)
    return DONE


def _batch_report(args: argparse.Namespace) -> int:
    """Write the report of a batch; nothing is written before all of it is made."""
    with Store.open_read_only(_record(args)) as store:
        told = retell(store, args.batch)
    out = args.out or Path(f"{harmless_name(told.row.id, told.row.label)}.html")
    if out.suffix.lower() not in (".html", ".htm"):
        raise UseError(f"--out {out}: give a name that ends in .html; PDF and PNG are written beside it")
    html = report_html(told)
    pages = {out: html.encode()}
    if args.pdf or args.png:
        pdf = pdf_of(html)
        if args.pdf:
            pages[out.with_suffix(".pdf")] = pdf
        if args.png:
            pages[out.with_suffix(".png")] = png_of(pdf)
    for path, content in pages.items():
        try:
            with export.whole_file(path) as file:
                file.buffer.write(content)
        except OSError as error:
            reason = error.strerror or error
            raise UseError(f"{path} cannot be written ({reason}); give another place with --out") from error
        print(path)
    return DONE


def _batch_edit(args: argparse.Namespace) -> int:
    """Change details of a batch: of an open one through the watch, of a closed one in the record itself."""
    with Store.open(_record(args), create=False) as store:
        row = store.batch(args.batch)
        changes = _given_details(args, store, row)
        if not changes:
            options = ", ".join(option for option, _ in _DETAIL_OPTIONS.values())
            raise UseError(f"nothing to change in batch {row.id}; give one of {options}")
        if row.end_t_s is not None:
            store.edit(row.id, changes, _BY, time.time())
            return DONE
        store.add_edits(row.pot_id, changes, _BY, time.time())
    print(f"asked: edit batch {row.id}; the watch does it within a sample period")
    return DONE


def _batch_open(args: argparse.Namespace) -> int:
    with Store.open(_record(args), create=False) as store:
        pot_id = _known_pot(store, args.pot)
        row = store.open_batch_of(pot_id)
        if row is not None:
            raise UseError(f"batch {row.id} of {pot_id} is open; edit that one, or close it first")
        given = _given_details(args, store, None)
        store.add_edits(pot_id, given, _BY, time.time(), opening=True)
        last = store.batches(pot_id, limit=1)
    known = last[0].details if last else {}
    as_last = [
        f"{each} {known[each]}" for each in details.TAKEN_OVER if known.get(each) and each not in given
    ]
    print(f"asked: open a batch of {pot_id}; the watch does it within a sample period")
    if as_last:
        print(f"as the last batch: {', '.join(as_last)}")
    return DONE


def _batch_close(args: argparse.Namespace) -> int:
    with Store.open(_record(args), create=False) as store:
        pot_id = _known_pot(store, args.pot)
        store.add_command(pot_id, Action.CLOSE, time.time(), by=_BY)
    print(f"asked: close a batch of {pot_id}; the watch does it within a sample period")
    return DONE


def _given_details(args: argparse.Namespace, store: Store, row: BatchRow | None) -> dict[Detail, str]:
    """Return the details on the command line as they are kept; row: None for a batch not yet open."""
    given: dict[Detail, str] = {}
    for field in Detail:
        text = getattr(args, field.replace("-", "_"), None)
        if text is None:
            continue
        if field is Detail.PICTURES:
            text = _with_pictures("" if row is None else row.details.get(field, ""), text)
        if field is Detail.MIXED_AT:
            given[field] = _mixed_at(text, store, row)
        else:
            given[field] = details.read(field, text)
    return given


def _with_pictures(known: str, names: Sequence[str]) -> str:
    """Return the names so far and those given, one a line; an empty name begins anew."""
    if any("\n" in name for name in names):
        raise DetailError("pictures: a file name with a line break; rename the file")
    lines = known.splitlines()
    for name in names:
        lines = [*(line for line in lines if line != name), name] if name else []
    return "\n".join(lines)


def _mixed_at(text: str, store: Store, row: BatchRow | None) -> str:
    """Return when a batch was mixed, as it is kept; `21:40` is the one nearest to its fill, or to now."""
    since_utc_s: float | None = time.time()
    since = "now"
    if row is not None:
        fills = [each for each in store.events(row.id) if isinstance(each, StageEvent)]
        fills = [each for each in fills if each.stage is Stage.FILLING]
        if fills or row.end_t_s is not None:
            since_utc_s, since = fills[0].utc_s if fills else row.start_utc_s, "the fill"
    if since_utc_s is not None:
        text = details.at_clock(text, since_utc_s, _timezone(store, row))
    text = details.read(Detail.MIXED_AT, text)
    if text and since_utc_s is not None:
        details.check_mixed_at(text, since_utc_s, since)
    return text


def _timezone(store: Store, row: BatchRow | None) -> tzinfo | None:
    """Return the zone the settings name, None for the machine's own."""
    runs = [run for run in store.runs() if row is None or run.id == row.run_id]
    return load_text(runs[-1].settings_json, f"settings of run {runs[-1].id}").timezone if runs else None


# -- alarms ----------------------------------------------------------------------------------------


def _alarm_list(args: argparse.Namespace) -> int:
    with Store.open_read_only(_record(args)) as store:
        standing = store.standing_alarms()
    show.alarms(_console(), standing)
    return NO if any(event.state is not AlarmState.SHELVED for _, event in standing) else DONE


def _alarm_command(args: argparse.Namespace) -> int:
    """Acknowledge, shelve or test: a command for the watch."""
    action = {"acknowledge": Action.ACKNOWLEDGE, "shelve": Action.SHELVE, "test": Action.TEST_ALARM}[
        args.verb
    ]
    alarm = getattr(args, "alarm", None)
    duration_s = getattr(args, "minutes", None)
    with Store.open(_record(args), create=False) as store:
        pots = [_known_pot(store, args.pot)] if args.pot or action is Action.TEST_ALARM else store.pots()
        for pot_id in pots:
            store.add_command(
                pot_id,
                action,
                time.time(),
                alarm=None if alarm in (None, "all") else AlarmId(alarm),
                duration_s=None if duration_s is None else 60.0 * duration_s,
                by="command line",
            )
    print(f"asked: {args.verb} {alarm or 'alarm'} of {', '.join(pots)}; done within a sample period")
    return DONE


# -- helpers ---------------------------------------------------------------------------------------


class _Console(Console):
    def on_broken_pipe(self) -> None:
        raise  # called while the BrokenPipeError is handled; `main` knows it as no failure


def _console(stderr: bool = False) -> Console:
    console = _Console(stderr=stderr, highlight=False, soft_wrap=True, emoji=False)
    if not console.is_terminal:
        console.width = _WIDEST  # a file or a pipe has no width: a batch is a line there
    return console


def _record(args: argparse.Namespace) -> Path:
    if args.record is not None:
        return Path(args.record)
    return load(args.config).record_file if args.config is not None else RecordSettings().file


def _rehearsal_record(night: str) -> Path:
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    return Path.home() / ".local/state/potvigil/rehearsals" / f"{night}-{stamp}-{os.getpid()}.db"


def _one_pot(settings: Settings, asked: str | None) -> str:
    if asked is None and len(settings.pots) == 1:
        return next(iter(settings.pots))
    if asked not in settings.pots:
        raise UseError(f"give --pot with one of {', '.join(settings.pots)}")
    return asked


def _known_pot(store: Store, asked: str | None) -> str:
    pots = store.pots()
    if asked is None and len(pots) == 1:
        return pots[0]
    if asked not in pots:
        raise UseError(
            f"{store.path}: give --pot with one of {', '.join(pots) or 'none: nothing was watched'}"
        )
    return asked


def _host_and_port(text: str) -> MqttLink:
    host, _, port = text.partition(":")
    if port and not port.isdecimal():
        raise UseError(f"--mqtt {text}: give HOST or HOST:PORT")
    return MqttLink(host=host, port=int(port or 1883))


def _settings_of(store: Store, row: BatchRow) -> Settings:
    """Return the settings that were in force when the batch began."""
    run = next(run for run in store.runs() if run.id == row.run_id)
    return load_text(run.settings_json, f"settings of run {run.id}")


def _judged_so_far(store: Store, row: BatchRow, settings: Settings) -> BatchSummary | None:
    """Feed an open batch to a watch of its own, to say how it stands."""
    watch = PotWatch(settings.core_pots()[row.pot_id])
    commands = store.commands(row.pot_id, row.start_t_s)
    for _ in feed_again(watch, store.samples(row.pot_id, row.start_t_s), commands):
        pass
    summary = watch.summary()
    return None if summary is None else replace(summary, details=row.details)


@contextmanager
def _interruptible(service: Service) -> Iterator[None]:
    """Let Ctrl-C end the night at hand and still print what came of it."""
    before = signal.signal(signal.SIGINT, lambda *_: service.request_stop())
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _json_lines(where: str | None) -> Iterator[TextIO | None]:
    if where is None:
        yield None
    elif where == "-":
        yield sys.stdout
    else:
        with export.whole_file(Path(where)) as file:
            yield file


@contextmanager
def _out_file(path: Path) -> Iterator[TextIO]:
    if str(path) == "-":
        yield sys.stdout
    else:
        with export.whole_file(path) as file:
            yield file


# Each detail's option and what is said of it; the option of the pictures may be given several times.
_DETAIL_OPTIONS = {
    Detail.LABEL: ("--label", "a name of its own"),
    Detail.RESIN: ("--resin", "a resin of the settings, or any words"),
    Detail.MOULD: ("--mould", "what was cast in"),
    Detail.COLOUR: ("--colour", "what it was coloured with"),
    Detail.MASS: ("--mass", 'what was poured, with its unit: "250 g"'),
    Detail.MIXED_AT: ("--mixed-at", "when mixing began: 21:40, or RFC 3339"),
    Detail.NOTE: ("--note", "anything else"),
    Detail.PICTURES: ("--picture", "a file's name, added to those there are; '' begins anew"),
}

_EXAMPLES = {
    "watch": "potvigil watch --config /etc/potvigil/workshop.yaml",
    "rehearse": "potvigil rehearse two-in-the-morning",
    "replay": "potvigil replay night.csv --config workshop.yaml --json -",
    "check": "potvigil check --config workshop.yaml --hardware",
    "list": "potvigil batch list --pot lantern",
    "show": "potvigil batch show 12",
    "export": "potvigil batch export 12 --format csv",
    "report": "potvigil batch report 12 --out lens-3.html --pdf",
    "label": 'potvigil batch label 12 "lens, green, no. 3"',
    "note": 'potvigil batch note 12 "mould warmed to 30 C"',
    "edit": 'potvigil batch edit 12 --mass "250 g" --mixed-at 21:40 --picture lens.jpg',
    "open": 'potvigil batch open --pot lantern --resin "clear, slow" --mixed-at 21:40',
    "close": "potvigil batch close --pot lantern",
    "alarm list": "potvigil alarm list",
    "acknowledge": "potvigil alarm acknowledge floor-ahead",
    "shelve": "potvigil alarm shelve thermometer --minutes 120",
    "test": "potvigil alarm test --pot lantern",
}


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="potvigil",
        description="Night watch for a resin caster's pressure pot. It watches; it replaces no gauge, "
        "relief valve or inspection.",
    )
    parser.add_argument("--version", action="version", version=f"potvigil {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    watch = _verb(verbs, "watch", _watch, "watch the pots: the daemon, on the hardware the settings name")
    watch.add_argument("--config", type=Path, required=True, metavar="FILE", help="settings, YAML")

    rehearse = _verb(verbs, "rehearse", _rehearse, "rehearse a simulated night through the real drivers")
    rehearse.add_argument("night", nargs="?", default=DEFAULT_NIGHT, metavar="NIGHT", help="see --list")
    rehearse.add_argument("--list", action="store_true", help="list the nights there are")
    rehearse.add_argument("--speed", type=_speed, metavar="N", help="N times real time; default: at once")
    rehearse.add_argument("--seed", type=int, default=0, help="another seed, other noise")
    rehearse.add_argument("--mqtt", metavar="HOST[:PORT]", help="tell a broker too, marked as a rehearsal")
    rehearse.add_argument("--record", type=Path, metavar="FILE", help="keep the record here")

    replay = _verb(verbs, "replay", _replay, "put a recorded log through the same watch")
    replay.add_argument("log", type=Path, metavar="LOG.csv")
    replay.add_argument("--config", type=Path, required=True, metavar="FILE", help="settings, YAML")
    replay.add_argument("--pot", metavar="ID", help="which pot of the settings")
    replay.add_argument("--json", metavar="OUT", help="write JSON lines; - for standard output")
    replay.add_argument("--record", type=Path, metavar="FILE", help="keep a record too")

    check = _verb(verbs, "check", _check, "check settings and, if asked, each wire once")
    check.add_argument("--config", type=Path, required=True, metavar="FILE", help="settings, YAML")
    check.add_argument("--hardware", action="store_true", help="ask every device for one reading")

    _add_batch_verbs(_group(verbs, "batch", "the batches in the record"))
    _add_alarm_verbs(_group(verbs, "alarm", "alarms that stand: list, acknowledge, shelve, test"))
    return parser


def _add_batch_verbs(verbs: _Verbs) -> None:
    listing = _verb(verbs, "list", _batch_list, "list batches, the newest first", record=True)
    listing.add_argument("--pot", metavar="ID")
    listing.add_argument("--limit", type=int, metavar="N", help="the newest N only")
    shown = _verb(
        verbs, "show", _batch_show, "show what happened in a batch and how it is judged", record=True
    )
    shown.add_argument("batch", type=int, metavar="ID")
    out = _verb(verbs, "export", _batch_export, "write a batch as CSV (to replay) or JSON lines", record=True)
    out.add_argument("batch", type=int, metavar="ID")
    out.add_argument("--format", choices=("csv", "jsonl"), default="csv")
    out.add_argument("--out", type=Path, metavar="FILE", help="default batch-ID.FORMAT here; - for stdout")
    report = _verb(
        verbs, "report", _batch_report, "write the report of a batch as one HTML file", record=True
    )
    report.add_argument("batch", type=int, metavar="ID")
    report.add_argument("--out", type=Path, metavar="FILE.html", help="default batch-ID-LABEL.html here")
    report.add_argument("--pdf", action="store_true", help="as PDF too, beside it")
    report.add_argument("--png", action="store_true", help="as a picture of its pages too")
    for name, what in (("label", "name a batch"), ("note", "write a note to a batch")):
        words = _verb(verbs, name, _batch_edit, what, record=True)
        words.add_argument("batch", type=int, metavar="ID")
        words.add_argument(name, metavar="TEXT")
    edited = _verb(
        verbs, "edit", _batch_edit, "say or change what a batch is; an empty text takes it back", record=True
    )
    edited.add_argument("batch", type=int, metavar="ID")
    _add_details(edited)
    opened = _verb(verbs, "open", _batch_open, "open a batch by hand, at mixing", record=True)
    opened.add_argument("--pot", metavar="ID")
    _add_details(opened)
    closed = _verb(verbs, "close", _batch_close, "close the open batch by hand", record=True)
    closed.add_argument("--pot", metavar="ID")


def _add_details(verb: argparse.ArgumentParser) -> None:
    for field, (option, what) in _DETAIL_OPTIONS.items():
        if field is Detail.PICTURES:
            verb.add_argument(option, action="append", dest=field, metavar="FILE", help=what)
        else:
            verb.add_argument(option, metavar="TEXT", help=what)


def _add_alarm_verbs(verbs: _Verbs) -> None:
    ids = [alarm.value for alarm in AlarmId]
    _verb(verbs, "list", _alarm_list, "list what stands; exit status 1 if anything does", "alarm list", True)
    seen = _verb(verbs, "acknowledge", _alarm_command, "say that an alarm was seen", record=True)
    seen.add_argument("alarm", nargs="?", default="all", choices=["all", *ids], metavar="ALARM")
    seen.add_argument("--pot", metavar="ID")
    shelve = _verb(verbs, "shelve", _alarm_command, "silence an alarm for a while", record=True)
    shelve.add_argument("alarm", choices=ids, metavar="ALARM")
    shelve.add_argument("--minutes", type=float, default=60.0, metavar="N")
    shelve.add_argument("--pot", metavar="ID")
    test = _verb(verbs, "test", _alarm_command, "send one alarm end to end, marked as a test", record=True)
    test.add_argument("--pot", metavar="ID")


def _group(verbs: _Verbs, name: str, what: str) -> _Verbs:
    group = verbs.add_parser(name, help=what, description=what)
    inner: _Verbs = group.add_subparsers(dest="verb", required=True, metavar="VERB")
    return inner


def _verb(
    verbs: _Verbs,
    name: str,
    run: Callable[[argparse.Namespace], int],
    what: str,
    example: str | None = None,
    record: bool = False,
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(
        name, help=what, description=what, epilog=f"example: {_EXAMPLES[example or name]}"
    )
    parser.set_defaults(run=run)
    if record:
        where = parser.add_mutually_exclusive_group()
        where.add_argument("--record", type=Path, metavar="FILE", help="the record's database")
        where.add_argument("--config", type=Path, metavar="FILE", help="settings that name the record")
    return parser


def _speed(text: str) -> float:
    speed = float(text)
    if not 0.0 < speed < float("inf"):
        raise argparse.ArgumentTypeError("give a number above 0")
    return speed
