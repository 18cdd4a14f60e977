"""The service of this machine: installed, brought up to date, taken away. The record is never touched."""

import argparse
import os
import shutil
import stat
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from pwd import getpwnam

from potvigil import paths
from potvigil.checking.libraries import extras_of
from potvigil.commands.shared.common import UseError
from potvigil.commands.shared.status import DONE, NO
from potvigil.installing import layout, program
from potvigil.installing.layout import Put, Secret
from potvigil.installing.secrets import public_of, secrets_of
from potvigil.installing.shipped import shipped
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load, tree_of
from potvigil.settings.schema import Settings
from potvigil.upkeep.own_file import write

_CERTIFICATE = "make it with `potvigil page certificate`, or leave out page.tls"
_HOW = {
    "page.password_file": "make it with `potvigil page password --out {path}`",
    "page.tls.key_file": _CERTIFICATE,
    "page.tls.cert_file": _CERTIFICATE,
}
_CREDENTIALS = Path("/run/credentials")


@dataclass(frozen=True, slots=True)
class _Machine:
    """Where it is done. root: a folder that stands for the machine, None for the machine itself."""

    root: Path | None

    def at(self, path: Path) -> Path:
        return path if self.root is None else self.root / path.relative_to("/")

    def run(self, command: Sequence[str | Path], *, in_a_root: bool = False) -> None:
        """Run a command of the system. in_a_root: it can also be done in a folder, and is."""
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
            said = (done.stderr or done.stdout).strip().splitlines()
            raise UseError(f"`{' '.join(words)}` failed: {said[-1] if said else f'status {done.returncode}'}")


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is to be installed. path: of the settings. beside: what they name, by name."""

    path: Path
    settings: Settings
    text: bytes
    secrets: list[Secret]
    beside: Mapping[str, bytes]


def service(args: argparse.Namespace) -> int:
    """Install, update or remove it."""
    if args.root is None and os.geteuid() != 0:
        raise UseError(f"the service is root's to change; `sudo {sys.argv[0]} service {args.what}`")
    machine = _Machine(args.root)
    if args.what == "remove":
        return _remove(machine)
    return _install(args, machine, is_update=args.what == "update")


def _install(args: argparse.Namespace, machine: _Machine, *, is_update: bool) -> int:
    there = machine.at(paths.SERVICE_SETTINGS)
    if is_update and not there.exists():
        raise UseError(f"{there} is missing, so there is nothing to update; `potvigil service install` first")
    wanted = _wanted(there if is_update else _settings_file(args.config, there))
    is_own = wanted.path.absolute() == there.absolute()
    kept = None if is_own else wanted.text
    if not is_own and there.exists() and there.read_bytes() != wanted.text and not args.replace:
        raise UseError(
            f"{there} already exists and differs from {wanted.path}; --replace replaces it, "
            "`potvigil service update` leaves the settings as they are"
        )
    units = {path.name: path.read_bytes() for path in sorted(shipped("systemd").iterdir())}
    if machine.root is None:
        _install_program(wanted.settings, args.extra or [])
    else:
        print(f"left out with --root: the program, {layout.PROGRAM}")
    outside = _backups_outside(wanted.settings)
    shell = {name: (shipped("config/shell") / name).read_bytes() for name in layout.SHELL}
    put = layout.files(units, kept, wanted.secrets, {} if is_own else wanted.beside, outside, shell)
    for each in put:
        _put(machine.at(each.path), each)
    drop_ins = [layout.drop_in(unit) for unit in layout.OF_A_USER]
    for path in (*drop_ins, layout.BACKUP_FOLDER):  # of an earlier time
        if path not in [each.path for each in put]:
            machine.at(path).unlink(missing_ok=True)
    _link(machine.at(layout.COMMAND), layout.PROGRAM / "bin/potvigil")
    machine.run(["systemd-sysusers", machine.at(layout.SYSUSERS)], in_a_root=True)
    machine.run(["systemd-tmpfiles", "--create", machine.at(layout.TMPFILES)], in_a_root=True)
    user = os.environ.get("SUDO_USER")
    if user and user != "root":
        machine.run(["usermod", "-aG", layout.GROUP, user])
    settings = wanted.settings
    running = layout.started(
        page="page" in settings.model_fields_set,
        # it tells phones that subscribed on an encrypted page, too
        notify=any(each is not None for each in (settings.notify, settings.heartbeat, settings.page.tls)),
        ship=settings.studio is not None,
        backups=settings.record.backups is not None,
    )
    machine.run(["systemctl", "daemon-reload"])
    every = layout.started(page=True, notify=True, ship=True, backups=True)
    if unwanted := [unit for unit in every if unit not in running]:
        machine.run(["systemctl", "disable", "--now", *unwanted])
    machine.run(["systemctl", "enable", *running])
    machine.run(["systemctl", "restart", *running])
    print(f"{'updated' if is_update else 'installed'}: {', '.join(running)}")
    print(f"settings {there}; the record is in {layout.STATE}")
    if user and user != "root":
        print(f"{user} has joined the group {layout.GROUP}: log in again, then `potvigil status`")
    print("next: `potvigil alarm test --priority high`, one alarm from end to end")
    return DONE


def _backups_outside(settings: Settings) -> Path | None:
    """Return where backups are to lie, if that is not below the service's own folder."""
    backups = settings.record.backups
    folder = None if backups is None else backups.folder
    return None if folder is None or folder.is_relative_to(layout.STATE) else folder


def _settings_file(given: Path | None, there: Path) -> Path:
    """Return the settings to install: given; those that are there; those of who called sudo."""
    user = os.environ.get("SUDO_USER")
    own = paths.own_settings()
    if user:
        with suppress(KeyError):
            own = Path(getpwnam(user).pw_dir) / ".config/potvigil/workshop.yaml"
    found = next((path for path in (given, there, own) if path is not None and path.is_file()), None)
    if given is not None and found != given:
        raise UseError(f"{given}: no such file; make it with `potvigil setup --out {given}`")
    if found is None:
        raise UseError(
            f"no settings at {there} or {own}; make them with `potvigil setup`, or give --config FILE"
        )
    return found


def _wanted(path: Path) -> _Wanted:
    """Return what the settings call for. Raises SettingsError with everything that is missing, at once."""
    settings = load(path)
    text = path.read_bytes()
    tree = tree_of(text.decode("utf-8"), str(path))
    secrets = secrets_of(tree)
    named = [(each.key, each.name) for each in secrets] + public_of(tree)
    beside, wrong = {}, []
    for key, name in named:
        file = (path.parent / Path(name).expanduser()).absolute()
        is_relative = not name.startswith(("/", "~"))
        if file.is_relative_to(_CREDENTIALS):
            continue  # handed over by a drop-in of somebody's own
        if is_relative and "/" in name:
            fault = f"{name} is in a folder; the service needs it beside the settings"
        elif not file.is_file():
            fault = f"{file} is missing; {_HOW.get(key, 'put it there').format(path=file)}"
        elif not is_relative and not file.stat().st_mode & stat.S_IROTH:
            fault = (
                f"{file} cannot be read by the service; put it beside the settings, and give its name alone"
            )
        else:
            if is_relative:
                beside[name] = file.read_bytes()
            continue
        wrong.append(f"{path}: {key}: {fault}")
    if settings.record_file != paths.usual_record() and not settings.record_file.is_relative_to(layout.STATE):
        wrong.append(
            f"{path}: record.file: {settings.record_file} is not below {layout.STATE}, where the service may "
            "write; leave it out"
        )
    folder = _backups_outside(settings)
    if folder is not None and not folder.is_dir():
        wrong.append(
            f"{path}: record.backups.folder: {folder} is missing; create it, or plug in its drive, and let "
            f"the group {layout.GROUP} write there"
        )
    if wrong:
        raise SettingsError(*wrong)
    return _Wanted(path, settings, text, secrets, beside)


def _install_program(settings: Settings, more: list[str]) -> None:
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
            [*extras_of(settings), *more],
            needs_package=asked.returncode != 0,
        ):
            print(f"running: {' '.join(map(str, command))}", flush=True)
            _Machine(None).run(command)


def _remove(machine: _Machine) -> int:
    """Take away what was installed; what somebody made stays, and is named."""
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
    """Put a file there whole; settings that say something else are kept beside."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if what.path == paths.SERVICE_SETTINGS and path.exists():
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
