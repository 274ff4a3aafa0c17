"""Stands between the daemon and the simulated supply, so that the line itself can fail.

On the daemon's side it is a TCP port, or a serial port: a pseudo terminal behind a link in the file system, as a USB
adapter is. Towards the supply it is a TCP connection for each one of the daemon.
"""

from __future__ import annotations

import contextlib
import os
import queue
import selectors
import socket
import threading
import tty
from collections.abc import Callable
from pathlib import Path

CHUNK = 65536
AGAIN_S = 0.05
"""How often a serial line looks whether its supply is back, s."""


class Relay:
    """`serial`: path of the link that the serial port stands behind; None for a TCP port.

    The line works until one of the methods says otherwise; each of them has taken effect when it returns.
    """

    def __init__(self, supply_port: int, serial: Path | None = None) -> None:
        self._supply_port = supply_port
        self._serial = serial
        self._selector = selectors.DefaultSelector()
        self._silent = False
        self._terminal: tuple[int, int] | None = None
        self._supply: dict[int, socket.socket] = {}
        """The supply's end, by the descriptor of the daemon's end."""
        self._daemon: dict[int, int | socket.socket] = {}
        """Every end of the daemon that is open, by its descriptor; those of a forgotten connection too."""
        self._orders: queue.Queue[tuple[Callable[[], None], threading.Event]] = queue.Queue()
        self._wake_out, self._wake_in = socket.socketpair()
        self._selector.register(self._wake_out, selectors.EVENT_READ)
        self._listener: socket.socket | None = None
        if serial is None:
            self._listener = socket.create_server(("127.0.0.1", 0))
            self._selector.register(self._listener, selectors.EVENT_READ)
            self.resource = f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        else:
            self.resource = f"ASRL{serial}::INSTR"
            self._plug()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)
        self._thread.start()

    # ---- what happens to the line -----------------------------------------------------------------------------

    def black_hole(self) -> None:
        """From now on not a byte goes through; connections stay open, new ones are accepted and as silent."""
        self._do(self._silence)

    def half_open(self) -> None:
        """The supply's end forgets its connections; the daemon's end sees nothing of it. New connections work."""
        self._do(self._forget)

    def unplug(self) -> None:
        """The serial port is gone, as when a USB adapter is pulled."""
        self._do(self._pull)

    def mend(self) -> None:
        """All as it was: the line works, the serial port is there."""
        self._do(self._restore)

    def close(self) -> None:
        """End the thread and close everything."""
        self._do(self._end)
        self._thread.join()

    # ---- in the thread ----------------------------------------------------------------------------------------

    def _do(self, order: Callable[[], None]) -> None:
        done = threading.Event()
        self._orders.put((order, done))
        self._wake_in.send(b"o")
        assert done.wait(5), "the relay's thread has ended"

    def _run(self) -> None:
        while not self._ended:
            alone = self._terminal is not None and self._terminal[0] not in self._supply
            if alone and not self._silent:
                self._dial(self._terminal[0])  # a serial line stays while the supply is away
            for key, _ in self._selector.select(AGAIN_S if alone else None):
                if key.fileobj is self._wake_out:
                    self._wake_out.recv(CHUNK)
                elif key.fileobj is self._listener:
                    self._accept()
                elif not self._silent and key.fd in self._selector.get_map():
                    self._carry(key.fd, key.data)
            while not self._orders.empty():
                order, done = self._orders.get()
                order()
                done.set()

    def _accept(self) -> None:
        assert self._listener is not None
        client = self._listener.accept()[0]
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._join(client.fileno(), client)

    def _join(self, fd: int, end: int | socket.socket) -> None:
        """Join an end of the daemon to a connection of its own to the supply."""
        self._daemon[fd] = end
        self._selector.register(fd, selectors.EVENT_READ, fd)
        if not self._dial(fd) and isinstance(end, socket.socket):
            self._hang_up(fd)

    def _dial(self, fd: int) -> bool:
        try:
            supply = socket.create_connection(("127.0.0.1", self._supply_port), 1)
        except OSError:
            return False
        supply.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._supply[fd] = supply
        self._selector.register(supply, selectors.EVENT_READ, fd)
        return True

    def _carry(self, fd: int, daemon: int) -> None:
        """Hand on what has come in at `fd`; where one end has closed, close the other."""
        supply = self._supply.get(daemon)
        try:
            data = os.read(fd, CHUNK)
            if not data:
                raise ConnectionError
            if supply is not None:
                os.write(supply.fileno() if fd == daemon else daemon, data)
        except OSError:
            self._hang_up(daemon)

    def _hang_up(self, fd: int) -> None:
        """Close the supply's end, and the daemon's, if that is a socket."""
        supply = self._supply.pop(fd, None)
        if supply is not None:
            self._selector.unregister(supply)
            supply.close()
        end = self._daemon[fd]
        if isinstance(end, socket.socket):
            with contextlib.suppress(KeyError):
                self._selector.unregister(fd)
            end.close()
            del self._daemon[fd]

    def _silence(self) -> None:
        self._silent = True

    def _forget(self) -> None:
        for fd, supply in self._supply.items():
            self._selector.unregister(fd)
            self._selector.unregister(supply)
            supply.close()
        self._supply.clear()

    def _pull(self) -> None:
        assert self._serial is not None
        assert self._terminal is not None
        terminal, self._terminal = self._terminal, None
        self._hang_up(terminal[0])
        self._selector.unregister(terminal[0])
        del self._daemon[terminal[0]]
        for fd in terminal:
            os.close(fd)
        self._serial.unlink()

    def _plug(self) -> None:
        assert self._serial is not None
        self._terminal = controller, client = os.openpty()
        tty.setraw(client)  # kept open here as well, or reading would fail whenever the daemon has it closed
        self._serial.symlink_to(os.ttyname(client))
        self._join(controller, controller)

    def _restore(self) -> None:
        self._silent = False
        if self._serial is not None and self._terminal is None:
            self._plug()

    def _end(self) -> None:
        self._ended = True
        if self._terminal is not None:
            self._pull()
        for fd in list(self._daemon):
            self._hang_up(fd)
        with contextlib.suppress(OSError):
            if self._listener is not None:
                self._listener.close()
        self._selector.close()
