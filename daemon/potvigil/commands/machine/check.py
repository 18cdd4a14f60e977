"""Finds every fault of settings, machine, broker, page and notification targets at once."""

import argparse
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from potvigil import paths
from potvigil.checking import backups, libraries, machine, reach, studio_page
from potvigil.checking.finding import Finding, Grade, fault, unknown
from potvigil.clock import SystemClock
from potvigil.commands.shared import show
from potvigil.commands.shared.common import console, known_settings, settings_path
from potvigil.commands.shared.status import DONE, NO
from potvigil.drivers.station import Station
from potvigil.drivers.thermometers.ds18b20 import ONE_WIRE_ROOT
from potvigil.model.pot import Pot
from potvigil.model.reading import Sample
from potvigil.notifying.targets import recipient_of
from potvigil.paths import usual_live
from potvigil.sensing.conversion import convert
from potvigil.sensing.wiring_hints import remark
from potvigil.service.wiring import WiringError, open_inputs
from potvigil.settings.loading import load, load_either, load_studio_page
from potvigil.settings.network import MqttSettings
from potvigil.settings.schema import Settings
from potvigil.settings.studio import StudioPageSettings
from potvigil.wording.quantities import pressure

if TYPE_CHECKING:
    from rich.console import Console

# A name look-up has no timeout.
_PATIENCE_S = reach.WITHIN_S + 4.0


# A check of something elsewhere, after its subject.
_Question = tuple[str, Callable[[], Iterable[Finding]]]
# Opens the wires named in settings.
Opener = Callable[[Settings], Station]


def check(args: argparse.Namespace) -> int:
    """Print all findings; exit status 1 if there is a fault.

    Unless settings are named, check those of the pots and of the studio's page, whichever exist.
    """
    opener = open_inputs if args.hardware else None
    of_studio = paths.STUDIO_SETTINGS
    if args.config is None and of_studio.is_file():
        of_pots = known_settings(args)
        return max(
            check_all(of_pots, opener) if of_pots is not None else DONE,
            check_studio_page(load_studio_page(of_studio), of_studio),
        )
    path = settings_path(args)
    settings = load_either(path)
    if isinstance(settings, StudioPageSettings):
        return check_studio_page(settings, path)
    return check_all(path, opener)


def check_studio_page(settings: StudioPageSettings, path: Path) -> int:
    """Print all findings about a studio's page, on the machine that serves it."""
    screen = console()
    screen.soft_wrap = False
    screen.print(f"the page of a studio, by {path}", markup=False)
    checks: list[_Question] = [(studio_page.WHAT, lambda: studio_page.on_studio_page(settings.studio))]
    if settings.mqtt is not None:
        checks.append(_broker(settings.mqtt, settings.studio.username))
    findings = [
        *libraries.on_libraries(settings),
        *reach.on_page_files(settings.page, of_studio=True),
        reach.on_page_port(settings.page, of_studio=True),
        *_run_checks(checks),
    ]
    return _print_findings(screen, findings)


def check_all(path: Path, opener: Opener | None, *, is_trial: bool = False) -> int:
    """Print all checks of a settings file. opener: of its wires, None not to read them.

    is_trial: another installation of the program will watch, with libraries installed for the service.
    """
    settings = load(path)
    screen = console()
    screen.soft_wrap = False  # wrapped between words, at the width of a terminal
    show.settings(screen, settings, path)
    _show_targets(screen, settings)
    findings = [*_here(settings, path, is_trial=is_trial), *_elsewhere(settings)]
    status = _print_findings(screen, findings)
    wired_well = True if opener is None else _ask_hardware(settings, opener)
    show.resolutions(screen, settings.core_pots().values(), settings.sample_period_s)
    return status if wired_well else NO


def _print_findings(screen: "Console", findings: list[Finding]) -> int:
    show.findings(screen, findings)
    faults = sum(each.mark is Grade.FAULT for each in findings)
    if faults:
        screen.print(f"{faults} fault{'s' if faults > 1 else ''} found, marked {Grade.FAULT} above")
    return NO if faults else DONE


def _here(settings: Settings, path: Path, *, is_trial: bool) -> Iterator[Finding]:
    """Yield the findings on this machine."""
    yield from machine.on_record(settings, of_service=path == paths.SERVICE_SETTINGS)
    yield from backups.on_backups(settings.record, time.time())
    yield machine.on_clock(SystemClock().now())
    yield from machine.on_devices(settings, ONE_WIRE_ROOT)
    if not is_trial:
        yield from libraries.on_libraries(settings)
    live_file = settings.page.live or usual_live()
    yield machine.on_watch(settings, live_file)
    yield from machine.on_watched_broker(live_file)
    if "page" in settings.model_fields_set:
        yield from reach.on_page_files(settings.page)
        yield reach.on_page_port(settings.page)


def _elsewhere(settings: Settings) -> list[Finding]:
    """Return the findings of all checks that may have to wait for an answer."""
    checks: list[_Question] = []
    if settings.mqtt is not None:
        checks.append(_broker(settings.mqtt, settings.workshop))
    for i in range(0 if settings.notify is None else len(settings.notify.targets)):
        checks.append(("notify", partial(_target, settings, i)))
    if (heartbeat := settings.heartbeat) is not None:
        checks.append(("heartbeat", lambda: reach.on_heartbeat(heartbeat)))
    if (studio := settings.studio) is not None:
        checks.append(("studio", lambda: [reach.on_studio(studio)]))
    return _run_checks(checks)


def _broker(mqtt: MqttSettings, workshop: str) -> _Question:
    from potvigil.outputs.broker.mqtt_trial import try_broker  # imports a library of its own

    return "broker", lambda: [reach.on_broker(mqtt, workshop, try_broker)]


def _run_checks(checks: Sequence[_Question]) -> list[Finding]:
    """Run all checks at once, and return the findings in order; an overdue answer is a finding too."""
    found: list[list[Finding]] = [
        [unknown(what, f"no answer in {_PATIENCE_S:g} s; check the network and try again")]
        for what, _ in checks
    ]

    def ask(i: int) -> None:
        found[i] = list(checks[i][1]())

    threads = [threading.Thread(target=ask, args=(i,), daemon=True) for i in range(len(checks))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(_PATIENCE_S)
    return [finding for each in found for finding in each]


def _target(settings: Settings, i: int) -> list[Finding]:
    assert settings.notify is not None
    return [reach.on_target(i, settings.notify.targets[i])]


def _show_targets(screen: "Console", settings: Settings) -> None:
    """Print who is notified of what; whether the addresses work is a finding of its own."""
    if settings.notify is not None:
        show.targets(screen, [recipient_of(each, settings.timezone) for each in settings.notify.targets])


def _ask_hardware(settings: Settings, opener: Opener) -> bool:
    """Read every configured wire once, and print the reading; no other address is accessed."""
    try:
        station = opener(settings)
    except WiringError as error:
        show.findings(console(), [fault("wires", str(error))])
        return False
    try:
        wires = station.probe_each_wire(settings.units.temperature)
        samples = station.read(0.0, SystemClock().now())
    finally:
        station.close()
    show.wires(console(), wires)
    rows, usable = [], all(answers for _, answers, _ in wires)
    for pot_id, sample in samples:
        pot = settings.core_pots()[pot_id]
        if sample.transducer_count is None:
            continue  # the wire itself has reported why
        good, text = remark(pot, sample, settings.pots[pot_id].transducer.largest_count)
        rows.append((pot_id, _reads(pot, sample), text))
        usable &= good
    if rows:
        show.pressures(console(), rows)
    return usable


def _reads(pot: Pot, sample: Sample) -> str:
    gauge_pa = convert(sample, pot).gauge_pa
    return "nothing" if gauge_pa is None else f"{pressure(gauge_pa, pot.pressure_unit)} gauge"
