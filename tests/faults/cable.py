"""A network cable between two processes that can be pulled out and put back."""

import socket
import threading
from contextlib import suppress


class Cable:
    """Passes bytes on from a port of its own to another, and knows nothing of what they mean."""

    def __init__(self, upstream: int, *, host: str = "127.0.0.1") -> None:
        self._upstream = upstream
        self._is_in = True
        self._ends: set[socket.socket] = set()
        self._listener = socket.create_server((host, 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def pull(self) -> None:
        """Break every connection, and every new one, until it is put back."""
        self._is_in = False
        for end in tuple(self._ends):
            _reset(end)

    def put_back(self) -> None:
        """Let connections through again."""
        self._is_in = True

    def close(self) -> None:
        """Stop for good."""
        self._listener.close()
        self.pull()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._join, args=(near,), daemon=True).start()

    def _join(self, near: socket.socket) -> None:
        far = None
        with suppress(OSError):
            far = socket.create_connection(("127.0.0.1", self._upstream), timeout=5)
            far.settimeout(None)
        if far is None or not self._is_in:
            for end in (near, far):
                if end is not None:
                    _reset(end)
            return
        self._ends |= {near, far}
        back = threading.Thread(target=self._pass_on, args=(far, near), daemon=True)
        back.start()
        self._pass_on(near, far)
        back.join()
        self._ends -= {near, far}
        near.close()
        far.close()

    def _pass_on(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while self._is_in and (data := source.recv(65536)):
                target.sendall(data)
        for end in (source, target):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


def _reset(end: socket.socket) -> None:
    """Wake whoever waits for bytes, so that both sides see the connection break."""
    with suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
