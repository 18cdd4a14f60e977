"""Prints where the page is: each address a phone can use, and the first as a code to scan."""

import ipaddress
import ssl
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from potvigil.page.addresses import answers_mdns, own_addresses, own_names

if TYPE_CHECKING:
    from potvigil.page.server import Tls  # needs the page's libraries, which may be missing

_END = "-----END CERTIFICATE-----"


def say_where(host: str, port: int, names: Sequence[str], tls: "Tls | None") -> None:
    """Print the page's addresses. names: those in the settings."""
    scheme = "http" if tls is None else "https"
    own = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)
    print(f"page: {_address(scheme, own, port)}", flush=True)
    hosts = reachable(host, names)
    if tls is not None:
        hosts = _certified(hosts, tls.cert_file)
    addresses = [_address(scheme, each, port) for each in hosts]
    for address in addresses:
        print(f"on a phone: {address}")
    if tls is not None and addresses and authority_of(tls.cert_file) is not None:
        print(f"once on each phone, to trust it: {addresses[0]}authority.crt")
    if not addresses:
        print("on a phone: not yet; page.host 0.0.0.0 and a password open the page to the house")
    elif sys.stdout.isatty():
        _draw(addresses[0])
    sys.stdout.flush()


def reachable(host: str, names: Sequence[str]) -> list[str]:
    """Return the names and addresses by which a phone can reach a page that listens at `host`."""
    try:
        bound = ipaddress.ip_address(host)
    except ValueError:
        return [] if host == "localhost" else [host]
    if bound.is_loopback:
        return []
    addresses = own_addresses()
    if not bound.is_unspecified:
        addresses = [host]
    elif bound.version == 4:
        addresses = [each for each in addresses if ":" not in each]
    local = [each for each in own_names() if each.endswith(".local")] if answers_mdns() else []
    return list(dict.fromkeys([*names, *local, *addresses]))


def authority_of(cert_file: Path) -> bytes | None:
    """Return a certificate's authority as DER: the last in its file, None where there is only one."""
    try:
        text = cert_file.read_text(encoding="ascii")
        blocks = [f"{each}{_END}".strip() for each in text.split(_END)[:-1]]
        return ssl.PEM_cert_to_DER_cert(blocks[-1]) if len(blocks) > 1 else None
    except (OSError, ValueError):
        return None  # reported when the file is used


def _certified(hosts: list[str], cert_file: Path) -> list[str]:
    """Return the hosts the certificate is for, and print whether it must be renewed."""
    from potvigil.page.certificate import CertificateError, can_be_vouched_for, known

    try:
        found = known(cert_file.read_bytes())
    except (CertificateError, OSError):
        return hosts
    now = datetime.now(UTC)
    if found.is_due(now):
        ends = f"{'ended' if found.ends < now else 'ends'} on {found.ends:%-d %B %Y}"
        print(
            f"page.tls: the certificate {ends}; renew it: potvigil page certificate --renew", file=sys.stderr
        )
    left_out = [each for each in hosts if each not in found.names and can_be_vouched_for(each)]
    if left_out:
        print(
            f"page.tls: the certificate is not for {', '.join(left_out)}: potvigil page certificate --renew",
            file=sys.stderr,
        )
    return [each for each in hosts if each in found.names]


def _address(scheme: str, host: str, port: int) -> str:
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/"


def _draw(address: str) -> None:
    import segno

    segno.make(address, error="m", micro=False).terminal(compact=True)
