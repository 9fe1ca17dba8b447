"""A stretch of network on loopback that can be cut, one way or both, also in mid-packet."""

from __future__ import annotations

import contextlib
import select
import socket
import threading

UP, DOWN = "up", "down"
"""From the client to the broker, and back."""


class Proxy:
    """Forwards each TCP connection to a port of this machine, until a way is cut.

    What comes while a way is cut waits, as in a network that is parted; the end of a connection
    does not pass either.

    Parameters
    ----------
    port : int
        Where to.
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._open = {UP: threading.Event(), DOWN: threading.Event()}
        self._left: dict[str, int | None] = {UP: None, DOWN: None}
        self._ended = threading.Event()
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.mend()
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self, *ways: str) -> None:
        """Forward nothing more these ways."""
        for way in ways or (UP, DOWN):
            self._open[way].clear()

    def cut_after(self, way: str, count: int) -> None:
        """Forward so many more bytes this way, then nothing."""
        self._left[way] = count

    def mend(self) -> None:
        """Forward again, what has waited first."""
        for way in (UP, DOWN):
            self._left[way] = None
            self._open[way].set()

    def end(self) -> None:
        """Close everything."""
        self._ended.set()
        self.mend()
        self._listener.close()
        for pair in self._pairs:
            for end in pair:
                end.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._listener.accept()
                broker = socket.create_connection(("127.0.0.1", self._to))
                self._pairs.append((client, broker))
                for way, source, sink in ((UP, client, broker), (DOWN, broker, client)):
                    source.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    threading.Thread(
                        target=self._forward, args=(way, source, sink), daemon=True
                    ).start()

    def _forward(self, way: str, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError, ValueError):
            while not self._ended.is_set():
                if not select.select([source], [], [], 0.2)[0]:
                    continue
                self._open[way].wait()
                data = source.recv(65536)
                if not data:
                    sink.shutdown(socket.SHUT_WR)
                    return
                self._send(way, data, sink)

    def _send(self, way: str, data: bytes, sink: socket.socket) -> None:
        left = self._left[way]
        if left is not None:
            passed, data = data[:left], data[left:]
            sink.sendall(passed)
            self._left[way] = left - len(passed)
            if data:
                self._open[way].clear()
                self._open[way].wait()
        sink.sendall(data)
