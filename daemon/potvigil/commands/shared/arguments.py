"""The verbs of the command line: their names and arguments."""

import argparse
import importlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeAlias

from potvigil import __version__
from potvigil.commands.shared.argument_types import (
    OneLineParser,
    count,
    days,
    minutes,
    number,
    port,
    seed,
    speed,
)
from potvigil.commands.shared.machine_arguments import add_machine_verbs
from potvigil.commands.shared.options import DETAIL_OPTIONS, PARTS, PLAN_OPTIONS, UNITS
from potvigil.model.events import AlarmId, Detail, Priority, Verdict
from potvigil.record.batch_query import OPEN

# argparse gives the type no public name
_Verbs: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
_Run: TypeAlias = Callable[[argparse.Namespace], int]
DEFAULT_NIGHT = "slow-lid-leak"


def _later(target: str) -> _Run:
    """Return a verb that imports what it needs when it is called: a list need not wait for a simulator.

    target: MODULE:FUNCTION of potvigil.commands.
    """
    module, _, function = target.partition(":")

    def run(args: argparse.Namespace) -> int:
        status: int = getattr(importlib.import_module(f"potvigil.commands.{module}"), function)(args)
        return status

    return run


_REHEARSED_MQTT = "tell a broker too, marked as a rehearsal; signed in to as the settings say"
_REHEARSED_PAGE = "show it in the web page while it lasts, at 60 times real time unless --speed says else"
_REHEARSED_NOTIFY = "tell those of the settings too, marked as a rehearsal; at 60 times real time likewise"
_EXAMPLES = {
    "watch": "potvigil watch --config /etc/potvigil/workshop.yaml",
    "rehearse": "potvigil rehearse two-in-the-morning",
    "replay": "potvigil replay night.csv --config workshop.yaml --json -",
    "check": "potvigil check --config workshop.yaml --hardware",
    "setup": "potvigil setup --simulated",
    "service": "potvigil service install --root trial",
    "status": "potvigil status --json",
    "page": "potvigil page --config /etc/potvigil/workshop.yaml",
    "notify": "potvigil notify --config /etc/potvigil/workshop.yaml --test",
    "calibrate": "potvigil calibrate --config workshop.yaml --pot lantern",
    "tightness": 'potvigil tightness --config workshop.yaml --pot lantern --limit "3 psi in 12 h"',
    "volume": 'potvigil volume --config workshop.yaml --vessel "2 L"',
    "plan": 'potvigil plan --config workshop.yaml --mould "12 x 8 x 6 cm" --room "18 C" --night-low "12 C"',
    "list": "potvigil batch list --verdict leaked --since 2026-03-01",
    "show": "potvigil batch show 12",
    "export": "potvigil batch export 12 --format csv",
    "report": "potvigil batch report 12 --out lens-3.html --pdf",
    "label": 'potvigil batch label 12 "lens, green, no. 3"',
    "note": 'potvigil batch note 12 "mould warmed to 30 C"',
    "edit": 'potvigil batch edit 12 --mass "250 g" --mixed-at 21:40 --picture lens.jpg',
    "open": 'potvigil batch open --pot lantern --resin "clear, slow" --mixed-at 21:40',
    "close": "potvigil batch close --pot lantern",
    "export all": "potvigil export --all --out workshop.zip",
    "import": "potvigil import workshop.zip --record new.db",
    "record check": "potvigil record check --config workshop.yaml",
    "thin": "potvigil record thin --config workshop.yaml",
    "backup": "potvigil record backup /media/stick/potvigil.db",
    "health": "potvigil pot health lantern --out lantern.html --pdf",
    "care": 'potvigil pot care lantern seal "new ring" --on 2026-03-01 --every "12 months"',
    "cause": "potvigil pot cause lantern --batch 12",
    "alarm list": "potvigil alarm list",
    "acknowledge": "potvigil alarm acknowledge floor-ahead",
    "shelve": "potvigil alarm shelve thermometer --minutes 120",
    "unshelve": "potvigil alarm unshelve thermometer",
    "test": "potvigil alarm test --pot lantern",
}


def build_parser() -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = OneLineParser(
        prog="potvigil",
        description="Night watch for a resin caster's pressure pot. It watches; it replaces no gauge, "
        "relief valve or inspection.",
    )
    parser.add_argument("--version", action="version", version=f"potvigil {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    watch = _verb(
        verbs,
        "watch",
        "watch:watch",
        "watch the pots: the daemon, on the hardware the settings name",
    )
    watch.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")

    rehearse = _verb(
        verbs,
        "rehearse",
        "rehearsal.rehearse:rehearse",
        "rehearse a simulated night through the real drivers",
    )
    rehearse.add_argument("night", nargs="?", default=DEFAULT_NIGHT, metavar="NIGHT", help="see --list")
    rehearse.add_argument("--list", action="store_true", help="list the nights there are")
    rehearse.add_argument(
        "--config", type=Path, metavar="FILE", help="on the pots and wires of these settings"
    )
    rehearse.add_argument(
        "--pot",
        action="append",
        default=[],
        metavar="ID",
        help="which pot of the settings, several times for several; all of them if left out",
    )
    rehearse.add_argument("--speed", type=speed, metavar="N", help="N times real time; default: at once")
    rehearse.add_argument("--seed", type=seed, default=0, help="another seed, other noise")
    rehearse.add_argument("--mqtt", nargs="?", const="", metavar="HOST[:PORT]", help=_REHEARSED_MQTT)
    rehearse.add_argument("--record", type=Path, metavar="FILE", help="keep the record here")
    rehearse.add_argument("--notify", action="store_true", help=_REHEARSED_NOTIFY)
    rehearse.add_argument("--page", nargs="?", type=port, const=8642, metavar="PORT", help=_REHEARSED_PAGE)

    replay = _verb(verbs, "replay", "replay:replay", "put a recorded log through the same watch")
    replay.add_argument("log", type=Path, metavar="LOG.csv")
    replay.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    replay.add_argument("--pot", metavar="ID", help="which pot of the settings")
    replay.add_argument("--json", metavar="OUT", help="write JSON lines; - for standard output")
    _add_replace(replay)
    replay.add_argument("--record", type=Path, metavar="FILE", help="keep a record too")

    check = _verb(
        verbs,
        "check",
        "machine.check:check",
        "check settings, record, clock, broker, page, who is told and, if asked, each wire once",
    )
    check.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    check.add_argument("--hardware", action="store_true", help="ask every device for one reading")

    add_machine_verbs(partial(_verb, verbs))
    calibrate = _verb(
        verbs,
        "calibrate",
        "calibrate:calibrate",
        "calibrate a pot's transducer against the open pot and the pot's own gauge",
    )
    calibrate.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    calibrate.add_argument("--pot", metavar="ID", help="which pot of the settings")
    calibrate.add_argument("--zero", action="store_true", help="the zero only, with the pot open")
    calibrate.add_argument("--points", action="store_true", help="the points against the gauge only")
    calibrate.add_argument("--gauge", metavar="PRESSURE", help='full scale of the gauge: "100 psi"')
    calibrate.add_argument("--gauge-class", metavar="N", help="its accuracy class, %% of full scale: 2.5")
    calibrate.add_argument("--write", type=Path, metavar="FILE", help="write the settings' lines there, too")
    calibrate.add_argument("--history", action="store_true", help="how the zero drifted, vent by vent")
    calibrate.add_argument("--rehearse", action="store_true", help="try it on a simulated pot")

    tight = _verb(
        verbs,
        "tightness",
        "tightness:tightness",
        "test whether the empty pot holds, until the answer is sure; exit status 1 unless it passes",
    )
    tight.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    tight.add_argument("--pot", metavar="ID", help="which pot of the settings")
    tight.add_argument(
        "--limit", metavar="LIMIT", help='what a cure may lose: "3 psi in 12 h"; default: down to the floor'
    )
    tight.add_argument("--log", type=Path, metavar="LOG.csv", help="from a recorded log of the empty pot")
    tight.add_argument(
        "--rehearse", nargs="?", const="tight", choices=("tight", "leaking"), help="try it on a simulated pot"
    )

    _add_volume(
        _verb(verbs, "volume", "volume:measure_volume", "measure a pot's gas volume with a vessel or a flow")
    )
    _add_plan(
        _verb(
            verbs,
            "plan",
            "plan:plan_pour",
            "reckon a pour through beforehand, with a checklist; exit status 1 if it does not work out",
        )
    )
    _add_record_verbs(verbs, _group(verbs, "record", "the record itself: check, thin, backup"))
    _add_pot_verbs(_group(verbs, "pot", "a pot over its batches: health, care"))
    page = _verb(
        verbs, "page", "page:page", "serve the local web page, make its password or certificate", record=True
    )
    page.add_argument(
        "what",
        nargs="?",
        choices=["password", "certificate"],
        help="make that instead; a certificate for TLS",
    )
    page.add_argument("--renew", action="store_true", help="renew the certificate, where that is due")
    page.add_argument("--port", type=port, metavar="N", help="default: of the settings, or 8642")
    page.add_argument("--live", type=Path, metavar="FILE", help="where the watch leaves what it knows now")
    page.add_argument(
        "--out", type=Path, metavar="FILE", help="file of the password's hash; folder of the certificate"
    )

    _add_notify(_verb(verbs, "notify", "notify:notify", "tell people on their phones of alarms"))
    _add_batch_verbs(_group(verbs, "batch", "the batches in the record"))
    _add_alarm_verbs(_group(verbs, "alarm", "alarms that stand: list, acknowledge, shelve, unshelve, test"))
    return parser


def _add_notify(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    verb.add_argument("--record", type=Path, metavar="FILE", help="the record, if not that of the settings")
    verb.add_argument("--live", type=Path, metavar="FILE", help="where the watch leaves what it knows now")
    verb.add_argument("--rehearsal", action="store_true", help="tell of a rehearsal too, marked as one")
    tried = verb.add_mutually_exclusive_group()
    tried.add_argument(
        "--test", action="store_true", help="send each target one test; exit status 1 if one fails"
    )
    tried.add_argument("--dry-run", action="store_true", help="say what would be told now, send nothing")


def _add_volume(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    verb.add_argument("--pot", metavar="ID", help="which pot of the settings")
    verb.add_argument("--rehearse", action="store_true", help="try it on a simulated pot")
    verb.add_argument("--vessel", metavar="VOLUME", help='a vessel for the filled pot\'s air: "2 L"; guided')
    verb.add_argument(
        "--pressures",
        nargs=3,
        metavar=("FULL", "BEFORE", "AFTER"),
        help="gauge, of a vessel let into the pot: vessel, vented pot, both; in place of the guided run",
    )
    verb.add_argument("--pressure-error", default="0.05 psi", metavar="PRESSURE", help="of each, 1 sigma")
    verb.add_argument("--flow", metavar="FLOW", help='a calibrated leak or flow meter: "25 cm3/min"')
    verb.add_argument("--flow-at", default="0 C", metavar="TEMPERATURE", help="what its cm3 are given for")
    verb.add_argument("--fall", metavar="RATE", help='with the flow: "1.35 psi/h" or "1.20 to 1.50 psi/h"')
    verb.add_argument("--own-leak", metavar="RATE", help="without it, likewise")
    verb.add_argument("--error", metavar="PERCENT", help="of the vessel or the flow, 1 sigma; usually 1 or 2")
    verb.add_argument("--room", metavar="TEMPERATURE", help="20 C if left out")


def _add_plan(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--config", type=Path, metavar="FILE", help="settings, YAML")
    verb.add_argument("--record", type=Path, metavar="FILE", help="the record, if not that of the settings")
    verb.add_argument("--pot", metavar="ID", help="which pot of the settings")
    for ask, (metavar, what) in PLAN_OPTIONS.items():
        verb.add_argument(f"--{ask}", metavar=metavar, help=what)
    verb.add_argument("--out", type=Path, metavar="FILE.html", help="as a checklist to print, too")
    _add_page_kinds(verb)


def _add_batch_verbs(verbs: _Verbs) -> None:
    listing = _verb(verbs, "list", "listing:batches", "list batches, the newest first", record=True)
    listing.add_argument("--pot", metavar="ID")
    listing.add_argument("--verdict", choices=[*(each.value for each in Verdict), OPEN], help="judged so")
    listing.add_argument("--since", metavar="DATE", help="begun on this day or later: 2026-03-01")
    listing.add_argument("--until", metavar="DATE", help="begun on this day or earlier")
    listing.add_argument("--find", metavar="TEXT", help="with these words in label, resin, note, ...")
    listing.add_argument("--alarm", choices=[each.value for each in AlarmId], metavar="ALARM", help="with it")
    some = listing.add_mutually_exclusive_group()
    some.add_argument("--limit", type=count, metavar="N", help="the newest N only; usually 50")
    some.add_argument("--all", action="store_true", help="all of them")
    listing.add_argument("--json", action="store_true", help="as JSON lines, all of them")
    shown = _verb(
        verbs,
        "show",
        "batch:show_batch",
        "show what happened in a batch and how it is judged",
        record=True,
    )
    shown.add_argument("batch", type=number, metavar="ID")
    out = _verb(
        verbs,
        "export",
        "batch:export_batch",
        "write a batch as CSV (to replay) or JSON lines",
        record=True,
    )
    out.add_argument("batch", type=number, metavar="ID")
    out.add_argument("--format", choices=("csv", "jsonl"), default="csv")
    out.add_argument("--units", choices=UNITS, help="of the pressures in CSV; default: of the settings")
    out.add_argument("--out", type=Path, metavar="FILE", help="default batch-ID.FORMAT here; - for stdout")
    _add_replace(out)
    report = _verb(
        verbs,
        "report",
        "batch:report",
        "write the report of a batch as one HTML file",
        record=True,
    )
    report.add_argument("batch", type=number, metavar="ID")
    report.add_argument("--out", type=Path, metavar="FILE.html", help="default batch-ID-LABEL.html here")
    _add_page_kinds(report)
    for name, what in (
        ("label", "name a batch"),
        ("note", "add a note to a batch; batch edit --note replaces it"),
    ):
        words = _verb(verbs, name, "edit:edit", what, record=True)
        words.add_argument("batch", type=number, metavar="ID")
        words.add_argument(name, metavar="TEXT")
    edited = _verb(
        verbs,
        "edit",
        "edit:edit",
        "say or change what a batch is; an empty text takes it back",
        record=True,
    )
    edited.add_argument("batch", type=number, metavar="ID")
    _add_details(edited)
    opened = _verb(verbs, "open", "edit:open_batch", "open a batch by hand, at mixing", record=True)
    opened.add_argument("--pot", metavar="ID")
    _add_details(opened)
    closed = _verb(verbs, "close", "edit:close", "close the open batch by hand", record=True)
    closed.add_argument("--pot", metavar="ID")


def _add_record_verbs(verbs: _Verbs, inner: _Verbs) -> None:
    out = _verb(
        verbs, "export", "record:export_record", "write a whole workshop into one archive", "export all", True
    )
    out.add_argument("--all", action="store_true", required=True, help="all of it; one batch: batch export")
    out.add_argument("--out", type=Path, metavar="FILE.zip", help="default potvigil-DATE.zip here")
    _add_replace(out)
    into = _verb(verbs, "import", "record:import_record", "make a new record of an archive", record=True)
    into.add_argument("archive", type=Path, metavar="FILE.zip")
    _verb(
        inner,
        "check",
        "record:check_record",
        "read all of the record: damage, gaps, room left",
        "record check",
        True,
    )
    thinned = _verb(
        inner, "thin", "record:thin_record", "replace old samples by means; events stay", record=True
    )
    thinned.add_argument("--older-than", type=days, metavar="DAYS", help="default: what the settings say")
    copied = _verb(inner, "backup", "record:copy_record", "copy the record while it is in use", record=True)
    copied.add_argument("copy", type=Path, metavar="FILE")
    _add_replace(copied)


def _add_pot_verbs(verbs: _Verbs) -> None:
    health = _verb(verbs, "health", "pot:pot_health", "say how a pot ages, batch by batch", record=True)
    health.add_argument("pot", nargs="?", metavar="POT")
    health.add_argument("--out", type=Path, metavar="FILE.html", help="as a page with its chart, too")
    _add_page_kinds(health)
    care = _verb(verbs, "care", "pot:pot_care", "note that a pot was seen to: seal, valve, ...", record=True)
    care.add_argument("pot", metavar="POT")
    care.add_argument("part", nargs="?", choices=PARTS, metavar="PART", help=", ".join(PARTS))
    care.add_argument("text", nargs="?", default="", metavar="TEXT", help="what was done")
    care.add_argument("--on", metavar="DATE", help="the day it was done, if not today: 2026-03-01")
    again = care.add_mutually_exclusive_group()
    again.add_argument("--due", metavar="DATE", help="the day it is due again; local rules come first")
    again.add_argument("--every", metavar="TIME", help='due again after so long: "6 months"')
    care.add_argument("--remove", type=number, metavar="NOTE", help="take a note back")

    cause = _verb(
        verbs, "cause", "cause:pot_cause", "say what a leak followed, and what to look at first", record=True
    )
    cause.add_argument("pot", nargs="?", metavar="POT")
    cause.add_argument("--batch", type=number, metavar="ID", help="usually the last one that leaked")
    cause.add_argument("--test", action="store_true", help="the last tightness test in place of a batch")


def _add_page_kinds(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--pdf", action="store_true", help="as PDF too, beside it")
    verb.add_argument("--png", action="store_true", help="as a picture of its pages too")
    _add_replace(verb)


def _add_replace(verb: argparse.ArgumentParser) -> None:
    verb.add_argument("--replace", action="store_true", help="replace what stands there; else it is left")


def _add_details(verb: argparse.ArgumentParser) -> None:
    for field, (option, what) in DETAIL_OPTIONS.items():
        if field is Detail.PICTURES:
            verb.add_argument(option, action="append", dest=field, metavar="FILE", help=what)
        else:
            verb.add_argument(option, metavar="TEXT", help=what)


def _add_alarm_verbs(verbs: _Verbs) -> None:
    ids = [alarm.value for alarm in AlarmId]
    _verb(
        verbs,
        "list",
        "listing:alarms",
        "list what stands; exit status 1 if anything does",
        "alarm list",
        True,
    )
    seen = _verb(verbs, "acknowledge", "alarm:command", "say that an alarm was seen", record=True)
    seen.add_argument("alarm", nargs="?", default="all", choices=["all", *ids], metavar="ALARM")
    seen.add_argument("--pot", metavar="ID")
    shelve = _verb(verbs, "shelve", "alarm:command", "silence an alarm for a while", record=True)
    shelve.add_argument("alarm", choices=ids, metavar="ALARM")
    shelve.add_argument("--minutes", type=minutes, metavar="N", help="default 60; a high alarm: at most 15")
    shelve.add_argument("--pot", metavar="ID")
    back = _verb(verbs, "unshelve", "alarm:command", "take a shelving back, before its end", record=True)
    back.add_argument("alarm", nargs="?", default="all", choices=["all", *ids], metavar="ALARM")
    back.add_argument("--pot", metavar="ID")
    test = _verb(verbs, "test", "alarm:command", "send one alarm end to end, marked as a test", record=True)
    test.add_argument("--pot", metavar="ID")
    priorities = [Priority.HIGH.value, Priority.LOW.value]
    test.add_argument("--priority", choices=priorities, default=Priority.LOW.value, help="default: low")


def _group(verbs: _Verbs, name: str, what: str) -> _Verbs:
    group = verbs.add_parser(name, help=what, description=what)
    inner: _Verbs = group.add_subparsers(dest="verb", required=True, metavar="VERB")
    return inner


def _verb(
    verbs: _Verbs,
    name: str,
    run: str,
    what: str,
    example: str | None = None,
    record: bool = False,
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(
        name, help=what, description=what, epilog=f"example: {_EXAMPLES[example or name]}"
    )
    parser.set_defaults(run=_later(run))
    if record:
        where = parser.add_mutually_exclusive_group()
        where.add_argument("--record", type=Path, metavar="FILE", help="the record's database")
        where.add_argument("--config", type=Path, metavar="FILE", help="settings that name the record")
    return parser
