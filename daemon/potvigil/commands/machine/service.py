"""Installs, updates and removes this machine's service. The record is never touched."""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from potvigil.commands.machine.to_install import ToInstall, to_install, to_update
from potvigil.commands.shared.common import UseError
from potvigil.commands.shared.status import DONE, NO
from potvigil.installing import layout, program
from potvigil.installing.layout import Put
from potvigil.installing.shipped import shipped
from potvigil.upkeep.own_file import write


@dataclass(frozen=True, slots=True)
class _Machine:
    """Where to install. root: a folder that stands in for /, None for the machine itself."""

    root: Path | None

    def at(self, path: Path) -> Path:
        return path if self.root is None else self.root / path.relative_to("/")

    def run(self, command: Sequence[str | Path], *, in_a_root: bool = False) -> None:
        """Run a system command. in_a_root: also when installing into a folder."""
        words = [str(word) for word in command]
        if self.root is not None:
            if not in_a_root:
                print(f"left out with --root: {' '.join(words)}")
                return
            words.insert(1, f"--root={self.root.absolute()}")
        try:
            done = subprocess.run(words, capture_output=True, text=True, check=False)
        except FileNotFoundError:
            raise UseError(f"{words[0]} is not on this machine; the service needs systemd") from None
        if done.returncode:
            lines = (done.stderr or done.stdout).strip().splitlines()
            reason = lines[-1] if lines else f"status {done.returncode}"
            raise UseError(f"`{' '.join(words)}` failed: {reason}")


def service(args: argparse.Namespace) -> int:
    """Install, update or remove it."""
    if args.root is None and os.geteuid() != 0:
        raise UseError(f"the service is root's to change; `sudo {sys.argv[0]} service {args.what}`")
    machine = _Machine(args.root)
    if args.what == "remove":
        return _remove(machine)
    return _install(args, machine, is_update=args.what == "update")


def _install(args: argparse.Namespace, machine: _Machine, *, is_update: bool) -> int:
    all_wanted = to_update(machine.at) if is_update else to_install(args.config, machine.at)
    for each in all_wanted:
        there = machine.at(each.place)
        if not each.is_there and there.exists() and there.read_bytes() != each.text and not args.replace:
            raise UseError(
                f"{there} already exists and differs from {each.path}; --replace replaces it, "
                "`potvigil service update` leaves the settings as they are"
            )
    units = {path.name: path.read_bytes() for path in sorted(shipped("systemd").iterdir())}
    if machine.root is None:
        _install_program([extra for each in all_wanted for extra in each.extras], args.extra or [])
    else:
        print(f"left out with --root: the program, {layout.PROGRAM}")
    outside = next((each.backups_outside for each in all_wanted if each.backups_outside is not None), None)
    shell = {name: (shipped("config/shell") / name).read_bytes() for name in layout.SHELL}
    new = [each for each in all_wanted if not each.is_there]
    put = layout.files(
        units,
        {each.place: each.text for each in new},
        [secret for each in all_wanted for secret in each.secrets],
        {name: content for each in new for name, content in each.beside.items()},
        outside,
        shell,
    )
    for what in put:
        _put(machine.at(what.path), what)
    drop_ins = [layout.drop_in(unit) for unit in layout.OF_A_USER]
    for path in (*drop_ins, layout.BACKUP_FOLDER):  # left by earlier settings
        if path not in [what.path for what in put]:
            machine.at(path).unlink(missing_ok=True)
    _link(machine.at(layout.COMMAND), layout.PROGRAM / "bin/potvigil")
    machine.run(["systemd-sysusers", machine.at(layout.SYSUSERS)], in_a_root=True)
    machine.run(["systemd-tmpfiles", "--create", machine.at(layout.TMPFILES)], in_a_root=True)
    _start(machine, all_wanted, is_update=is_update)
    return DONE


def _start(machine: _Machine, all_wanted: Sequence[ToInstall], *, is_update: bool) -> None:
    """Start only the units the settings need, and print what to do next."""
    watched = any(each.is_of_pots for each in all_wanted)
    user = os.environ.get("SUDO_USER")
    joins = user if watched and user != "root" else None  # the group that owns the record
    if joins:
        machine.run(["usermod", "-aG", layout.GROUP, joins])
    running = [unit for each in all_wanted for unit in each.units]
    machine.run(["systemctl", "daemon-reload"])
    every = layout.started(watch=True, page=True, notify=True, ship=True, backups=True, studio=True)
    if unwanted := [unit for unit in every if unit not in running]:
        machine.run(["systemctl", "disable", "--now", *unwanted])
    machine.run(["systemctl", "enable", *running])
    machine.run(["systemctl", "restart", *running])
    print(f"{'updated' if is_update else 'installed'}: {', '.join(running)}")
    for each in all_wanted:
        record = f"; the record is in {layout.STATE}" if each.is_of_pots else ""
        print(f"settings {machine.at(each.place)}{record}")
    if joins:
        print(f"{joins} has joined the group {layout.GROUP}: log in again, then `potvigil status`")
    if watched:
        print("next: `potvigil alarm test --priority high`, one alarm from end to end")
    else:
        print("next: `sudo potvigil check`")


def _install_program(extras: list[str], more: list[str]) -> None:
    place = layout.PROGRAM
    if Path(sys.prefix).resolve() == place.resolve():
        raise UseError(
            "this is the installed program itself; run .venv/bin/potvigil from the new version's folder"
        )
    try:
        source = program.source()
    except program.NoSourceError as error:
        raise UseError(str(error)) from None
    with tempfile.TemporaryDirectory(prefix="potvigil-") as folder:
        python = program.python()
        asked = subprocess.run([python, "-c", "import lgpio"], capture_output=True, check=False)
        for command in program.commands(
            python,
            place,
            program.copied(source, Path(folder)),
            [*extras, *more],
            needs_package=asked.returncode != 0,
        ):
            print(f"running: {' '.join(map(str, command))}", flush=True)
            _Machine(None).run(command)


def _remove(machine: _Machine) -> int:
    """Remove what was installed; print what stays because people made it."""
    units = [path.name for path in shipped("systemd").iterdir()]
    if not any(machine.at(path).exists() for path in layout.removed(units)):
        print("nothing is installed")
        return NO
    there = [name for name in units if machine.at(layout.UNITS / name).exists()]
    machine.run(["systemctl", "disable", "--now", *there])
    for path in layout.removed(units):
        at = machine.at(path)
        if at.is_symlink() or at.is_file():
            at.unlink()
        elif at.is_dir() and (path != layout.PROGRAM or (at / "pyvenv.cfg").exists()):
            shutil.rmtree(at)
    machine.run(["systemctl", "daemon-reload"])
    print("removed: the units, the program and its command")
    for path, what in (
        (layout.STATE, "the record"),
        (layout.SETTINGS_FOLDER, "the settings, with passwords and addresses"),
    ):
        if machine.at(path).exists():
            print(f"left: {machine.at(path)}, {what}")
    print(f"left: the users {', '.join(layout.OF_A_USER)}, who own it")
    return DONE


def _put(path: Path, what: Put) -> None:
    """Write a file completely; keep a copy of settings that differ."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if what.path in layout.SETTINGS and path.exists():
        before = path.read_bytes()
        if before == what.content:
            return
        path.with_name(f"{path.name}.before").write_bytes(before)
    write(path, what.content, what.mode)
    path.chmod(what.mode)  # whatever the umask


def _link(path: Path, to: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_symlink():
        path.unlink()
    elif path.exists():
        raise UseError(f"{path} already exists and is not Potvigil's; move it away")
    path.symlink_to(to)
