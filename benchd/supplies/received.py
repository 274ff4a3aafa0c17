"""What every wire does with what it received: bodies, texts for errors, times."""

from __future__ import annotations

import time

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import ReplyGarbled


def text(message: bytes) -> str:
    return message.decode("latin-1").strip()


def ms_since(started: float) -> float:
    return (time.monotonic() - started) * 1e3


def body(frame: Frame, got: bytes, size: int) -> bytes:
    """The body of a complete reply of `size` bytes. Raises ReplyError when more than the reply came."""
    if size < len(got):
        raise ReplyError("", got[:80].decode("latin-1"), f"{size} bytes, {len(got) - size} more came")
    return frame.body(got)


def garbled(resource: str, error: ReplyError, asked: bytes, started: float) -> ReplyGarbled:
    what = f"got {error.got!r}, expected {error.expected}"
    return ReplyGarbled(resource, what, text(asked), ms_since(started))


def too_long(got: bytes, frame: Frame) -> ReplyError:
    return ReplyError("", got[:80].decode("latin-1"), f"a complete reply within {frame.longest} bytes")
