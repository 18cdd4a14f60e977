"""The verbs used at a pot: calibrate, tightness, volume, plan, and those about its ageing."""

from pathlib import Path

from potvigil.commands.arguments.adding import (
    Verbs,
    add_config,
    add_of,
    add_other_record,
    add_page_kinds,
    add_pot,
    add_verb,
)
from potvigil.commands.arguments.options import PARTS, PLAN_OPTIONS
from potvigil.commands.arguments.types import number


def add_calibrate(verbs: Verbs) -> None:
    calibrate = add_verb(
        verbs,
        "calibrate",
        "at_the_pot.calibrate:calibrate",
        "calibrate a pot's transducer against the open pot and the pot's own gauge",
        "potvigil calibrate --config workshop.yaml --pot lantern",
    )
    add_config(calibrate)
    add_pot(calibrate)
    calibrate.add_argument("--zero", action="store_true", help="the zero only, with the pot open")
    calibrate.add_argument("--points", action="store_true", help="the points against the gauge only")
    calibrate.add_argument("--gauge", metavar="PRESSURE", help='full scale of the gauge: "100 psi"')
    calibrate.add_argument("--gauge-class", metavar="N", help="its accuracy class, %% of full scale: 2.5")
    calibrate.add_argument(
        "--write", type=Path, metavar="FILE", help="also write the settings' lines to this file"
    )
    calibrate.add_argument("--history", action="store_true", help="how the zero drifted, vent by vent")
    calibrate.add_argument("--rehearse", action="store_true", help="try it on a simulated pot")


def add_tightness(verbs: Verbs) -> None:
    tight = add_verb(
        verbs,
        "tightness",
        "at_the_pot.tightness:tightness",
        "test whether the empty pot holds, until the answer is certain; exit status 1 unless it passes",
        'potvigil tightness --config workshop.yaml --pot lantern --limit "3 psi in 12 h"',
    )
    add_config(tight)
    add_pot(tight)
    tight.add_argument(
        "--limit", metavar="LIMIT", help='what a cure may lose: "3 psi in 12 h"; default: down to the floor'
    )
    tight.add_argument(
        "--log", type=Path, metavar="LOG.csv", help="judge a recorded log of the empty pot instead"
    )
    tight.add_argument(
        "--rehearse", nargs="?", const="tight", choices=("tight", "leaking"), help="try it on a simulated pot"
    )


def add_volume(verbs: Verbs) -> None:
    verb = add_verb(
        verbs,
        "volume",
        "at_the_pot.volume:measure_volume",
        "measure a pot's gas volume with a vessel or a flow",
        'potvigil volume --config workshop.yaml --vessel "2 L"',
    )
    add_config(verb)
    add_pot(verb)
    verb.add_argument("--rehearse", action="store_true", help="try it on a simulated pot")
    verb.add_argument("--vessel", metavar="VOLUME", help='a vessel for the filled pot\'s air: "2 L"; guided')
    verb.add_argument(
        "--pressures",
        nargs=3,
        metavar=("FULL", "BEFORE", "AFTER"),
        help="not guided, for a filled vessel let into the pot, gauge: vessel, pot before, pot after",
    )
    verb.add_argument(
        "--pressure-error", default="0.05 psi", metavar="PRESSURE", help="uncertainty of each pressure"
    )
    verb.add_argument("--flow", metavar="FLOW", help='a calibrated leak or flow meter: "25 cm3/min"')
    verb.add_argument(
        "--flow-at",
        default="0 C",
        metavar="TEMPERATURE",
        help="the temperature its cm3 refer to; 0 C if left out",
    )
    verb.add_argument(
        "--fall",
        metavar="RATE",
        help='how fast it falls with the flow on: "1.35 psi/h"; or "1.20 to 1.50 psi/h"',
    )
    verb.add_argument("--own-leak", metavar="RATE", help="how fast it falls with the flow off")
    verb.add_argument("--error", metavar="PERCENT", help="uncertainty of vessel or flow; usually 1 or 2")
    verb.add_argument("--room", metavar="TEMPERATURE", help="temperature of the room; 20 C if left out")


def add_plan(verbs: Verbs) -> None:
    verb = add_verb(
        verbs,
        "plan",
        "at_the_pot.plan:plan_pour",
        "work out a pour beforehand, with a checklist; exit status 1 if it will not work",
        'potvigil plan --config workshop.yaml --mould "12 x 8 x 6 cm" --room "18 C" --night-low "12 C"',
    )
    add_config(verb)
    add_other_record(verb)
    add_pot(verb)
    for ask, (metavar, what) in PLAN_OPTIONS.items():
        verb.add_argument(f"--{ask}", metavar=metavar, help=what)
    verb.add_argument("--out", type=Path, metavar="FILE.html", help="as a checklist to print, too")
    add_page_kinds(verb)


def add_pot_verbs(verbs: Verbs) -> None:
    health = add_verb(
        verbs,
        "health",
        "at_the_pot.pot:pot_health",
        "show how a pot ages, batch by batch",
        "potvigil pot health lantern --out lantern.html --pdf",
        record=True,
    )
    health.add_argument("pot", nargs="?", metavar="POT")
    health.add_argument("--out", type=Path, metavar="FILE.html", help="as a page with its chart, too")
    add_page_kinds(health)
    add_of(health)
    care = add_verb(
        verbs,
        "care",
        "at_the_pot.pot:pot_care",
        "record maintenance of a pot: seal, valve, ...",
        'potvigil pot care lantern seal "new ring" --on 2026-03-01 --every "12 months"',
        record=True,
    )
    care.add_argument("pot", metavar="POT")
    care.add_argument("part", nargs="?", choices=PARTS, metavar="PART", help=", ".join(PARTS))
    care.add_argument("text", nargs="?", default="", metavar="TEXT", help="what was done")
    care.add_argument("--on", metavar="DATE", help="the day it was done, if not today: 2026-03-01")
    again = care.add_mutually_exclusive_group()
    again.add_argument("--due", metavar="DATE", help="the day it is due again; local rules come first")
    again.add_argument("--every", metavar="TIME", help='due again after this long: "6 months"')
    care.add_argument("--remove", type=number, metavar="NOTE", help="remove a note")

    cause = add_verb(
        verbs,
        "cause",
        "at_the_pot.cause:pot_cause",
        "show what a leak varied with, and what to check first",
        "potvigil pot cause lantern --batch 12",
        record=True,
    )
    cause.add_argument("pot", nargs="?", metavar="POT")
    cause.add_argument("--batch", type=number, metavar="ID", help="usually the last one that leaked")
    cause.add_argument("--test", action="store_true", help="the last tightness test instead of a batch")
