"""Frames on the guard's socket: a 4-byte little-endian length, then one msgpack object. No I/O here.

Bytes go in by `Decoder.feed`, whole messages come out; an unfinished frame waits for more bytes. Anything that is
not a frame of ours raises `FramingError` and no other error, and the stream is then beyond repair: after a wrong
length nobody can say where the next frame begins.
"""

from __future__ import annotations

from typing import Any, Generic, TypeVar

import msgspec

from benchd.guard.wire import Command, Report

T = TypeVar("T")

MAX_FRAME_BYTES = 4 * 1024 * 1024
"""The largest honest frame is a block of a full ring: 8192 readings of 26 bytes, 213 kB. 4 MiB leaves room for a
larger ring and still refuses a length made of garbage before memory is set aside for it."""

_PREFIX = 4
_encoder = msgspec.msgpack.Encoder()


class FramingError(Exception):
    """The bytes are not a frame of ours."""


def encode(message: Command | Report) -> bytes:
    """One message as a frame. Raises FramingError when it is larger than MAX_FRAME_BYTES."""
    body = _encoder.encode(message)
    if len(body) > MAX_FRAME_BYTES:
        raise FramingError(f"{type(message).__name__} of {len(body)} bytes is above the cap of {MAX_FRAME_BYTES} bytes")
    return len(body).to_bytes(_PREFIX, "little") + body


class Decoder(Generic[T]):
    """Takes bytes as they come and gives messages of the union it was made for."""

    def __init__(self, kind: Any) -> None:
        self._decoder: msgspec.msgpack.Decoder[T] = msgspec.msgpack.Decoder(kind)
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[T]:
        """The messages completed by `data`, in order. Raises FramingError; feed nothing more after that."""
        buffer = self._buffer
        buffer += data
        messages: list[T] = []
        start = 0
        while len(buffer) - start >= _PREFIX:
            length = int.from_bytes(buffer[start : start + _PREFIX], "little")
            if length > MAX_FRAME_BYTES:
                raise FramingError(f"a frame of {length} bytes was announced, the cap is {MAX_FRAME_BYTES} bytes")
            end = start + _PREFIX + length
            if len(buffer) < end:
                break
            try:
                messages.append(self._decoder.decode(bytes(buffer[start + _PREFIX : end])))
            except (msgspec.DecodeError, UnicodeDecodeError) as error:
                raise FramingError(f"a frame of {length} bytes is not a message of ours: {error}") from error
            start = end
        del buffer[:start]
        return messages


def command_decoder() -> Decoder[Command]:
    """For the guard's end."""
    return Decoder(Command)


def report_decoder() -> Decoder[Report]:
    """For the daemon's end."""
    return Decoder(Report)
