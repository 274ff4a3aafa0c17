"""The gate in front of every request: who may ask, how much they may send, and the headers that go back.

A page of a stranger, open in the same browser, must not be able to switch an output: it can neither name us by a host
name of its own (DNS rebinding) nor send from its own origin (cross-site request, cross-site WebSocket). Who is let in,
and what they may do, is decided here before any route is asked: `access`, by what `rights` says.
"""

from __future__ import annotations

import asyncio
import ipaddress
import re
from collections.abc import Awaitable, Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchd.settings_web import is_loopback
from benchd.web.access import Access, encrypted
from benchd.web.access_routes import SESSION_KEY
from benchd.web.caller import SCOPE_KEY
from benchd.web.errors import ApiError, body
from benchd.web.rights import SAFE_METHODS, Need, body_limit, need_of
from benchd.web.sessions import Session

BODY_S = 60.0
"""How long a body may take to come, s: 12 MB by a weak wireless link of 2 Mbit/s. Who is slower is not waited for."""
CLOSE_SIGN_IN = 4401
"""Of a stream whose session has ended (RFC 6455, 7.4.2: 4000 to 4999 are ours), after the HTTP status."""
HOST = re.compile(r"(?:\[(?P<v6>[0-9a-fA-F:.]+)\]|(?P<name>[A-Za-z0-9._-]+))(?::\d{1,5})?")
ORIGIN = re.compile(r"(?P<scheme>https?)://(?P<host>[^/\s]+)")


class Gate:
    """ASGI middleware. `allowed_hosts`: names beside the loopback ones and its own addresses by which the bench may be
    called."""

    def __init__(self, app: ASGIApp, access: Access, allowed_hosts: Iterable[str] = ()) -> None:
        self._app = app
        self._access = access
        self._allowed = frozenset(h.lower().rstrip(".") for h in allowed_hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        send = _with_headers(scope, headers.get("host", ""), send)
        try:
            session = self._check(scope, headers)
            if scope["type"] == "http":
                receive = await _whole_body(headers, receive, body_limit(scope["path"]))
        except ApiError as e:
            await _refuse(scope, receive, send, e)
            return
        if scope["type"] == "websocket" and session is not None:
            await self._while_signed_in(session, scope, receive, send)
        else:
            await self._app(scope, receive, send)

    def _check(self, scope: Scope, headers: Headers) -> Session | None:
        """Lets in, or raises ApiError; writes who asks into the scope."""
        self._check_host(scope, headers)
        method = scope["method"] if scope["type"] == "http" else "GET"
        if scope["type"] == "websocket" or method not in SAFE_METHODS:
            _check_origin(headers, encrypted(scope))
        need = need_of(method, scope["path"])
        visitor = self._access.let_in(scope, headers, need if scope["type"] == "http" else max(need, Need.LOOK))
        if visitor is None:
            return None
        scope[SCOPE_KEY], scope[SESSION_KEY] = visitor.caller, visitor.session
        return visitor.session

    async def _while_signed_in(self, session: Session, scope: Scope, receive: Receive, send: Send) -> None:
        """A stream ends with the session that it was opened by."""
        stream = asyncio.create_task(_until_done(self._app(scope, receive, send)), name="stream of a session")
        over = asyncio.create_task(session.ended.wait(), name="end of a session")
        tasks = {stream, over}
        try:
            left_s = max(0.0, self._access.sessions.left_s(session))
            await asyncio.wait(tasks, timeout=left_s, return_when=asyncio.FIRST_COMPLETED)
        finally:
            done = stream.done()
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        if done:
            stream.result()
        else:
            await send({"type": "websocket.close", "code": CLOSE_SIGN_IN, "reason": "sign-in"})

    def _check_host(self, scope: Scope, headers: Headers) -> None:
        host = headers.get("host", "")
        match = HOST.fullmatch(host)
        name = (match["v6"] or match["name"]).lower().rstrip(".") if match else ""
        ours = is_loopback(name) or name in self._allowed or _is_where_it_came(name, scope)
        if match and len(headers.getlist("host")) == 1 and ours:
            return
        allowed = ", ".join(["localhost", "this machine's addresses", *sorted(self._allowed)])
        raise ApiError(
            403, "wrong-host",
            f"the bench is not called {host!r}; allowed: {allowed} (`names` in the settings' [web])", "header Host",
        )  # fmt: skip


def _is_where_it_came(name: str, scope: Scope) -> bool:
    """Whether a host is the very address at which the request came in: no name, so nobody can rebind it."""
    try:
        address = ipaddress.ip_address(name)
        here = ipaddress.ip_address((scope.get("server") or ("",))[0])
    except ValueError:
        return False
    return address in (here, getattr(here, "ipv4_mapped", None))


async def _until_done(app: Awaitable[None]) -> None:
    await app


def _check_origin(headers: Headers, tls: bool) -> None:
    # A page that came in the clear may be made by whoever sits in between: it may not act where that is encrypted.
    # The other way round a proxy in front of us does the encrypting.
    schemes = ("https",) if tls else ("http", "https")
    # A browser always sends Origin with these; a program without one (curl, the CLI) is not steered by a foreign page.
    for origin in headers.getlist("origin"):
        match = ORIGIN.fullmatch(origin)
        if not match or match["scheme"] not in schemes or match["host"].lower() != headers["host"].lower():
            raise ApiError(
                403, "wrong-origin", f"asked from {origin!r}; only the bench's own page may do this", "header Origin"
            )


async def _whole_body(headers: Headers, receive: Receive, most: int) -> Receive:
    """Read the body up to the limit, bytes, and hand it on in one piece."""
    declared = headers.get("content-length", "0")
    if declared.isascii() and declared.isdigit() and int(declared) > most:
        raise _too_large(declared, most)
    try:
        async with asyncio.timeout(BODY_S):
            message = await _read(receive, most)
    except TimeoutError:
        raise ApiError(408, "too-slow", f"the body did not come within {BODY_S:g} s", "body") from None
    waiting: list[Message] = [message]

    async def replay() -> Message:
        return waiting.pop() if waiting else await receive()

    return replay


async def _read(receive: Receive, most: int) -> Message:
    data = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return message
        data += message.get("body", b"")
        if len(data) > most:
            raise _too_large(f"over {most}", most)
        if not message.get("more_body", False):
            return {"type": "http.request", "body": bytes(data), "more_body": False}


def _too_large(size: str, most: int) -> ApiError:
    return ApiError(413, "too-large", f"the body has {size} bytes; allowed are {most}", "body")


def _with_headers(scope: Scope, host: str, send: Send) -> Send:
    # 'self' should cover the WebSocket too, but browsers of older tablets want its address spelt out.
    sockets = f" ws://{host} wss://{host}" if HOST.fullmatch(host) else ""
    policy = (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'none'; "
        "manifest-src 'self'; worker-src 'self'; "
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
        await JSONResponse(body(e.code, e.message, e.where), e.status, e.headers)(scope, receive, send)
    else:
        await send({"type": "websocket.close", "code": 1008, "reason": e.code})
