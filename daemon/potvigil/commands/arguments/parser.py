"""The verbs of the command line, in the order a caster meets them."""

import argparse

from potvigil import __version__
from potvigil.commands.arguments import at_the_pot, machine, record, studio, watching
from potvigil.commands.arguments.adding import add_group
from potvigil.commands.arguments.alarms import add_alarm_verbs
from potvigil.commands.arguments.batches import add_batch_verbs
from potvigil.commands.arguments.types import OneLineParser


def build_parser() -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = OneLineParser(
        prog="potvigil",
        description="Night watch for a resin caster's pressure pot. It watches; it replaces no gauge, "
        "relief valve or inspection.",
    )
    parser.add_argument("--version", action="version", version=f"potvigil {__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")
    watching.add_watch(verbs)
    watching.add_rehearse(verbs)
    watching.add_replay(verbs)
    machine.add_check(verbs)
    machine.add_setup(verbs)
    machine.add_service(verbs)
    machine.add_status(verbs)
    at_the_pot.add_calibrate(verbs)
    at_the_pot.add_tightness(verbs)
    at_the_pot.add_volume(verbs)
    at_the_pot.add_plan(verbs)
    of_record = add_group(verbs, "record", "the record itself: check, thin, backup")
    record.add_export_and_import(verbs)
    record.add_record_verbs(of_record)
    at_the_pot.add_pot_verbs(add_group(verbs, "pot", "a pot over its batches: health, care, cause"))
    watching.add_page(verbs)
    watching.add_notify(verbs)
    studio.add_ship(verbs)
    studio.add_studio_verbs(add_group(verbs, "studio", "the database of many machines: prepare, admit, page"))
    add_batch_verbs(add_group(verbs, "batch", "the batches in the record"))
    add_alarm_verbs(add_group(verbs, "alarm", "active alarms: list, acknowledge, shelve, unshelve, test"))
    return parser
