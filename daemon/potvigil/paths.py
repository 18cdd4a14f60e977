"""Where things lie unless somebody says otherwise."""

import os
from pathlib import Path


def systemd_folder(variable: str) -> Path | None:
    """Return a folder systemd made for the service, named by a variable of its environment, if it did."""
    folder = os.environ.get(variable, "").split(":")[0]  # systemd puts colons between several
    return Path(folder) if folder else None


def usual_record() -> Path:
    """Return the record's place: the service's state folder, else one of this user."""
    return (systemd_folder("STATE_DIRECTORY") or Path.home() / ".local/state/potvigil") / "potvigil.db"
