"""A network of our own between browser and server, which can be cut at chosen moments.

It passes bytes on in both directions and knows just enough of HTTP/1.1 to see where a request
ends. Every connection carries one request: the answer is sent with ``Connection: close``.
"""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field

CAPTIVE = b"<!doctype html><title>Guest network</title><p>Welcome. Accept the terms to go on."


@dataclass
class Proxy:
    """Listens on a port of its own; `faults` yields what happens to each next request."""

    upstream: int
    faults: Callable[[str], str] = lambda line: "pass"
    seen: list[tuple[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._is_open = True
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._is_open = False
        self._listener.close()

    def _accept(self) -> None:
        while self._is_open:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with closing(connection), suppress(OSError):
            connection.settimeout(30)
            request = read_request(connection)
            if request is None:
                return
            line = request.split(b"\r\n", 1)[0].decode("latin-1").rsplit(" ", 1)[0]
            fault = self.faults(line)
            self.seen.append((line, fault))
            self._act(fault, connection, request)

    def _act(self, fault: str, connection: socket.socket, request: bytes) -> None:
        if fault == "refuse":
            reset(connection)
            return
        if fault == "captive":
            head = f"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: {len(CAPTIVE)}\r\nConnection: close\r\n\r\n"
            connection.sendall(head.encode() + CAPTIVE)
            return
        if fault == "half request":
            with closing(self._upstream()) as upstream:
                upstream.sendall(request[: len(request) * 2 // 3])
            reset(connection)
            return
        with closing(self._upstream()) as upstream:
            upstream.sendall(request)
            answer = b"".join(chunks(upstream))
        if fault == "lose answer":  # the server has done its work
            reset(connection)
        elif fault == "half answer":
            connection.sendall(answer[: len(answer) // 2])
            reset(connection)
        elif fault == "twice":
            with closing(self._upstream()) as upstream:
                upstream.sendall(request)
                connection.sendall(b"".join(chunks(upstream)))
        else:
            if fault == "slow":
                time.sleep(0.3)
            connection.sendall(answer)

    def _upstream(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.upstream), timeout=30)


def read_request(connection: socket.socket) -> bytes | None:
    """One whole request, told to close the connection after it; None when none came."""
    data = b""
    while b"\r\n\r\n" not in data:
        more = connection.recv(65536)
        if not more:
            return None
        data += more
    head, body = data.split(b"\r\n\r\n", 1)
    lines = head.split(b"\r\n")
    length = next(
        (
            int(line.split(b":", 1)[1])
            for line in lines
            if line.lower().startswith(b"content-length:")
        ),
        0,
    )
    while len(body) < length:
        more = connection.recv(65536)
        if not more:
            return None
        body += more
    kept = [line for line in lines if not line.lower().startswith(b"connection:")]
    return b"\r\n".join([*kept, b"Connection: close"]) + b"\r\n\r\n" + body


def chunks(connection: socket.socket) -> Iterator[bytes]:
    while more := connection.recv(65536):
        yield more


def reset(connection: socket.socket) -> None:
    """Cut without a goodbye, as a dropped network does."""
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
