"""The way to a server of this machine, which can be cut."""

import select
import socket
import threading
from contextlib import suppress


class Way:
    """The way to a server, which can be cut: a relay on a loopback port. carried: bytes, both ways."""

    def __init__(self, to_port: int) -> None:
        self._to_port, self._is_cut, self.carried = to_port, False, 0
        self._listening = socket.create_server(("127.0.0.1", 0), backlog=64)
        self.port = self._listening.getsockname()[1]
        self._pairs: set[tuple[socket.socket, socket.socket]] = set()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        self._is_cut = True
        for pair in list(self._pairs):
            _close(pair)

    def mend(self) -> None:
        self._is_cut = False

    def _accept(self) -> None:
        while True:
            here, _ = self._listening.accept()
            if self._is_cut:
                here.close()
                continue
            try:
                pair = here, socket.create_connection(("127.0.0.1", self._to_port))
            except OSError:
                here.close()
                continue
            self._pairs.add(pair)
            threading.Thread(target=self._relay, args=(pair,), daemon=True).start()

    def _relay(self, pair: tuple[socket.socket, socket.socket]) -> None:
        other = {pair[0]: pair[1], pair[1]: pair[0]}
        with suppress(OSError, ValueError):
            while True:
                for each in select.select(pair, (), ())[0]:
                    data = each.recv(1 << 16)
                    if not data:
                        raise OSError
                    other[each].sendall(data)
                    self.carried += len(data)
        _close(pair)
        self._pairs.discard(pair)


def _close(pair: tuple[socket.socket, socket.socket]) -> None:
    for each in pair:
        with suppress(OSError):
            each.shutdown(socket.SHUT_RDWR)
        each.close()
