"""Who is let in, as whom: by a token, by a cookie of a session, by the secret of a command, or as whoever is here.

Where no token is named in the settings, which is only allowed on loopback, everybody on this machine is an operator.
"""

from __future__ import annotations

import asyncio
import dataclasses
import ipaddress
import logging
from collections.abc import Callable, Mapping
from typing import Any

from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.types import Scope

from benchd.tokens import hash_of, same
from benchd.web.caller import COMMAND_LINE, THIS_MACHINE, Caller
from benchd.web.errors import ApiError
from benchd.web.pairing import Pairings
from benchd.web.rates import Rates
from benchd.web.rights import Need, may
from benchd.web.sessions import Session, Sessions

logger = logging.getLogger(__name__)

TRIES_AT_ONCE, TRIES_PER_S = 10, 1 / 6
"""Of signing in, for each address. Our choice: who mistypes does not notice, and a code's 50 bits stay unguessed."""
CHANGES_AT_ONCE, CHANGES_PER_S = 200, 20.0
"""Of requests that change something, for each caller. Our choice: more than two hands and a script can mean."""
TOLD_AT_ONCE, TOLD_PER_S = 20, 1 / 30
"""Of refusals in the journal: a stranger who tries all night must not fill the log."""


@dataclasses.dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody who was let in, and by which session, if by one."""

    caller: Caller
    session: Session | None = None


class Access:
    """Decides. Lives in the event loop.

    `tokens`: who comes in by the token of this hash; None: no token is asked for. `sessions`: of earlier runs, too.
    `local_secret`: what commands of the daemon's own user show. `tell`: gets what happened, for the journal.
    `keep`: stores the sessions' text; called in another thread, may raise OSError.
    """

    def __init__(
        self,
        tokens: Mapping[str, Caller] | None,
        sessions: Sessions | None = None,
        *,
        local_secret: str = "",
        tell: Callable[[dict[str, Any]], None] = lambda told: None,
        keep: Callable[[str], None] = lambda text: None,
        addresses: Callable[[], list[str]] = list,
    ) -> None:
        self._tokens = tokens
        self._local = hash_of(local_secret) if local_secret else ""
        self.sessions = sessions or Sessions(3600.0)
        self.pairings = Pairings()
        self.addresses = addresses
        """The page's addresses, as a phone may call it."""
        self.tries = Rates(TRIES_AT_ONCE, TRIES_PER_S)
        self.changes = Rates(CHANGES_AT_ONCE, CHANGES_PER_S)
        self._told = Rates(TOLD_AT_ONCE, TOLD_PER_S)
        self._tell, self._keep = tell, keep
        self._keeping = asyncio.Lock()

    @property
    def open(self) -> bool:
        """Nobody needs to sign in."""
        return self._tokens is None

    # ---- each request --------------------------------------------------------------------------------------------

    def let_in(self, scope: Scope, headers: Headers, need: Need) -> Visitor | None:
        """Who asks, where they may do what needs this; None where anybody may, known or not.

        Raises ApiError 401, 403 or 429.
        """
        if need is Need.NOBODY:
            return None
        visitor = self._known(scope, headers)
        if visitor is None:
            raise self._stranger(scope, headers)
        if visitor.session is not None and self.sessions.left_s(visitor.session) <= 0 and need is not Need.OFF:
            raise unknown("the time of this session is over: sign in again (only switching off still works)")
        if not may(visitor.caller, need):
            raise ApiError(
                403, "not-allowed",
                f"{visitor.caller.name!r} is let in as {visitor.caller.role}, and this needs an operator: a viewer may "
                "look, and switch off", "role",
            )  # fmt: skip
        if need is Need.CHANGE and scope["type"] == "http" and scope["method"] not in ("GET", "HEAD"):
            wait_s = self.changes.take(f"{visitor.caller.name}\n{peer_of(scope)}")
            if wait_s:
                raise too_often("changes", wait_s)
        return visitor

    def _known(self, scope: Scope, headers: Headers) -> Visitor | None:
        shown = bearer(headers)
        if shown is not None and (caller := self.by_token(shown) or self._by_local_secret(shown, scope)):
            return Visitor(caller)
        session = self._by_cookie(scope, headers) if shown is None and not self.open else None
        if session is not None:
            return Visitor(session.caller, session)
        return Visitor(THIS_MACHINE) if self.open else None

    def by_token(self, token: str) -> Caller | None:
        """Whose token this is."""
        hashed, found = hash_of(token), None
        for each, caller in (self._tokens or {}).items():
            found = caller if same(each, hashed) else found
        return found

    def _by_local_secret(self, shown: str, scope: Scope) -> Caller | None:
        local = bool(self._local) and same(self._local, hash_of(shown))
        return COMMAND_LINE if local and _from_here(scope) else None

    def _by_cookie(self, scope: Scope, headers: Headers) -> Session | None:
        secret = cookie_parser(headers.get("cookie", "")).get(cookie_name(scope), "")
        return self.sessions.find(secret) if secret else None

    def _stranger(self, scope: Scope, headers: Headers) -> ApiError:
        """What somebody is told who is not known; one who shows a wrong token has tried to sign in."""
        if bearer(headers) is None:
            return unknown("sign in first: this bench wants to know who asks")
        if wait_s := self.tries.take(peer_of(scope)):
            return too_often("tries to sign in", wait_s)
        self.refused("token", scope)
        return unknown("this token is not known here: `benchd token new` makes one, and benchd reads it when it starts")

    # ---- signing in and out --------------------------------------------------------------------------------------

    async def sign_in(self, scope: Scope, *, token: str = "", code: str = "") -> tuple[Session, str]:
        """A session, and the secret for its cookie, for a token or a code. Raises ApiError 401, 409 or 429."""
        if self._tokens is None:
            raise ApiError(409, "wrong-state", "nobody needs to sign in here: the settings name no [[web.token]]")
        if wait_s := self.tries.take(peer_of(scope)):
            raise too_often("tries to sign in", wait_s)
        caller = self.pairings.take(code) if code else self.by_token(token)
        if caller is None:
            self.refused("code" if code else "token", scope)
            if code:
                raise unknown("this code is not good, or not any more: `benchd pair` makes a new one, good once")
            raise unknown("this token is not known here; look whether all of it was given")
        session, secret = self.sessions.open(caller, "" if code else hash_of(token))
        self._told_of("paired" if code else "signed-in", caller, scope)
        await self.remember()
        return session, secret

    async def sign_out(self, session: Session, scope: Scope) -> None:
        """End a session; its streams are closed."""
        self.sessions.end(session)
        self._told_of("signed-out", session.caller, scope)
        await self.remember()

    async def remember(self) -> None:
        """The sessions outlive the daemon, where that can be written."""
        async with self._keeping:
            try:
                await asyncio.to_thread(self._keep, self.sessions.as_text())
            except OSError as e:
                logger.warning("who is signed in is not kept, so all sign in again after the next start: %s", e)

    def refused(self, what: str, scope: Scope) -> None:
        """Somebody showed something that is not good; the journal says so, if not too often."""
        logger.warning("a wrong %s was shown by %s", what, peer_of(scope))
        if not self._told.take(""):
            self._tell({"what": "refused", "name": what, "role": "", "from": peer_of(scope)})

    def _told_of(self, what: str, caller: Caller, scope: Scope) -> None:
        self._tell({"what": what, "name": caller.name, "role": str(caller.role), "from": peer_of(scope)})


def bearer(headers: Headers) -> str | None:
    """The token of the header Authorization (RFC 6750, 2.1); None where there is none."""
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else None


def cookie_name(scope: Scope) -> str:
    """A browser keeps cookies by host and not by port: two benches on one machine must not take each other's."""
    port = (scope.get("server") or ("", 0))[1]
    # The prefix: no other host of the domain can set it (RFC 6265bis, 4.1.3.2).
    return f"__Host-benchd-{port}" if encrypted(scope) else f"benchd-{port}"


def encrypted(scope: Scope) -> bool:
    """Whether this came by TLS."""
    return scope["scheme"] in ("https", "wss")


def peer_of(scope: Scope) -> str:
    """The address from which this came."""
    return str((scope.get("client") or ("not known",))[0])


def _from_here(scope: Scope) -> bool:
    peer, server = peer_of(scope), (scope.get("server") or ("",))[0]
    try:
        return peer == server or ipaddress.ip_address(peer).is_loopback
    except ValueError:
        return False


def unknown(text: str) -> ApiError:
    """401: nobody knows who asks."""
    return ApiError(401, "sign-in", text, "header Authorization", {"WWW-Authenticate": "Bearer"})


def too_often(what: str, wait_s: float) -> ApiError:
    """429, with how long to wait."""
    wait = max(1, round(wait_s + 0.5))
    return ApiError(429, "too-often", f"too many {what}: wait {wait} s", "rate", {"Retry-After": str(wait)})
