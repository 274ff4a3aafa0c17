"""Signing in and out, who one is, pairing a phone, and who else is signed in."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator
from starlette.responses import Response

from benchd.settings_web import Token, is_loopback
from benchd.web.access import Access, cookie_name, encrypted, peer_of
from benchd.web.access_view import May, Me, PairingView, SessionView, SignedOut
from benchd.web.caller import Caller, Role, caller_of
from benchd.web.description import shape
from benchd.web.errors import ApiError
from benchd.web.pairing import LIFE_S
from benchd.web.rights import Need, may
from benchd.web.sessions import Session
from benchd.web.shapes import answer

SESSION_KEY = "benchd.session"
IN_THE_CLEAR = "Not encrypted: everybody on this network can read along. Set tls_cert_file and tls_key_file in [web]."


class SignInBody(BaseModel):
    """Either of both."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True)
    token: Annotated[str, Field(max_length=512)] = ""
    code: Annotated[str, Field(max_length=64)] = ""

    @model_validator(mode="after")
    def _one_of_both(self) -> SignInBody:
        if bool(self.token) == bool(self.code):
            raise ValueError("give either token or code")
        return self


class PairingBody(BaseModel):
    """Whom the journal will name, and what they may do."""

    model_config = ConfigDict(extra="forbid")
    name: Annotated[str, Field(min_length=1, max_length=40)] = "phone"
    role: Role = Role.VIEWER

    @field_validator("name")
    @classmethod
    def _name(cls, text: str) -> str:
        return Token.checked_name(text)


def router(access: Access) -> APIRouter:
    """Routes over the access."""
    r = APIRouter(tags=["access"])
    _add_own(r, access)
    _add_others(r, access)
    return r


def _add_own(r: APIRouter, access: Access) -> None:
    """One's own session."""

    @r.get("/me", responses=shape(Me))
    async def me(request: Request) -> Response:
        """Who one is, and what one may do."""
        return answer(_me(caller_of(request), request.scope.get(SESSION_KEY), request))

    @r.post("/sign-in", responses=shape(Me))
    async def sign_in(body: SignInBody, request: Request) -> Response:
        """Come in by a token, or by a code of `benchd pair`; the answer sets a cookie."""
        session, secret = await access.sign_in(request.scope, token=body.token, code=body.code)
        response = answer(_me(session.caller, session, request))
        response.set_cookie(
            cookie_name(request.scope), secret, max_age=int(access.sessions.left_s(session)), path="/",
            httponly=True, samesite="strict", secure=encrypted(request.scope),
        )  # fmt: skip
        return response

    @r.post("/sign-out", responses=shape(SignedOut))
    async def sign_out(request: Request) -> Response:
        """End one's session, and its streams. Doing it without one is safe."""
        session = request.scope.get(SESSION_KEY)
        if session is not None:
            await access.sign_out(session, request.scope)
        response = answer(SignedOut(session is not None))
        response.delete_cookie(
            cookie_name(request.scope), path="/", httponly=True, samesite="strict", secure=encrypted(request.scope)
        )
        return response


def _add_others(r: APIRouter, access: Access) -> None:
    """What an operator does about others."""

    @r.post("/pairings", status_code=201, responses=shape(PairingView, status=201))
    async def pair(request: Request, body: PairingBody | None = None) -> Response:
        """A code that lets one phone in, once."""
        if access.open:
            raise ApiError(
                409, "wrong-state",
                "nobody needs to sign in here: this bench answers this machine alone. For a phone, set host and a "
                "[[web.token]] in the settings' [web] (`benchd token new`), and start benchd anew",
            )  # fmt: skip
        asked = body or PairingBody()
        code = access.pairings.new(Caller(asked.name, asked.role))
        return answer(PairingView(code, LIFE_S, access.addresses(), str(asked.role)), 201)

    @r.get("/sessions", responses=shape(SessionView, many="sessions"))
    async def sessions() -> Response:
        """Who is signed in, newest first."""
        return answer({"sessions": [_session(each) for each in access.sessions.present()]})

    @r.delete("/sessions/{id}", responses=shape(SessionView))
    async def end(id: Annotated[str, Path(min_length=1, max_length=16)], request: Request) -> Response:
        """Sign somebody out: a phone that was lost."""
        session = access.sessions.by_id(id)
        if session is None:
            raise ApiError(404, "not-found", f"nobody is signed in by the session {id!r}; GET /sessions lists them")
        await access.sign_out(session, request.scope)
        return answer(_session(session))


def _me(caller: Caller, session: Session | None, request: Request) -> Me:
    peer_is_here = is_loopback(peer_of(request.scope))
    return Me(
        caller.name,
        str(caller.role),
        session.since_ns if session else None,
        session.until_ns if session else None,
        May(may(caller, Need.LOOK), may(caller, Need.OFF), may(caller, Need.CHANGE)),
        "" if encrypted(request.scope) or peer_is_here else IN_THE_CLEAR,
    )


def _session(session: Session) -> SessionView:
    return SessionView(
        session.id, session.caller.name, str(session.caller.role), session.since_ns, session.until_ns, not session.of
    )
