"""The verbs that watch, live, rehearsed or from a log, and those that show and send the results."""

from pathlib import Path

from potvigil.commands.arguments.adding import (
    Verbs,
    add_config,
    add_live,
    add_other_record,
    add_pot,
    add_replace,
    add_verb,
)
from potvigil.commands.arguments.types import port, seed, speed

DEFAULT_NIGHT = "slow-lid-leak"
_MQTT = "publish to a broker too, marked as a rehearsal, with the settings' login"
_PAGE = "show it in the web page while it lasts, at 60 times real time unless --speed says otherwise"
_NOTIFY = "notify the settings' targets too, marked as a rehearsal; as fast as --page"


def add_watch(verbs: Verbs) -> None:
    watch = add_verb(
        verbs,
        "watch",
        "watch:watch",
        "monitor the pots: the daemon, on the hardware in the settings",
        "potvigil watch --config /etc/potvigil/workshop.yaml",
    )
    add_config(watch)


def add_rehearse(verbs: Verbs) -> None:
    rehearse = add_verb(
        verbs,
        "rehearse",
        "rehearsal.rehearse:rehearse",
        "rehearse a simulated night through the real drivers",
        "potvigil rehearse two-in-the-morning",
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
        help="which pot of the settings; may be repeated; all of them if left out",
    )
    rehearse.add_argument("--speed", type=speed, metavar="N", help="N times real time; default: at once")
    rehearse.add_argument(
        "--seed", type=seed, default=0, help="seed of the noise: another number, other noise"
    )
    rehearse.add_argument("--mqtt", nargs="?", const="", metavar="HOST[:PORT]", help=_MQTT)
    rehearse.add_argument("--record", type=Path, metavar="FILE", help="keep the record here")
    rehearse.add_argument("--notify", action="store_true", help=_NOTIFY)
    rehearse.add_argument("--page", nargs="?", type=port, const=8642, metavar="PORT", help=_PAGE)


def add_replay(verbs: Verbs) -> None:
    replay = add_verb(
        verbs,
        "replay",
        "replay:replay",
        "run a recorded log through the same watch",
        "potvigil replay night.csv --config workshop.yaml --json -",
    )
    replay.add_argument("log", type=Path, metavar="LOG.csv")
    add_config(replay)
    add_pot(replay)
    replay.add_argument("--json", metavar="OUT", help="write JSON lines; - for standard output")
    add_replace(replay)
    replay.add_argument("--record", type=Path, metavar="FILE", help="keep a record too")


def add_page(verbs: Verbs) -> None:
    page = add_verb(
        verbs,
        "page",
        "page:page",
        "serve the local web page, make its password or certificate",
        "potvigil page --config /etc/potvigil/workshop.yaml",
        record=True,
    )
    page.add_argument(
        "what",
        nargs="?",
        choices=["password", "certificate"],
        help="instead of serving, make the page's password, or its certificate for TLS",
    )
    page.add_argument("--renew", action="store_true", help="renew the certificate, if that is due")
    page.add_argument("--port", type=port, metavar="N", help="default: of the settings, or 8642")
    add_live(page)
    page.add_argument(
        "--out", type=Path, metavar="FILE", help="file of the password's hash; folder of the certificate"
    )


def add_notify(verbs: Verbs) -> None:
    notify = add_verb(
        verbs,
        "notify",
        "notify:notify",
        "send alarms to phones",
        "potvigil notify --config /etc/potvigil/workshop.yaml --test",
    )
    add_config(notify)
    add_other_record(notify)
    add_live(notify)
    notify.add_argument("--rehearsal", action="store_true", help="notify of a rehearsal too, marked as one")
    tried = notify.add_mutually_exclusive_group()
    tried.add_argument(
        "--test", action="store_true", help="send each target one test; exit status 1 if one fails"
    )
    tried.add_argument("--dry-run", action="store_true", help="show what would be sent now, send nothing")
