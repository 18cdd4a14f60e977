"""Where the parts of the service are, and the contents of generated ones. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from potvigil.paths import SERVICE_SETTINGS, SERVICE_STATE, STUDIO_SETTINGS

PROGRAM = Path("/opt/potvigil")
COMMAND = Path("/usr/local/bin/potvigil")
SETTINGS_FOLDER, STATE = SERVICE_SETTINGS.parent, SERVICE_STATE
# Those of the pots, and those of the page of a studio: either, or both on one machine.
SETTINGS = (SERVICE_SETTINGS, STUDIO_SETTINGS)
UNITS = Path("/etc/systemd/system")
SYSUSERS, TMPFILES = Path("/etc/sysusers.d/potvigil.conf"), Path("/etc/tmpfiles.d/potvigil.conf")
WATCH, PAGE, NOTIFY, SHIP = "potvigil", "potvigil-page", "potvigil-notify", "potvigil-ship"
STUDIO = "potvigil-studio"
# Each runs as its own user, of the same name.
OF_A_USER = (WATCH, PAGE, NOTIFY, SHIP, STUDIO)
THIN, BACKUP = "potvigil-thin", "potvigil-backup"
GROUP = "potvigil"
# Completion and the manual page, by the names they come with, where shells and `man` look for them.
SHELL = {
    "potvigil": Path("/usr/local/share/bash-completion/completions/potvigil"),
    "_potvigil": Path("/usr/local/share/zsh/site-functions/_potvigil"),
    "potvigil.1": Path("/usr/local/share/man/man1/potvigil.1"),
}
# What gives the backup unit access to its folder.
BACKUP_FOLDER = UNITS / f"{BACKUP}.service.d" / "folder.conf"

_PUBLIC, _SECRET = 0o644, 0o600

# The groups of the buses are on Raspberry Pi OS only; a unit that names a missing one never starts.
USERS = f"""\
# The users of Potvigil's units, sysusers.d(5). Whoever joins the group potvigil may use the record.
g i2c -
g spi -
g gpio -
u {WATCH} - "Potvigil, the watch" {STATE}
u {PAGE} -:{GROUP} "Potvigil, the page"
u {NOTIFY} -:{GROUP} "Potvigil, the notifier"
u {SHIP} -:{GROUP} "Potvigil, the shipper"
u {STUDIO} - "Potvigil, the page of a studio"
"""
# The page and the notifier may start before the watch has made its folder.
FOLDERS = f"""\
# The folders of Potvigil's units, tmpfiles.d(5).
d {STATE} 2770 {WATCH} {GROUP} -
"""


@dataclass(frozen=True, slots=True)
class Put:
    """A file that is to stand there, with its rights."""

    path: Path
    content: bytes
    mode: int = _PUBLIC


@dataclass(frozen=True, slots=True)
class Secret:
    """A file the settings name that one unit alone may read. name: as the settings have it; key: of what."""

    unit: str
    key: str
    name: str

    @property
    def is_relative(self) -> bool:
        return not self.name.startswith(("/", "~"))


def files(
    units: Mapping[str, bytes],
    settings: Mapping[Path, bytes],
    secrets: Iterable[Secret],
    beside: Mapping[str, bytes],
    backups: Path | None = None,
    shell: Mapping[str, bytes] | None = None,
) -> list[Put]:
    """Return every file of the service.

    units: by name, as they come with the package. settings: by their place, without those that stay. beside:
    what is to be put beside the settings, secrets and certificates, by the relative names they have there.
    backups: their folder, where it is not below the service's own. shell: what SHELL names.
    """
    secrets = list(secrets)
    of_secrets = {secret.name for secret in secrets}
    put = [Put(SYSUSERS, USERS.encode()), Put(TMPFILES, FOLDERS.encode())]
    put += [Put(UNITS / name, content) for name, content in sorted(units.items())]
    put += [Put(SHELL[name], content) for name, content in sorted((shell or {}).items())]
    for unit in OF_A_USER:
        handed = sorted({secret.name for secret in secrets if secret.unit == unit and secret.is_relative})
        if handed:
            put.append(Put(drop_in(unit), _handing_over(handed).encode()))
    if backups is not None:
        put.append(Put(BACKUP_FOLDER, _opening(backups).encode()))
    put += [Put(place, content) for place, content in settings.items()]
    for name, content in sorted(beside.items()):
        put.append(Put(SETTINGS_FOLDER / name, content, _SECRET if name in of_secrets else _PUBLIC))
    return put


def drop_in(unit: str) -> Path:
    """Return the file that passes a unit what only root may read."""
    return UNITS / f"{unit}.service.d" / "credentials.conf"


def started(
    *,
    watch: bool = False,
    page: bool = False,
    notify: bool = False,
    ship: bool = False,
    backups: bool = False,
    studio: bool = False,
) -> list[str]:
    """Return the units that are to run, the watch first."""
    units = {
        f"{WATCH}.service": watch,
        f"{PAGE}.service": page,
        f"{NOTIFY}.service": notify,
        f"{SHIP}.service": ship,
        f"{THIN}.timer": watch,
        f"{BACKUP}.timer": backups,
        f"{STUDIO}.service": studio,
    }
    return [unit for unit, is_wanted in units.items() if is_wanted]


def removed(units: Iterable[str]) -> list[Path]:
    """Return all that `remove` takes away: not the record, the settings, or the users that own them."""
    drop_ins = [*(drop_in(unit).parent for unit in OF_A_USER), BACKUP_FOLDER.parent]
    return [
        *(UNITS / name for name in sorted(units)),
        *drop_ins,
        *SHELL.values(),
        SYSUSERS,
        TMPFILES,
        COMMAND,
        PROGRAM,
    ]


def _opening(folder: Path) -> str:
    """Return the drop-in for a folder on another medium, which may be away as the unit starts."""
    quoted = '"' + str(folder).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%") + '"'
    prefixed = f'"-{quoted[1:]}'
    return (
        "# By `potvigil service install`: where the settings want the backups.\n"
        f"[Unit]\nRequiresMountsFor={quoted}\n[Service]\nReadWritePaths={prefixed}\n"
    )


def _handing_over(names: Iterable[str]) -> str:
    lines = "".join(f"LoadCredential={name}:{SETTINGS_FOLDER / name}\n" for name in names)
    return (
        f"# By `potvigil service install`: what only root may read, handed to this unit.\n[Service]\n{lines}"
    )
