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
        self._joined: list[threading.Thread] = []
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def pull(self) -> None:
        """Break every connection, and every new one, until it is put back."""
        self._is_in = False
        for end in tuple(self._ends):
            _reset(end)

    def put_back(self) -> None:
        """Let connections through again."""
        self._is_in = True

    def close(self) -> None:
        """Stop for good, with nothing left open."""
        _reset(self._listener)  # wakes the thread that waits in accept()
        self._accepting.join()
        self.pull()
        for thread in self._joined:
            thread.join()
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            joining = threading.Thread(target=self._join, args=(near,), daemon=True)
            joining.start()
            self._joined = [thread for thread in (*self._joined, joining) if thread.is_alive()]

    def _join(self, near: socket.socket) -> None:
        with near, suppress(OSError), self._far_end() as far:
            ends = {near, far}
            self._ends |= ends
            if self._is_in:
                back = threading.Thread(target=self._pass_on, args=(far, near), daemon=True)
                back.start()
                self._pass_on(near, far)
                back.join()
            self._ends -= ends

    def _far_end(self) -> socket.socket:
        far = socket.create_connection(("127.0.0.1", self._upstream), timeout=5)
        far.settimeout(None)
        return far

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
