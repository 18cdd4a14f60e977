"""The requirements of an extra, from the package's metadata, so that the advice given really installs it.

The package is on no index, so `pip install 'potvigil[page]'` would fetch somebody else's, or nothing.
"""

import os
import re
import shlex
import sys
from importlib import metadata

# Where the distribution's own package is the better one on a Raspberry Pi: there it needs no compiler.
_OF_THE_DISTRIBUTION = {
    "signals": "on a Raspberry Pi `sudo apt install python3-lgpio`, in a venv with --system-site-packages",
}
_OF_THE_DISTRIBUTION["spi"] = _OF_THE_DISTRIBUTION["signals"]


def requirements(extra: str) -> list[str]:
    """Return what an extra requires, as pip takes it: ['starlette>=1.0', ...]; '': what is always needed."""
    try:
        required = metadata.requires("potvigil") or []
    except metadata.PackageNotFoundError:
        return []
    marked = (each.partition(";") for each in required)
    return [name.strip() for name, _, marker in marked if _is_of(extra, marker)]


def _is_of(extra: str, marker: str) -> bool:
    of = re.search(r"extra == ['\"]([^'\"]+)['\"]", marker)
    return (of[1] if of else "") == extra


def how_to_install(extra: str) -> str:
    """Return the command that installs what an extra requires into this Python, which may be root's."""
    of_root = [] if os.access(sys.prefix, os.W_OK) else ["sudo"]
    command = shlex.join([*of_root, sys.executable, "-m", "pip", "install", *requirements(extra)])
    other = _OF_THE_DISTRIBUTION.get(extra)
    return f"`{command}`{f'; {other}' if other else ''}"
