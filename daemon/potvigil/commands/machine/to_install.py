"""What to install: the settings of the pots, of a studio's page, or both, and the files they name."""

import os
import stat
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from pwd import getpwnam

from potvigil import paths
from potvigil.checking.libraries import extras_of
from potvigil.commands.shared.common import UseError
from potvigil.installing import layout
from potvigil.installing.layout import Secret
from potvigil.installing.secrets import public_of, secrets_of
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_either, tree_of
from potvigil.settings.schema import Settings
from potvigil.settings.studio import StudioPageSettings

_CERTIFICATE = "make it with `potvigil page certificate`, or leave out page.tls"
_HOW = {
    "page.password_file": "make it with `potvigil page password --out {path}`",
    "page.tls.key_file": _CERTIFICATE,
    "page.tls.cert_file": _CERTIFICATE,
}
_CREDENTIALS = Path("/run/credentials")
# Maps a file of the service to its place: on the machine, or in a folder that stands in for /.
At = Callable[[Path], Path]


@dataclass(frozen=True, slots=True)
class ToInstall:
    """Settings to install. path: where they are. is_there: they are installed already.

    secrets: all that they name. beside: content of the files they name beside them, by name.
    """

    path: Path
    is_there: bool
    settings: Settings | StudioPageSettings
    text: bytes
    secrets: Sequence[Secret]
    beside: Mapping[str, bytes]

    @property
    def is_of_pots(self) -> bool:
        return isinstance(self.settings, Settings)

    @property
    def place(self) -> Path:
        """Where the settings belong on the machine."""
        return paths.SERVICE_SETTINGS if self.is_of_pots else paths.STUDIO_SETTINGS

    @property
    def extras(self) -> tuple[str, ...]:
        return extras_of(self.settings)

    @property
    def units(self) -> list[str]:
        """The units that the settings need."""
        of = self.settings
        if isinstance(of, StudioPageSettings):
            return layout.started(studio=True)
        return layout.started(
            watch=True,
            page="page" in of.model_fields_set,
            # it also notifies phones that subscribed on an encrypted page
            notify=any(each is not None for each in (of.notify, of.heartbeat, of.page.tls)),
            ship=of.studio is not None,
            backups=of.record.backups is not None,
        )

    @property
    def backups_outside(self) -> Path | None:
        """Where backups go, if that is outside the service's own folder."""
        backups = self.settings.record.backups if isinstance(self.settings, Settings) else None
        folder = None if backups is None else backups.folder
        return None if folder is None or folder.is_relative_to(layout.STATE) else folder


def to_install(given: Path | None, at: At) -> list[ToInstall]:
    """Return what to install, given or found, and installed settings of the other kind.

    Raises SettingsError that names everything missing at once.
    """
    path = _settings_file(given, at)
    new = _wanted(path, any(path.absolute() == at(place).absolute() for place in layout.SETTINGS))
    others = [
        _wanted(at(place), True) for place in layout.SETTINGS if place != new.place and at(place).is_file()
    ]
    return _together([new, *others])


def to_update(at: At) -> list[ToInstall]:
    """Return what is installed, for an update."""
    there = [at(place) for place in layout.SETTINGS if at(place).is_file()]
    if not there:
        raise UseError(
            f"{at(paths.SERVICE_SETTINGS)} is missing, so there is nothing to update; "
            "`potvigil service install` first"
        )
    return _together([_wanted(path, True) for path in there])


def _settings_file(given: Path | None, at: At) -> Path:
    """Return the settings to install: as given, else those installed, else the sudo user's."""
    user = os.environ.get("SUDO_USER")
    own = paths.own_settings()
    if user:
        with suppress(KeyError):
            own = Path(getpwnam(user).pw_dir) / ".config/potvigil/workshop.yaml"
    there, of_studio = at(paths.SERVICE_SETTINGS), at(paths.STUDIO_SETTINGS)
    found = next((p for p in (given, there, own, of_studio) if p is not None and p.is_file()), None)
    if given is not None and found != given:
        raise UseError(f"{given}: no such file; make it with `potvigil setup --out {given}`")
    if found is None:
        raise UseError(
            f"no settings at {there} or {own}; make them with `potvigil setup`, or give --config FILE"
        )
    return found


def _wanted(path: Path, is_there: bool) -> ToInstall:
    """Return what the settings need. Raises SettingsError that names everything missing at once."""
    settings = load_either(path)
    text = path.read_bytes()
    tree = tree_of(text.decode("utf-8"), str(path))
    secrets = secrets_of(tree, of_studio=isinstance(settings, StudioPageSettings))
    named = [(each.key, each.name) for each in secrets] + public_of(tree)
    beside, wrong = {}, []
    for key, name in named:
        file = (path.parent / Path(name).expanduser()).absolute()
        is_relative = not name.startswith(("/", "~"))
        if file.is_relative_to(_CREDENTIALS):
            continue  # provided by a drop-in that the user wrote
        if is_relative and "/" in name:
            fault = f"{name} is in a folder of its own; the service needs it beside the settings"
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
    wanted = ToInstall(path, is_there, settings, text, secrets, beside)
    wrong += [f"{path}: {each}" for each in _misplaced(wanted)]
    if wrong:
        raise SettingsError(*wrong)
    return wanted


def _misplaced(wanted: ToInstall) -> Iterator[str]:
    """Yield the configured places that the service may not write to."""
    settings, folder = wanted.settings, wanted.backups_outside
    if not isinstance(settings, Settings):
        return
    if settings.record_file != paths.usual_record() and not settings.record_file.is_relative_to(layout.STATE):
        yield (
            f"record.file: {settings.record_file} is not below {layout.STATE}, where the service may "
            "write; leave it out"
        )
    if folder is not None and not folder.is_dir():
        yield (
            f"record.backups.folder: {folder} is missing; create it, or plug in its drive, and let "
            f"the group {layout.GROUP} write there"
        )


def _together(all_wanted: list[ToInstall]) -> list[ToInstall]:
    """Return all settings of one machine. Raises SettingsError where two of them conflict."""
    if len(all_wanted) < 2:
        return all_wanted
    one, other = all_wanted
    wrong = [
        f"{one.path}: {name}, named there, would overwrite that of {other.path}; give it another name"
        for name, content in one.beside.items()
        if other.beside.get(name, content) != content
    ]
    port = one.settings.page.port
    are_served = all(not each.is_of_pots or "page" in each.settings.model_fields_set for each in all_wanted)
    if are_served and port == other.settings.page.port:
        wrong.append(f"{one.path}: page.port: {port} is that of {other.path} too; give another")
    if wrong:
        raise SettingsError(*wrong)
    return all_wanted
