"""The verbs of a studio: many machines, one database."""

import argparse
from pathlib import Path

from potvigil.commands.arguments.adding import Verbs, add_config, add_other_record, add_verb
from potvigil.commands.arguments.types import port


def add_ship(verbs: Verbs) -> None:
    ship = add_verb(
        verbs,
        "ship",
        "studio:ship",
        "ship the record to the studio's database, for as long as it runs",
        "potvigil ship --config /etc/potvigil/workshop.yaml",
    )
    add_config(ship)
    add_other_record(ship)
    ship.add_argument("--once", action="store_true", help="ship what is new, and end")


def add_studio_verbs(verbs: Verbs) -> None:
    prepared = add_verb(
        verbs,
        "prepare",
        "studio:prepare",
        "make the studio's tables, or bring them up to this version; by the database's owner",
        "sudo -u postgres potvigil studio prepare",
    )
    _add_database(prepared)
    admitted = add_verb(
        verbs,
        "admit",
        "studio:admit",
        "let a machine ship to the studio, or a page read there; prints its new password",
        "sudo -u postgres potvigil studio admit lantern-pi --workshop harbour-models",
    )
    admitted.add_argument("name", metavar="NAME", help="of the database's user; made if there is none")
    admitted.add_argument(
        "--workshop",
        action="append",
        required=True,
        metavar="ID",
        help="the workshop it ships for, or may see; may be repeated; '*' for all",
    )
    admitted.add_argument("--reader", action="store_true", help="it only reads, and ships nothing")
    _add_database(admitted)
    _add_studio_page(verbs)


def _add_studio_page(verbs: Verbs) -> None:
    page = add_verb(
        verbs,
        "page",
        "studio_page:studio_page",
        "serve one page of all records in the studio's database, to be read",
        "potvigil studio page --config /etc/potvigil/studio.yaml",
    )
    page.add_argument(
        "--config",
        type=Path,
        required=True,
        metavar="FILE",
        help="settings of this page, YAML: studio, page, mqtt",
    )
    page.add_argument("--port", type=port, metavar="N", help="default: of the settings, or 8642")


def _add_database(verb: argparse.ArgumentParser) -> None:
    verb.add_argument(
        "--database",
        default="postgresql:///potvigil",
        metavar="ADDRESS",
        help="postgresql://owner@host/database; default: this machine's `potvigil`",
    )
