"""The names and addresses by which a phone in the house can reach this machine."""

import array
import fcntl
import ipaddress
import socket
import struct
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

_SIOCGIFCONF = 0x8912  # linux/sockios.h, netdevice(7): list the IPv4 addresses
# struct ifreq, netdevice(7): a name, and a union whose largest member holds two longs. The address follows
# its family and port.
_IFREQ_BYTES, _ADDRESS_AT = 16 + 2 * struct.calcsize("L") + 8, 20
_MOST_INTERFACES = 64
_IF_INET6 = Path("/proc/self/net/if_inet6")
_TEMPORARY, _NOT_TO_USE = 0x01, 0x20 | 0x40 | 0x08  # linux/if_addr.h: deprecated, tentative, duplicate
_MDNS = Path("/run/avahi-daemon/socket")


def own_names() -> list[str]:
    """Return this machine's names on the local network: for multicast DNS (RFC 6762) and a router's DNS."""
    name = socket.gethostname().partition(".")[0].lower()
    return [] if name in ("", "localhost") else [f"{name}.local", name]


def answers_mdns() -> bool:
    """Return whether an mDNS responder here answers for the .local name."""
    return _MDNS.exists()


def own_addresses() -> list[str]:
    """Return the addresses others on the local network can use, IPv4 first; may be empty.

    Uses no netlink socket: the page's systemd unit does not allow one.
    """
    found: list[ipaddress.IPv4Address | ipaddress.IPv6Address] = [*_ipv4(), *_ipv6()]
    return [str(each) for each in dict.fromkeys(found) if not each.is_loopback and not each.is_link_local]


def _ipv4() -> Iterator[ipaddress.IPv4Address]:
    buffer = array.array("B", bytes(_MOST_INTERFACES * _IFREQ_BYTES))
    asked = struct.pack("iP", len(buffer), buffer.buffer_info()[0])
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any_socket:
        (length,) = struct.unpack_from("i", fcntl.ioctl(any_socket, _SIOCGIFCONF, asked))
        for at in range(0, length, _IFREQ_BYTES):
            yield ipaddress.IPv4Address(buffer[at + _ADDRESS_AT : at + _ADDRESS_AT + 4].tobytes())


def _ipv6() -> Iterator[ipaddress.IPv6Address]:
    with suppress(OSError, ValueError):
        for line in _IF_INET6.read_text(encoding="ascii").splitlines():
            address, _, _, _, flags, _ = line.split()
            if not int(flags, 16) & (_TEMPORARY | _NOT_TO_USE):
                yield ipaddress.IPv6Address(int(address, 16))
