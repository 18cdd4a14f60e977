"""Who gets a connection: a few of each address, a bounded number of all.

Counted where they are accepted, before TLS or HTTP have said a word: who only connects and says nothing
holds a place too.
"""

import ipaddress
import socket
from contextlib import suppress
from typing import Any

# A browser opens six of each page's address and each page that is open holds one of them.
MOST_OF_ONE = 32
MOST_CONNECTIONS = 128


def network_of(address: str) -> str:
    """Return who an address belongs to: of IPv6 its /64, of which one household has every single one."""
    try:
        ip = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.ipv4_mapped is None:
            return str(ipaddress.ip_network((int(ip), 64), strict=False))
        ip = ip.ipv4_mapped
    return str(ip)


class Door(socket.socket):
    """A socket that listens, and accepts no more of one network than MOST_OF_ONE.

    When all places are taken, the network that holds the most gives up its oldest one to who holds fewer: so
    one that fills the house shuts out nobody but itself.
    """

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._inside: dict[str, list[socket.socket]] = {}  # of each network, the oldest first

    def accept(self) -> tuple[socket.socket, Any]:
        """Accept a connection. Raises ConnectionAbortedError for one too many, as for one that went again."""
        connection, address = super().accept()
        network = network_of(str(address[0]))
        self._forget_closed()
        own = self._inside.setdefault(network, [])
        if len(own) >= MOST_OF_ONE or not self._has_room_for(len(own)):
            connection.close()
            raise ConnectionAbortedError(f"{network} holds {len(own)} connections already")
        own.append(connection)
        return connection, address

    def _has_room_for(self, held: int) -> bool:
        """Return whether there is a place for who holds so many; one may be made."""
        if sum(map(len, self._inside.values())) < MOST_CONNECTIONS:
            return True
        crowd = max(self._inside.values(), key=len)
        if len(crowd) <= held:
            return False
        with suppress(OSError):  # gone by itself
            crowd.pop(0).shutdown(socket.SHUT_RDWR)
        return True

    def _forget_closed(self) -> None:
        inside = {name: [each for each in held if each.fileno() >= 0] for name, held in self._inside.items()}
        self._inside = {name: held for name, held in inside.items() if held}


def listen(host: str, port: int) -> Door:
    """Return a socket that listens. Raises OSError, also where the host has no address."""
    family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
    listening = Door(family, kind, protocol)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(MOST_CONNECTIONS)
    except BaseException:
        listening.close()
        raise
    return listening
