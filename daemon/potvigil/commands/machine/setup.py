"""Sets up a machine: finds what answers on its buses, asks, writes the settings."""

import argparse
import difflib
import os
import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from potvigil import paths
from potvigil.commands.dialogues.asker import Asker
from potvigil.commands.dialogues.setting_up import Answers, ask_all
from potvigil.commands.machine.check import Opener, check_all
from potvigil.commands.shared.common import UseError, console
from potvigil.commands.shared.status import DONE
from potvigil.drivers.look import Survey, look
from potvigil.service.wiring import open_inputs
from potvigil.setting_up import suggest
from potvigil.setting_up.draft import Draft, faults, read
from potvigil.setting_up.text import text_of
from potvigil.upkeep.own_file import PUBLIC, SECRET, write

_SWITCH_ON = {"I2C": "do_i2c", "1-Wire": "do_onewire", "SPI": "do_spi"}
_NEEDED_BY = {
    "I2C": "an ADS1115 and barometers",
    "1-Wire": "DS18B20 thermometers",
    "SPI": "an MCP3008, MCP3208 or MAX31865 only",
}


@dataclass(frozen=True, slots=True)
class _Machine:
    """What was found, and the function that opens it."""

    found: Survey
    opener: Opener


def setup(args: argparse.Namespace) -> int:
    """Ask, show, write, check. Nothing is overwritten without consent."""
    asker = Asker(console())
    with _machine(args.simulated) as machine, _place(args) as path:
        before, old = _there(path)
        _print_found(asker, machine.found, suggest.temperature_unit(before), simulated=args.simulated)
        asker.say(f"Settings: {path}{', as they are' if old else ''}. Ctrl-C stops, and nothing is written.")
        answers = ask_all(asker, machine.found, before, socket.gethostname().split(".")[0])
        if wrong := faults(answers.draft):
            raise UseError(f"the answers contradict each other, and nothing was written: {wrong[0]}")
        if not _written(asker, path, old, answers):
            return DONE
        asker.say()
        asker.say("Checked:", "bold")
        status = check_all(path, machine.opener if machine.found.answers else None, is_trial=True)
        _print_next_steps(asker, path, simulated=args.simulated)
        return status


@contextmanager
def _machine(simulated: bool) -> Iterator[_Machine]:
    if not simulated:
        yield _Machine(look(), open_inputs)
        return
    from potvigil.commands.rehearsal.simulated_machine import simulated_machine

    with simulated_machine() as (found, opener):
        yield _Machine(found, opener)


@contextmanager
def _place(args: argparse.Namespace) -> Iterator[Path]:
    """Yield where to write the settings: as given, else the installed service's, else this user's."""
    if args.out is not None:
        yield args.out
    elif args.simulated:
        folder = Path(tempfile.mkdtemp(prefix="potvigil-setup-"))
        try:
            yield folder / "workshop.yaml"
        finally:
            with suppress(OSError):
                folder.rmdir()  # succeeds only if nothing was written
    elif os.geteuid() == 0:
        yield paths.SERVICE_SETTINGS
    elif paths.SERVICE_SETTINGS.exists():
        raise UseError(f"{paths.SERVICE_SETTINGS} is the service's; change it with `sudo potvigil setup`")
    else:
        yield paths.own_settings()


def _there(path: Path) -> tuple[Draft, str]:
    """Return the existing settings as keys and as text, both empty if there are none."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}, ""
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "is not text"
        raise UseError(f"{path}: {reason}; give another place with --out FILE") from None
    return read(text, str(path)), text


def _print_found(asker: Asker, found: Survey, unit: str, *, simulated: bool) -> None:
    asker.say("On the buses" + (" (simulated)" if simulated else ""), "bold")
    for each in found.answers:
        device = each.device.upper() or "an unknown device"
        asker.say(f"  I2C {each.bus}, 0x{each.address:02x}: {device}")
    for probe in found.probes:
        asker.say(f"  1-Wire, {probe.rom_id}: DS18B20, {probe.reads(unit)}")
    for select in found.selects:
        asker.say(f"  SPI, chip select {select}: switched on; what is wired to it cannot be detected")
    if not (found.answers or found.probes or found.selects):
        asker.say("  nothing answers")
    for fault in found.faults:
        asker.say(f"  {fault}", "yellow")
    for bus in found.off:
        switch = f"sudo raspi-config nonint {_SWITCH_ON[bus]} 0"
        asker.say(f"  {bus} is off; for {_NEEDED_BY[bus]}: {switch}, then reboot")


def _written(asker: Asker, path: Path, old: str, answers: Answers) -> bool:
    """Show what would be written, and write it on consent."""
    new = text_of(answers.draft)
    if new == old and not answers.secrets:
        asker.say("Nothing changed.")
        return True
    asker.say()
    if not old:
        asker.say(new)
    elif new != old:
        asker.say("Changes (your own comments are not kept):", "bold")
        for line in difflib.unified_diff(
            old.splitlines(), new.splitlines(), "as it is", "to be", lineterm=""
        ):
            asker.say(line)
    files = [path.parent / name for name in answers.secrets]
    for file in files:
        asker.say(f"{file}: {'replaced' if file.exists() else 'new'}, readable by you only")
    if not asker.yes(f"Write {path}?", not old):
        asker.say("Nothing was written.")
        return False
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for file, secret in zip(files, answers.secrets.values(), strict=True):
            write(file, f"{secret}\n".encode(), SECRET)
        if old and new != old:
            write(path.with_name(f"{path.name}.before"), old.encode(), PUBLIC)
            asker.say(f"The previous settings: {path.name}.before")
        write(path, new.encode(), PUBLIC)
    except OSError as error:
        raise UseError(
            f"{error.filename or path}: {error.strerror}; give another place with --out FILE"
        ) from error
    return True


def _print_next_steps(asker: Asker, path: Path, *, simulated: bool) -> None:
    program = Path(sys.argv[0]).absolute() if Path(sys.argv[0]).name == "potvigil" else "potvigil"
    asker.say()
    asker.say("Next:", "bold")
    asker.say(f"  {program} rehearse --config {path}     a night on this pot, simulated")
    if simulated:
        asker.say("  All of this was simulated; nothing but the files named above was written.")
        return
    asker.say(f"  sudo {program} service install --config {path}     run the watch as a service")
