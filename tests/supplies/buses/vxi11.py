"""An instrument on VXI-11: a port mapper and a core channel, over ONC RPC with record marking.

Written from RFC 5531 (RPC, §8.2 call and reply, §11 record marking), RFC 4506 (XDR), RFC 1833 §3 (port mapper,
GETPORT), and VXI-11 rev. 1.0 (§B.6, the core channel's calls). It shares no code with PyVISA-py, which is the other
side.
"""

from __future__ import annotations

import struct
from typing import Self

from tests.supplies.buses.serving import Peer, Server
from tests.supplies.buses.station import Station

PORT_MAPPER, CORE = 100000, 0x0607AF
GETPORT = 3
CREATE_LINK, WRITE, READ, READ_STB, CLEAR, DESTROY_LINK = 10, 11, 12, 13, 15, 23
NO_ERROR, BAD_LINK, NOT_SUPPORTED, IO_TIMEOUT = 0, 4, 8, 15
REQUEST_COUNT, END = 1, 4
END_FLAG = 8
ACCEPTED_OK = struct.pack(">III", 0, 0, 0)  # a verifier of no kind, and SUCCESS
NO_SUCH_PROCEDURE = struct.pack(">III", 0, 0, 3)


class Arguments:
    """XDR values, read one after another."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def word(self) -> int:
        (value,) = struct.unpack_from(">I", self._data, self._at)
        self._at += 4
        return int(value)

    def opaque(self) -> bytes:
        length = self.word()
        value = self._data[self._at : self._at + length]
        self._at += (length + 3) // 4 * 4
        return value


def opaque(data: bytes) -> bytes:
    """As XDR: length, bytes, zeros up to a multiple of four."""
    return struct.pack(">I", len(data)) + data + b"\0" * (-len(data) % 4)


def receive_call(peer: Peer) -> tuple[int, int, int, Arguments]:
    """One call: transaction, program, procedure, its arguments."""
    record = b""
    last = False
    while not last:
        (mark,) = struct.unpack(">I", peer.receive(4))
        last = bool(mark & 0x80000000)
        record += peer.receive(mark & 0x7FFFFFFF)
    arguments = Arguments(record)
    transaction, kind, version = arguments.word(), arguments.word(), arguments.word()
    assert (kind, version) == (0, 2)
    program, _, procedure = arguments.word(), arguments.word(), arguments.word()
    for _ in range(2):  # credentials and verifier
        arguments.word()
        arguments.opaque()
    return transaction, program, procedure, arguments


def reply(peer: Peer, transaction: int, body: bytes) -> None:
    """An accepted reply, as one last fragment."""
    record = struct.pack(">III", transaction, 1, 0) + body
    peer.send(struct.pack(">I", len(record) | 0x80000000) + record)


class Vxi11Instrument:
    """`resource` names the core channel's port; `mapped` goes through the port mapper, which is at `mapper.port`."""

    def __init__(self, station: Station, max_receive: int = 4096) -> None:
        self.station = station
        self.links: set[int] = set()
        self.calls: list[int] = []
        self._next_link = 1
        self._max_receive = max_receive
        self.core = Server(self._serve_core)
        self.mapper = Server(self._serve_mapper)
        station.on_close = self.core.drop_all
        self.resource = f"TCPIP0::127.0.0.1,{self.core.port}::inst0::INSTR"
        self.mapped = "TCPIP0::127.0.0.1::inst0::INSTR"

    def _serve_mapper(self, peer: Peer) -> None:
        while True:
            transaction, program, procedure, arguments = receive_call(peer)
            assert (program, procedure) == (PORT_MAPPER, GETPORT)
            wanted = arguments.word()
            port = self.core.port if wanted == CORE else 0
            reply(peer, transaction, ACCEPTED_OK + struct.pack(">I", port))

    def _serve_core(self, peer: Peer) -> None:
        while True:
            transaction, program, procedure, arguments = receive_call(peer)
            assert program == CORE
            self.calls.append(procedure)
            if procedure != WRITE and self.station.hangs():
                self.station.wait_awake(peer.gone)
            body = self._answer(peer, procedure, arguments)
            reply(peer, transaction, NO_SUCH_PROCEDURE if body is None else ACCEPTED_OK + body)

    def _answer(self, peer: Peer, procedure: int, arguments: Arguments) -> bytes | None:
        if procedure == CREATE_LINK:
            arguments.word(), arguments.word(), arguments.word()  # client, lock, lock's time-out
            assert arguments.opaque() == b"inst0"
            link, self._next_link = self._next_link, self._next_link + 1
            self.links.add(link)
            return struct.pack(">IIII", NO_ERROR, link, 0, self._max_receive)
        link = arguments.word()
        if link not in self.links:
            return {WRITE: struct.pack(">II", BAD_LINK, 0), READ: struct.pack(">III", BAD_LINK, 0, 0)}.get(
                procedure, struct.pack(">I", BAD_LINK)
            )
        if procedure == WRITE:
            return self._write(arguments)
        if procedure == READ:
            return self._read(peer, arguments)
        if procedure == READ_STB:
            return struct.pack(">II", NO_ERROR, self.station.status())
        if procedure == CLEAR:
            self.station.clear()
            return struct.pack(">I", NO_ERROR)
        if procedure == DESTROY_LINK:
            self.links.discard(link)
            return struct.pack(">I", NO_ERROR)
        return None

    def _write(self, arguments: Arguments) -> bytes:
        _, _, flags = arguments.word(), arguments.word(), arguments.word()
        data = arguments.opaque()
        assert flags & END_FLAG
        self.station.put(data)
        return struct.pack(">II", NO_ERROR, len(data))

    def _read(self, peer: Peer, arguments: Arguments) -> bytes:
        size, timeout_ms = arguments.word(), arguments.word()
        data = self.station.take(timeout_ms / 1e3, peer.gone)
        if self.station.hangs():
            self.station.wait_awake(peer.gone)
        if data is None:
            return struct.pack(">II", IO_TIMEOUT, 0) + opaque(b"")
        if len(data) > size:
            self.station.put_back(data[size:])
            return struct.pack(">II", NO_ERROR, REQUEST_COUNT) + opaque(data[:size])
        return struct.pack(">II", NO_ERROR, END) + opaque(data)

    def unplug(self) -> None:
        """Every connection drops, and new ones do so at once."""
        self.core.refuses = True
        self.core.drop_all()

    def plug(self) -> None:
        """Connections are taken again."""
        self.core.refuses = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.core.close()
        self.mapper.close()
