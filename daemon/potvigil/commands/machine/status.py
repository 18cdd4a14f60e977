"""The state of every pot, a line each, and whether a watch is running."""

import argparse
import time
from collections.abc import Iterator
from datetime import tzinfo
from pathlib import Path

from potvigil import paths
from potvigil.checking.backups import on_backups
from potvigil.checking.finding import Grade
from potvigil.checking.reach import page_answers
from potvigil.commands.shared import show
from potvigil.commands.shared.common import console, known_settings, no_settings
from potvigil.commands.shared.status import DONE, NO
from potvigil.live_reader import Live, LiveReader
from potvigil.model.events import AlarmState
from potvigil.page.views.words import word
from potvigil.paths import closed_to_this_user, usual_live, usual_record
from potvigil.record.errors import START_THE_WATCH
from potvigil.record.lock import is_watched
from potvigil.reports.export import json_text
from potvigil.reports.pot_status import PotNow, cells, line
from potvigil.settings.loading import load_either, load_studio_page
from potvigil.settings.schema import Settings
from potvigil.settings.studio import StudioPageSettings
from potvigil.wording.silence import says_nothing

_UNWATCHED = "not monitored"


def status(args: argparse.Namespace) -> int:
    """Print the state of the pots, and of a studio's page where this machine serves one.

    Exit status 1 where a pot is not watched, an alarm is active, or the page does not answer.
    """
    is_named = args.config is not None or args.live is not None
    path = known_settings(args)
    settings = None if path is None else load_either(path)
    if isinstance(settings, StudioPageSettings):
        return _print_studio_page(settings)
    if is_named or not paths.STUDIO_SETTINGS.is_file():
        return _print_pots(args, path, settings)
    of_pots = DONE if path is None else _print_pots(args, path, settings)
    if args.json:  # one line a pot
        return of_pots
    return max(of_pots, _print_studio_page(load_studio_page(paths.STUDIO_SETTINGS)))


def _print_studio_page(settings: StudioPageSettings) -> int:
    where = f"{settings.page.host}, port {settings.page.port}"
    if page_answers(settings.page, of_studio=True):
        print(f"the studio's page answers at {where}")
        return DONE
    print(f"the studio's page does not answer at {where}; see `systemctl status potvigil-studio`")
    return NO


def _print_pots(args: argparse.Namespace, path: Path | None, settings: Settings | None) -> int:
    live_file = args.live or (settings.page.live if settings else None) or usual_live()
    live, is_silent = LiveReader(live_file).read()
    pots = list(_pots(settings, live, is_silent))
    tz = None if settings is None else settings.timezone
    if args.json:
        rehearsed = None if live is None else live.rehearsed
        for pot in pots:
            print(json_text(line(pot, watched=not is_silent, rehearsed=rehearsed)))
    else:
        unit = "psi" if settings is None else settings.units.pressure
        if pots:
            show.pots(console(), [cells(pot, unit, tz) for pot in pots])
        record = usual_record() if settings is None else settings.record_file
        print(_who_watches(live, is_silent, record, live_file, tz))
        if live is not None and not is_silent and live.broker is not None and live.broker.trouble:
            print(live.broker.trouble)
        if settings is not None:
            for each in on_backups(settings.record, time.time()):
                if each.mark is Grade.FAULT:
                    print(f"{each.what}: {each.says}")
        if path is not None:
            print(f"settings {path}; record {record}")
        else:
            print(no_settings())
    return DONE if pots and all(map(_is_well, pots)) else NO


def _pots(settings: Settings | None, live: Live | None, is_silent: bool) -> Iterator[PotNow]:
    """Yield each pot of settings and watch, without the outdated state of a silent watch."""
    known = {} if settings is None else settings.core_pots()
    heard = {} if live is None else live.pots
    for pot_id in [*known, *(pot_id for pot_id in heard if pot_id not in known)]:
        last, pot = heard.get(pot_id), known.get(pot_id)
        if last is None or is_silent:
            utc_s = None if last is None else last.snapshot.utc_s
            yield PotNow(pot_id, _UNWATCHED, None, pot, since_utc_s=utc_s)
        else:
            yield PotNow(pot_id, word(last.snapshot, pot)[0], last.snapshot, pot, last.batch)


def _is_well(now: PotNow) -> bool:
    snapshot = now.snapshot
    # a silent transducer raises its alarm only later
    if snapshot is None or snapshot.reading.gauge_pa is None:
        return False
    return all(each.state is AlarmState.SHELVED for each in snapshot.alarms)


def _who_watches(live: Live | None, is_silent: bool, record: Path, live_file: Path, tz: tzinfo | None) -> str:
    if live is not None and not is_silent:
        return f"rehearsal, simulated: {live.rehearsed}" if live.rehearsed else "the watch is running"
    if closed := closed_to_this_user(record):
        return f"Whether the pots are being monitored cannot be seen from here: {closed}."
    silence = says_nothing(None if live is None else live.last_utc_s, time.time(), tz)
    if is_watched(record):
        return (
            f"{silence} However, a process holds {record}: "
            f"it has hung, or writes its state elsewhere than {live_file}."
        )
    return f"{silence} To begin: {START_THE_WATCH}."
