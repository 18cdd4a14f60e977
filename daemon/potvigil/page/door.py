"""Limits on connections: per network and in total.

Counted at accept, before TLS and HTTP, so that a client that connects and sends nothing counts too.
"""

import ipaddress
import socket
from contextlib import suppress
from typing import Any

# A browser opens up to six connections per host, and each open page holds one of them.
MOST_PER_NETWORK = 32
MOST_CONNECTIONS = 128


def network_of(address: str) -> str:
    """Return the network an address is counted under: for IPv6 its /64, which belongs to one household."""
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
    """A listening socket that accepts at most MOST_PER_NETWORK connections from one network.

    At MOST_CONNECTIONS, the network with the most loses its oldest to a newcomer with fewer, so a flood from
    one network shuts out only itself.
    """

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self._connections: dict[str, list[socket.socket]] = {}  # by network, the oldest first

    def accept(self) -> tuple[socket.socket, Any]:
        """Accept a connection. Raises ConnectionAbortedError beyond a limit, as if the client had hung up."""
        connection, address = super().accept()
        network = network_of(str(address[0]))
        self._forget_closed()
        own = self._connections.setdefault(network, [])
        if len(own) >= MOST_PER_NETWORK or not self._has_room_for(len(own)):
            connection.close()
            raise ConnectionAbortedError(f"{network} holds {len(own)} connections already")
        own.append(connection)
        return connection, address

    def _has_room_for(self, held: int) -> bool:
        """Return whether a network holding that many may connect again; may close another network's."""
        if sum(map(len, self._connections.values())) < MOST_CONNECTIONS:
            return True
        largest = max(self._connections.values(), key=len)
        if len(largest) <= held:
            return False
        with suppress(OSError):  # already closed
            largest.pop(0).shutdown(socket.SHUT_RDWR)
        return True

    def _forget_closed(self) -> None:
        still_open = {
            name: [each for each in held if each.fileno() >= 0] for name, held in self._connections.items()
        }
        self._connections = {name: held for name, held in still_open.items() if held}


def listen(host: str, port: int) -> Door:
    """Return a listening socket. Raises OSError, also if the host cannot be resolved."""
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
