"""The verbs of a studio: ship the record to a database shared by machines, and prepare that database."""

import argparse
import signal
import sys
import threading
from pathlib import Path

from potvigil.commands.shared.common import UseError, settings_path
from potvigil.commands.shared.status import DONE
from potvigil.extras import how_to_install
from potvigil.settings.loading import load

try:
    from potvigil.studio import preparing
    from potvigil.studio.address import address_of, owner_engine
    from potvigil.studio.shipper import Shipper
except ImportError as error:
    raise UseError(
        f"the studio's libraries are not installed ({error}): {how_to_install('studio')}"
    ) from None


def ship(args: argparse.Namespace) -> int:
    """Ship the record until stopped, or once."""
    settings = load(settings_path(args))
    if settings.studio is None:
        raise UseError(f"{args.config}: has no studio to ship to; give studio:, as in workshop.yaml")
    address = address_of(settings.studio)
    shipper = Shipper(
        Path(args.record or settings.record_file),
        address.engine(),
        settings.workshop,
        by_the_minute=settings.studio.curve == "minute",
        pictures=settings.studio.pictures,
    )
    if args.once:
        count = shipper.ship()
        print(f"shipped {count} row{'' if count == 1 else 's'} to {address.name}")
        return DONE
    stopping = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stopping.set())
    signal.signal(signal.SIGINT, lambda *_: stopping.set())
    print(f"shipping to {address.name}", flush=True)
    shipper.run(stopping)
    return DONE


def prepare(args: argparse.Namespace) -> int:
    """Make the studio's tables."""
    preparing.prepare(owner_engine(args.database))
    print("the studio's tables are ready; next: `potvigil studio admit NAME --workshop ID`")
    return DONE


def admit(args: argparse.Namespace) -> int:
    """Admit a machine or a page, and print its password, which is never shown again."""
    group = preparing.READER if args.reader else preparing.MACHINE
    password = preparing.admit(owner_engine(args.database), args.name, group, args.workshop)
    print(
        f"{args.name} may {'read' if args.reader else 'ship'}; its password, on standard output:",
        file=sys.stderr,
    )
    print(password)
    return DONE
