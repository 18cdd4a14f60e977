"""Default paths."""

import os
import tempfile
from pathlib import Path

# Where the installed service has them.
SERVICE_SETTINGS = Path("/etc/potvigil/workshop.yaml")
# Of the page of a studio, on the machine that serves it; there need be no pot.
STUDIO_SETTINGS = SERVICE_SETTINGS.with_name("studio.yaml")
SERVICE_STATE = Path("/var/lib/potvigil")


def own_settings() -> Path:
    """Return the path of this user's own settings."""
    base = os.environ.get("XDG_CONFIG_HOME")
    return (Path(base) if base else Path.home() / ".config") / "potvigil/workshop.yaml"


def found_settings() -> Path | None:
    """Return the settings found without being named: the service's, else this user's; or None."""
    return next((path for path in (SERVICE_SETTINGS, own_settings()) if path.is_file()), None)


def systemd_folder(variable: str) -> Path | None:
    """Return a folder systemd made for the service, named by a variable of its environment, if it did."""
    folder = os.environ.get(variable, "").split(":")[0]  # systemd puts colons between several
    return Path(folder) if folder else None


def usual_record() -> Path:
    """Return the record's path: in the service's state folder if there is one, else in this user's."""
    folder = systemd_folder("STATE_DIRECTORY") or (SERVICE_STATE if SERVICE_STATE.is_dir() else own_state())
    return folder / "potvigil.db"


def backups_beside(record: Path) -> Path:
    """Return the default folder for copies of a record; made with the first copy."""
    return record.parent / "backups"


def own_state() -> Path:
    """Return this user's folder for records, rehearsed ones too."""
    return Path.home() / ".local/state/potvigil"


def rehearsed_records() -> Path:
    """Return the folder of the records of rehearsals."""
    return own_state() / "rehearsals"


def closed_to_this_user(path: Path) -> str | None:
    """Return how this user gains access to the service's folder, where a path in it is denied."""
    if (
        not path.is_relative_to(SERVICE_STATE)
        or not SERVICE_STATE.is_dir()
        or os.access(SERVICE_STATE, os.X_OK)
    ):
        return None
    return join_the_group(SERVICE_STATE)


def join_the_group(folder: Path) -> str:
    return f"{folder} is for the group potvigil; `sudo usermod -aG potvigil $USER`, then log out and in again"


def usual_live(*, writing: bool = False) -> Path:
    """Return the path of the live file, in memory: the service's or this user's."""
    service = systemd_folder("RUNTIME_DIRECTORY")
    if service is None and os.access("/run/potvigil", os.X_OK | (os.W_OK if writing else os.R_OK)):
        service = Path("/run/potvigil")
    runtime = os.environ.get("XDG_RUNTIME_DIR")
    own = Path(runtime, "potvigil") if runtime else Path(tempfile.gettempdir(), f"potvigil-{os.getuid()}")
    return (service or own) / "live.json"


def usual_status(live: Path) -> Path:
    """Return the path of the notifier's own file, in a folder beside that of the live file.

    Only the notifier can write to that folder: the watch trusts the contents of its own.
    """
    return live.parent.with_name(f"{live.parent.name}-notify") / "status.json"


def make_own_folder(folder: Path) -> None:
    """Make a folder where it is missing. Raises OSError, also where it is another user's."""
    folder.mkdir(parents=True, mode=0o700, exist_ok=True)
    if folder.is_symlink() or not os.access(folder, os.W_OK) or folder.stat().st_uid not in (0, os.getuid()):
        raise PermissionError(1, "is another user's folder", str(folder))
