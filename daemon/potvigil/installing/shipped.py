"""What the package ships besides code: units, sample settings, drawings, the guide."""

from importlib import metadata
from pathlib import Path

import potvigil

_SHARE = "share/potvigil"


def shipped(name: str) -> Path:
    """Return a file or folder of it, e.g. 'systemd' or 'config/workshop.yaml'.

    Raises FileNotFoundError where the package was installed without.
    """
    checkout = Path(potvigil.__file__).resolve().parents[2]
    for root in (*_installed(), checkout):
        if (root / name).exists():
            return root / name
    raise FileNotFoundError(2, "did not come with this installation of Potvigil", name)


def _installed() -> list[Path]:
    """Return where the installer put it, as it has noted itself."""
    try:
        files = metadata.files("potvigil") or []
    except metadata.PackageNotFoundError:
        return []
    found = [Path(str(file.locate())).resolve() for file in files if f"{_SHARE}/" in file.as_posix()]
    return [path for file in found[:1] for path in file.parents if path.as_posix().endswith(_SHARE)]
