"""The live stream: the bench's messages to one page, over a WebSocket.

Each message is one JSON text with a `type`: `bench`, `samples` and `event` come from the bench (of all benches:
`benches`); `beat` comes when there was nothing to say for a second, so that a page that hears nothing for longer knows
that its link is dead.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
from collections.abc import AsyncIterator
from typing import Any, Protocol

from starlette.websockets import WebSocket, WebSocketDisconnect

from benchd.web.port import Refused
from benchd.web.shapes import encode

BEAT_S = 1.0
SEND_S = 10.0
"""A page that takes no data for this long is given up; it reconnects by itself when it wakes."""

CLOSE_TRY_LATER = 1013
"""RFC 6455 registry, "Try Again Later"."""


class Message(dict[str, Any]):
    """A message for many pages: it becomes JSON once, when the first of them is sent it."""

    @functools.cached_property
    def text(self) -> str:
        """As it is sent."""
        return encode(self).decode()


BEAT = Message(type="beat")


class Speaks(Protocol):
    """Whoever has messages for pages."""

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """Messages for one page, each a JSON-able object with `type`."""


async def pump(socket: WebSocket, bench: Speaks, *, beat_s: float = BEAT_S, send_s: float = SEND_S) -> None:
    """Serve one page until it goes. What a page sends is read and ignored."""
    await socket.accept()
    messages = bench.live()
    gone = asyncio.create_task(_until_gone(socket), name="live: page gone")
    pending: asyncio.Task[dict[str, Any] | None] | None = None
    try:
        while not gone.done():
            # The task outlives a beat: cancelling it would end the bench's generator.
            pending = pending or asyncio.create_task(_next(messages), name="live: next message")
            await asyncio.wait({pending, gone}, timeout=beat_s, return_when=asyncio.FIRST_COMPLETED)
            message: dict[str, Any] | None = BEAT
            if pending.done():
                message, pending = pending.result(), None
            if message is None:
                break
            if not gone.done():
                text = message.text if isinstance(message, Message) else encode(message).decode()
                async with asyncio.timeout(send_s):
                    await socket.send_text(text)
        if not gone.done():
            await socket.close(CLOSE_TRY_LATER)
    except Refused:
        await socket.close(CLOSE_TRY_LATER)
    except (WebSocketDisconnect, TimeoutError):
        pass
    finally:
        for task in (gone, pending):
            if task is not None:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, Refused):
                    await task
        close = getattr(messages, "aclose", None)
        if close is not None:
            await close()


async def _until_gone(socket: WebSocket) -> None:
    while (await socket.receive())["type"] != "websocket.disconnect":
        pass


async def _next(messages: AsyncIterator[dict[str, Any]]) -> dict[str, Any] | None:
    return await anext(messages, None)
