"""The gate in front of every request: who may ask, how much they may send, and the headers that go back.

A page of a stranger, open in the same browser, must not be able to switch an output: it can neither name us by a host
name of its own (DNS rebinding) nor send from its own origin (cross-site request, cross-site WebSocket).
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchd.web.errors import ApiError, body

BODY_LIMIT = 64 * 1024
SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}
HOST = re.compile(r"(?:\[(?P<v6>[0-9a-fA-F:.]+)\]|(?P<name>[A-Za-z0-9._-]+))(?::\d{1,5})?")
ORIGIN = re.compile(r"https?://([^/\s]+)")


class Gate:
    """ASGI middleware. `allowed_hosts`: names beside the loopback ones by which the bench may be called."""

    def __init__(self, app: ASGIApp, allowed_hosts: Iterable[str] = ()) -> None:
        self._app = app
        self._allowed = frozenset(h.lower().rstrip(".") for h in allowed_hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        send = _with_headers(scope, headers.get("host", ""), send)
        try:
            self._check_host(headers)
            if scope["type"] == "websocket" or scope["method"] not in SAFE_METHODS:
                _check_origin(headers)
            if scope["type"] == "http":
                receive = await _whole_body(headers, receive)
        except ApiError as e:
            await _refuse(scope, receive, send, e)
            return
        await self._app(scope, receive, send)

    def _check_host(self, headers: Headers) -> None:
        host = headers.get("host", "")
        match = HOST.fullmatch(host)
        name = (match["v6"] or match["name"]).lower().rstrip(".") if match else ""
        if match and len(headers.getlist("host")) == 1 and (_is_loopback(name) or name in self._allowed):
            return
        allowed = ", ".join(["localhost", "loopback addresses", *sorted(self._allowed)])
        raise ApiError(403, "wrong-host", f"the bench is not called {host!r}; allowed: {allowed}", "header Host")


def _is_loopback(name: str) -> bool:
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _check_origin(headers: Headers) -> None:
    # A browser always sends Origin with these; a program without one (curl, the CLI) is not steered by a foreign page.
    for origin in headers.getlist("origin"):
        match = ORIGIN.fullmatch(origin)
        if not match or match[1].lower() != headers["host"].lower():
            raise ApiError(
                403, "wrong-origin", f"asked from {origin!r}; only the bench's own page may do this", "header Origin"
            )


async def _whole_body(headers: Headers, receive: Receive) -> Receive:
    """Read the body up to the limit, and hand it on in one piece."""
    declared = headers.get("content-length", "0")
    if declared.isascii() and declared.isdigit() and int(declared) > BODY_LIMIT:
        raise _too_large(declared)
    data = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            break
        data += message.get("body", b"")
        if len(data) > BODY_LIMIT:
            raise _too_large(f"over {BODY_LIMIT}")
        if not message.get("more_body", False):
            message = {"type": "http.request", "body": bytes(data), "more_body": False}
            break
    waiting: list[Message] = [message]

    async def replay() -> Message:
        return waiting.pop() if waiting else await receive()

    return replay


def _too_large(size: str) -> ApiError:
    return ApiError(413, "too-large", f"the body has {size} bytes; allowed are {BODY_LIMIT}", "body")


def _with_headers(scope: Scope, host: str, send: Send) -> Send:
    # 'self' should cover the WebSocket too, but browsers of older tablets want its address spelt out.
    sockets = f" ws://{host} wss://{host}" if HOST.fullmatch(host) else ""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        f"connect-src 'self'{sockets}; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    )
    is_api = scope["path"].startswith("/api/")

    async def wrapped(message: Message) -> None:
        if message["type"] in ("http.response.start", "websocket.http.response.start"):
            headers = MutableHeaders(scope=message)
            headers["Content-Security-Policy"] = policy
            headers["X-Content-Type-Options"] = "nosniff"
            headers["X-Frame-Options"] = "DENY"
            # Not no-referrer: with it a browser calls the origin of our own form `null` (Fetch standard, "append a
            # request Origin header").
            headers["Referrer-Policy"] = "same-origin"
            headers["Cross-Origin-Opener-Policy"] = "same-origin"
            headers["Cross-Origin-Resource-Policy"] = "same-origin"
            # The page's files are asked for again each time and answered with 304: an update is never half seen.
            headers["Cache-Control"] = "no-store" if is_api else "no-cache"
        await send(message)

    return wrapped


async def _refuse(scope: Scope, receive: Receive, send: Send, e: ApiError) -> None:
    if scope["type"] == "http" or "websocket.http.response" in scope.get("extensions", {}):
        await JSONResponse(body(e.code, e.message, e.where), e.status)(scope, receive, send)
    else:
        await send({"type": "websocket.close", "code": 1008, "reason": e.code})
