"""The local web page, and its password."""

import argparse
import getpass
import ipaddress
import socket
import ssl
import sys
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from potvigil.commands.page_certificate import certificate
from potvigil.commands.page_where import authority_of, say_where
from potvigil.commands.shared.common import UseError, known_settings
from potvigil.commands.shared.plan_equipment import rigs_of
from potvigil.commands.shared.status import DONE
from potvigil.extras import how_to_install
from potvigil.model.pot import Pot
from potvigil.page.addresses import own_names
from potvigil.paths import usual_live, usual_record
from potvigil.planning.read_request import Rig
from potvigil.secret_file import is_open_to_all
from potvigil.settings.loading import load, load_either, load_text
from potvigil.settings.network import PageSettings
from potvigil.upkeep.own_file import SECRET, write

if TYPE_CHECKING:
    from potvigil.page.server import Site  # needs the page's libraries, which may be missing

USUAL_PASSWORD_FILE = "page-password"
_LARGEST_HASH = 1024
_MAKE_IT = "make it with `potvigil page password`"


def page(args: argparse.Namespace) -> int:
    """Serve the page, or make its password or certificate."""
    try:
        import potvigil.page.server  # noqa: F401
    except ImportError as error:
        raise UseError(
            f"the page needs {error.name} ({error}); install it with {how_to_install('page')}"
        ) from error
    match args.what:
        case "password":
            return _password(args)
        case "certificate":
            return certificate(args)
        case _:
            return _serve(args)


def _serve(args: argparse.Namespace) -> int:
    from potvigil.page.frame import PageConfig
    from potvigil.page.server import Page

    known = None if args.record is not None else known_settings(args)
    settings = None if known is None else load(known)
    wanted = PageSettings.model_validate({}) if settings is None else settings.page
    record = (args.record or usual_record()) if settings is None else settings.record_file
    listening, site = opened(wanted, args.port)
    with tempfile.TemporaryDirectory(prefix="potvigil-page-") as folder:
        config = PageConfig(
            record=record,
            live=args.live or wanted.live or usual_live(),
            pots_of=pots_of,
            rigs_of=_rigs_of,
            settings=None if settings is None else settings.as_json(),
            folder=Path(folder),
            **site,
        )
        serve_site(Page(config), listening, wanted)
    return DONE


def opened(wanted: PageSettings, other_port: int | None) -> tuple[socket.socket, dict[str, Any]]:
    """Return a listening socket, and the settings common to all pages as fields of SiteConfig."""
    from potvigil.page.door import listen

    tls, password = wanted.tls, None
    if wanted.password_file is not None:
        password = _read_hash(wanted.password_file)
        _check_private(wanted.password_file, "page.password_file")
    if tls is not None:
        _check_private(tls.key_file, "page.tls.key_file")
    host, port = wanted.host, wanted.port if other_port is None else other_port
    try:
        listening = listen(host, port)
    except OSError as error:
        reason = error.strerror or error
        raise UseError(
            f"the page cannot listen at {host}, port {port} ({reason}); give another page.host or --port"
        ) from error
    return listening, {
        "password": password,
        "names": (*wanted.names, *own_names(), *([] if _is_address(host) else [host])),
        "is_encrypted": tls is not None,
        "authority": None if tls is None else authority_of(tls.cert_file),
    }


def serve_site(site: "Site", listening: socket.socket, wanted: PageSettings) -> None:
    """Serve a page until stopped, and print where it is."""
    from potvigil.page.server import Tls, serve

    tls = None if wanted.tls is None else Tls(wanted.tls.cert_file, wanted.tls.key_file)
    port = listening.getsockname()[1]
    try:
        serve(site, listening, tls, lambda: say_where(wanted.host, port, wanted.names, tls))
    except (ssl.SSLError, FileNotFoundError, PermissionError) as error:
        raise UseError(
            f"page.tls: certificate or key cannot be used ({error.strerror}); make both with "
            "`potvigil page certificate`"
        ) from error


@lru_cache(maxsize=16)
def _rigs_of(settings_json: str) -> Mapping[str, Rig]:
    return rigs_of(load_text(settings_json, "settings of a run"))


def pots_of(settings_json: str) -> Mapping[str, Pot]:
    return {pot_id: rig.pot for pot_id, rig in _rigs_of(settings_json).items()}


def _is_address(host: str) -> bool:
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


# --- the password


def _password(args: argparse.Namespace) -> int:
    """Ask for a password and keep its hash; off a terminal, read it as a line of standard input."""
    from potvigil.page.passwords import LEAST_PASSWORD, LONGEST_PASSWORD, hashed

    path = args.out
    if path is None and (settings := known_settings(args)) is not None:
        path = load_either(settings).page.password_file
    path = path or Path(USUAL_PASSWORD_FILE)
    if path.exists() and not _holds_hash(path):
        raise UseError(f"{path} already exists and is not a page's password; give --out another name")
    if not path.parent.is_dir():
        raise UseError(f"{path}: there is no folder {path.parent}; make it, or give --out another name")
    if sys.stdin.isatty():
        password = getpass.getpass("password of the page: ")
        if password != getpass.getpass("once more: "):
            raise UseError("the two passwords differ; nothing was saved")
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    if not LEAST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise UseError(f"a password of {LEAST_PASSWORD} to {LONGEST_PASSWORD} characters is needed")
    write(path, f"{hashed(password)}\n".encode("ascii"), SECRET)
    print(f"{path}: name it as page.password_file, and restart the page")
    return DONE


def _check_private(path: Path, key: str) -> None:
    """Raise UseError for a secret that every user of this machine may read."""
    with suppress(OSError):  # a missing file is reported when it is opened
        if is_open_to_all(path):
            raise UseError(
                f"{key} {path}: everybody on this machine can read it; close it with `chmod o= {path}`"
            )


def _holds_hash(path: Path) -> bool:
    try:
        return bool(_read_hash(path))
    except UseError:
        return False


def _read_hash(path: Path) -> str:
    from potvigil.page.passwords import is_hash

    try:
        with path.open("rb") as file:  # /dev/zero has no end
            line = file.read(_LARGEST_HASH).decode("ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "no password of the page"
        raise UseError(f"page.password_file {path}: {reason}; {_MAKE_IT}") from None
    if not is_hash(line):
        raise UseError(f"page.password_file {path}: does not hold the page's password; {_MAKE_IT}")
    return line
