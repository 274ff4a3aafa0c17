"""An instrument on HiSLIP: written from IVI-6.1 (message header §2, initialisation §6.1, synchronised mode §6.3 and
table of message types), without PyVISA-py's code, which is the other side. Section numbers are from memory.
"""

from __future__ import annotations

import contextlib
import struct
import threading
from typing import Self

from tests.supplies.buses.serving import Gone, Peer, Server
from tests.supplies.buses.station import Station

HEADER = struct.Struct(">2sBBIQ")
INITIALIZE, INITIALIZE_RESPONSE = 0, 1
DATA, DATA_END = 6, 7
CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 8, 9
INTERRUPTED, ASYNC_INTERRUPTED = 13, 14
ASYNC_MAX_SIZE, ASYNC_MAX_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_CLEAR, ASYNC_STATUS, ASYNC_STATUS_RESPONSE, ASYNC_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23
MAX_SIZE = 4096


def message(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    """One message as bytes."""
    return HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


class Session:
    """Two channels of one client."""

    def __init__(self, sync: Peer) -> None:
        self.sync = sync
        self.clearing = threading.Event()


class HislipInstrument:
    """`fragment`: replies are sent in Data messages of so many bytes, and one DataEnd. `stale`: what is sent on the
    synchronous channel before the next reply, as by a server that is a message behind. `pause_s`: between fragments.
    `greeting`: sent to whoever connects, by what is no instrument.
    """

    def __init__(self, station: Station, fragment: int = 0) -> None:
        self.station = station
        self.sessions: dict[int, Session] = {}
        self.stale = b""
        self.pause_s = 0.0
        self.greeting = b""
        self._fragment = fragment
        self._next = 1
        self._ending = threading.Event()
        self.server = Server(self._serve)
        self._replies = threading.Thread(target=self._send_replies)
        self._replies.start()
        station.on_close = self.server.drop_all
        self.resource = f"TCPIP0::127.0.0.1::hislip0,{self.server.port}::INSTR"

    @property
    def connections(self) -> int:
        """How often a session was opened."""
        return self._next - 1

    def _serve(self, peer: Peer) -> None:
        if self.greeting:
            peer.send(self.greeting)
            return
        _, kind, _, parameter, length = HEADER.unpack(peer.receive(HEADER.size))
        payload = peer.receive(length)
        if kind == INITIALIZE:
            assert payload == b"hislip0"
            number, self._next = self._next, self._next + 1
            self.sessions[number] = session = Session(peer)
            peer.send(message(INITIALIZE_RESPONSE, 0, 0x0100 << 16 | number))
            try:
                self._serve_sync(session)
            finally:
                del self.sessions[number]
        elif kind == ASYNC_INITIALIZE and parameter in self.sessions:
            peer.send(message(ASYNC_INITIALIZE_RESPONSE, 0, int.from_bytes(b"\0\0EW", "big")))
            self._serve_async(peer, self.sessions[parameter])

    def _serve_sync(self, session: Session) -> None:
        received = b""
        while True:
            _, kind, _, parameter, length = HEADER.unpack(session.sync.receive(HEADER.size))
            payload = session.sync.receive(length)
            if kind in (DATA, DATA_END) and not session.clearing.is_set():
                received += payload
                if kind == DATA_END:
                    self.station.put(received, (session, parameter))
                    received = b""
            elif kind == CLEAR_COMPLETE:
                received = b""
                session.sync.send(message(CLEAR_ACKNOWLEDGE))
                session.clearing.clear()

    def _send_replies(self) -> None:
        """Each to the session that asked, under the id of the message that asked."""
        while not self._ending.is_set():
            found = self.station.take_for(0.02)
            if found is None:
                continue
            self.station.wait_awake(self._ending.is_set)
            data, (session, number) = found
            step = self._fragment or len(data)
            pieces = [data[at : at + step] for at in range(0, len(data), step)]
            with contextlib.suppress(Gone):
                session.sync.send(self.stale)
                self.stale = b""
                for piece in pieces[:-1]:
                    self._ending.wait(self.pause_s)
                    session.sync.send(message(DATA, 0, number, piece))
                session.sync.send(message(DATA_END, 0, number, pieces[-1]))

    def _serve_async(self, peer: Peer, session: Session) -> None:
        while True:
            _, kind, _, _, length = HEADER.unpack(peer.receive(HEADER.size))
            peer.receive(length)
            if kind == ASYNC_MAX_SIZE:
                peer.send(message(ASYNC_MAX_SIZE_RESPONSE, payload=struct.pack(">Q", MAX_SIZE)))
            elif kind == ASYNC_STATUS:
                peer.send(message(ASYNC_STATUS_RESPONSE, self.station.status()))
            elif kind == ASYNC_CLEAR:
                session.clearing.set()
                self.station.clear()
                peer.send(message(ASYNC_CLEAR_ACKNOWLEDGE))

    def unplug(self) -> None:
        """Every connection drops, and new ones do so at once."""
        self.server.refuses = True
        self.server.drop_all()

    def plug(self) -> None:
        """Connections are taken again."""
        self.server.refuses = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._replies.join(5)
        self.server.close()
