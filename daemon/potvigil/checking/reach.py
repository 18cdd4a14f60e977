"""Everything elsewhere: broker, the page's port, notification targets. Checked without sending anything."""

import errno
import socket
import ssl
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from urllib.parse import urlsplit

from potvigil.checking.finding import Finding, fault, good, unknown
from potvigil.notifying.targets import TargetError, address_of, heartbeat_urls
from potvigil.outputs.broker.mqtt_link import MqttError, MqttLink, Tried
from potvigil.page.passwords import is_hash
from potvigil.secret_file import SecretFileError, first_line, is_open_to_all
from potvigil.service.wiring import mqtt_link
from potvigil.settings.network import MqttSettings, PageSettings
from potvigil.settings.notify import HeartbeatSettings, TargetSettings
from potvigil.settings.studio import StudioSettings

WITHIN_S = 8.0
_ASK_ROOT = "only root may read {path}, as it should be; `sudo potvigil check` checks it too"
# What the page shows to everybody and hardly any other page does; a studio's has the same icon as a Pi's.
_OF_A_PAGE, _OF_A_STUDIO = ("potvigil.page", "icon.svg"), ("potvigil.page.many", "many.css")

_RENEW = "renew it: `potvigil page certificate --renew`"
_RENEW_STUDIO = (
    "its timer did not renew it: `systemctl status potvigil-certificate`; `sudo systemctl start "
    "potvigil-certificate` renews it, for database and broker too"
)


def on_broker(
    settings: MqttSettings, workshop: str, try_broker: Callable[[MqttLink, str, float], Tried]
) -> Finding:
    """Return whether the broker is reachable, accepts us, and nobody else publishes our workshop.

    try_broker: mqtt_trial.try_broker.
    """
    what, where = "broker", f"{settings.host}:{settings.port}"
    key_file = None if settings.tls is None else settings.tls.key_file
    for path in (settings.password_file, key_file):
        if (closed := closed_secret(what, path)) is not None:
            return closed
    try:
        tried = try_broker(mqtt_link(settings), workshop, WITHIN_S)
    except MqttError as error:
        return fault(what, str(error))
    if tried.fault is not None:
        return fault(
            what, f"{where}: {tried.fault}; check that it runs, and that host, user and password are right"
        )
    if tried.other is not None:
        return fault(what, f"{where}: {tried.other}")
    who = f"signed in as {settings.username}" if settings.username else "connected, without a user name"
    return good(what, f"{where}: {who}{'' if settings.tls is None else ', encrypted'}")


def on_page_files(settings: PageSettings, *, of_studio: bool = False) -> Iterator[Finding]:
    """Yield whether password, certificate and key of the page are usable.

    of_studio: a timer renews the certificate.
    """
    what = "page"
    if (path := settings.password_file) is not None:
        yield closed_secret(what, path) or _password(path)
    if settings.tls is None:
        return
    cert, key = settings.tls.cert_file, settings.tls.key_file
    missing = [path for path in (cert, key) if not path.exists()]
    if missing:
        files = " and ".join(map(str, missing))
        yield fault(what, f"{files} missing; `potvigil page certificate` makes both, or leave out page.tls")
    elif (closed := closed_secret(what, key)) is not None:
        yield closed
    else:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key)
        except OSError as error:
            reason = error.strerror or error
            yield fault(
                what, f"{cert} with {key}: {reason}; make both again with `potvigil page certificate`"
            )
        else:
            yield _certificate(cert, _RENEW_STUDIO if of_studio else _RENEW)


def _certificate(path: Path, renew: str) -> Finding:
    """Return until when a certificate is valid; it matches its key."""
    what = "page"
    try:
        from potvigil.page.certificate import CertificateError, known
    except ImportError:
        return good(what, f"{path} and its key match")
    try:
        said = known(path.read_bytes())
    except (CertificateError, OSError) as error:
        return fault(what, f"{path}: {error}; make it again with `potvigil page certificate`")
    now = datetime.now(UTC)
    if said.ends <= now:
        return fault(what, f"{path}: expired on {said.ends:%-d %B %Y}; {renew}")
    due = f"; {renew}" if said.is_due(now) else ""
    return good(what, f"{path} and its key match, valid until {said.ends:%-d %B %Y}{due}")


def on_page_port(settings: PageSettings, *, of_studio: bool = False) -> Finding:
    """Return whether the page can listen, or does so already. of_studio: that of all records."""
    host, port, what = settings.host, settings.port, "page"
    where = f"{host}, port {port}"
    try:
        address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
        with socket.socket(address[0], address[1]) as tried:
            tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            tried.bind(address[4])
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            if page_answers(settings, of_studio=of_studio):
                return good(what, f"answers at {where}")
            return fault(what, f"{where} is in use by another program; stop it, or give another page.port")
        return fault(
            what, f"cannot listen at {where} ({error.strerror or error}); give another page.host or page.port"
        )
    return good(what, f"{where} is free")


def on_target(i: int, target: TargetSettings) -> Finding:
    """Return whether an address is usable and its server reachable; nothing is sent."""
    what = "notify"
    try:
        url = address_of(f"notify.targets[{i}]", target)
        from potvigil.notifying.apprise_target import AddressError, server_of

        server = server_of(url)
    except TargetError as error:
        if (closed := closed_secret(what, target.url_file)) is not None:
            return closed
        return fault(what, str(error))
    except AddressError as error:
        key = "url" if target.url_file is None else f"url_file {target.url_file}"
        return fault(what, f"notify.targets[{i}].{key}: {error}; see Apprise's list of services")
    except ImportError:
        return unknown(what, f"{target.name}: cannot be checked without its library")
    return _reached(what, target.name, server, "`potvigil notify --test`")


def on_heartbeat(settings: HeartbeatSettings) -> Iterator[Finding]:
    """Yield whether the servers of the heartbeat are reachable; nothing is fetched."""
    what = "heartbeat"
    for path in (settings.url_file, settings.fail_url_file):
        if (closed := closed_secret(what, path)) is not None:
            yield closed
            return
    try:
        urls = heartbeat_urls(settings)
    except TargetError as error:
        yield fault(what, str(error))
        return
    for key, url in zip(("url", "fail_url"), urls, strict=True):
        if url is not None:
            parts = urlsplit(url)
            port = parts.port or (443 if parts.scheme == "https" else 80)
            yield _reached(what, key, (parts.hostname or "", port), "`potvigil notify --test`")


def on_studio(settings: StudioSettings) -> Finding:
    """Return whether the studio's database lets this machine in, and has its tables."""
    what = "studio"
    if (closed := closed_secret(what, settings.password_file)) is not None:
        return closed
    try:
        from potvigil.studio.address import StudioError, address_of
        from potvigil.studio.copying import check
    except ImportError:
        return unknown(what, "cannot be checked without its libraries")
    try:
        address = address_of(settings)
        check(address.engine())
    except StudioError as error:
        return fault(what, str(error))
    return good(what, f"lets {address.name} in")


def _reached(what: str, name: str, server: tuple[str, int] | None, trial: str) -> Finding:
    if server is None:
        return unknown(what, f"{name}: its address is valid; {trial} shows whether messages arrive")
    try:
        socket.create_connection(server, WITHIN_S).close()
    except OSError as error:
        reason = error.strerror or error
        return fault(
            what, f"{name}: its server cannot be reached ({reason}); check the network and the address"
        )
    return good(what, f"{name}: its server answers; {trial} shows whether messages arrive")


def closed_secret(what: str, path: Path | None) -> Finding | None:
    """Return the words for a secret this user may not read, None where they may or there is none."""
    if path is None:
        return None
    try:
        path.open("rb").close()
        if is_open_to_all(path):
            return fault(
                what, f"{path}: everybody on this machine can read it; close it with `chmod o= {path}`"
            )
    except PermissionError:
        return unknown(what, _ASK_ROOT.format(path=path))
    except OSError:
        pass  # whoever reads it reports that
    return None


def _password(path: Path) -> Finding:
    try:
        line = first_line(path, "password")
    except SecretFileError as error:
        return fault("page", f"page.password_file {error}; make it with `potvigil page password`")
    if not is_hash(line):
        return fault(
            "page", f"{path}: does not hold the page's password; make it with `potvigil page password`"
        )
    return good("page", f"{path}: holds the page's password")


def page_answers(settings: PageSettings, *, of_studio: bool = False) -> bool:
    """Return whether the page itself answers at the address of these settings."""
    package, name = _OF_A_STUDIO if of_studio else _OF_A_PAGE
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)
    try:
        line = socket.create_connection((host, settings.port), WITHIN_S)
        if settings.tls is not None:
            plain = ssl.create_default_context()
            plain.check_hostname, plain.verify_mode = False, ssl.CERT_NONE  # only: is it the page?
            line = plain.wrap_socket(line)
        with line:
            line.sendall(f"GET /static/{name} HTTP/1.0\r\nHost: {host}\r\n\r\n".encode("ascii"))
            answer = b""
            while len(answer) < 100_000 and (part := line.recv(4096)):
                answer += part
    except OSError:
        return False
    return files(package).joinpath("static", name).read_bytes() in answer
