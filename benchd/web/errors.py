"""The one error body of the API, and how every failure becomes one.

{"error": {"code": "not-found", "message": "...", "where": "/api/v1/traces/T9"}}

400 malformed, unknown-key, missing, bad-value, out-of-range   the request cannot be understood or is not allowed
401 sign-in                                                    nobody knows who asks
403 wrong-host, wrong-origin                                   asked from a place that has no business here
403 not-allowed                                                who asks is known, and may not do this
404 not-found                                                  no such thing
405 wrong-method                                               the address exists, the method does not
409 wrong-state, link-down                                     right request, wrong moment
409 stale                                                      it changed since it was read; `present` is how it is now
409 checks-open                                                items of a checklist come first; `present` is those
409 cautions                                                   the card says what to mind first; `present` is that
409 consent-needed                                             the supply's profile is unverified: the operator decides
408 too-slow                                                   the body did not come in time
413 too-large                                                  body above the limit
429 too-often                                                  wait, as Retry-After says
500 internal                                                   a fault of the daemon; its log has the details
500, 503 report-failed, photo-failed                           the process that makes it failed, or was too slow
503 busy                                                       too many wait for such a process; ask again
503 log-down                                                   the log cannot be written or read at the moment
"""

from __future__ import annotations

import logging
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from benchd.checked import SECRET_KEYS
from benchd.jobs.job import JobError
from benchd.web.port import Refused

logger = logging.getLogger(__name__)

REFUSED_STATUS = {
    "not-found": 404,
    "wrong-state": 409,
    "stale": 409,
    "checks-open": 409,
    "cautions": 409,
    "consent-needed": 409,
    "link-down": 409,
    "out-of-range": 400,
    "log-down": 503,
}
HTTP_CODES = {404: "not-found", 405: "wrong-method"}
VALIDATION_CODES = {"extra_forbidden": "unknown-key", "missing": "missing", "json_invalid": "malformed"}


class ApiError(Exception):
    """A request that is refused by the web room itself. `where`: the part of the request at fault; `headers`: of the
    answer."""

    def __init__(
        self, status: int, code: str, message: str, where: str = "", headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(message)
        self.status, self.code, self.message, self.where, self.headers = status, code, message, where, headers


def body(code: str, message: str, where: str, present: Any = None) -> dict[str, Any]:
    """The error body. `present`: see `Refused.present`."""
    told: dict[str, Any] = {"code": code, "message": _sendable(message), "where": _sendable(where)}
    if present is not None:
        told["present"] = present
    return {"error": told}


def _sendable(text: str) -> str:
    # What was given may be quoted in it, with lone halves of UTF-16 pairs that UTF-8 cannot say.
    return text.encode("utf-8", "backslashreplace").decode()


def install(app: Starlette) -> None:
    """Make every failure of this app answer with the error body."""
    app.add_exception_handler(ApiError, _api_error)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(JobError, _job_error)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _internal)
    if isinstance(app, FastAPI):
        app.add_exception_handler(RequestValidationError, _validation)


async def _api_error(request: Request, e: Exception) -> Response:
    assert isinstance(e, ApiError)
    return JSONResponse(body(e.code, e.message, e.where or request.url.path), e.status, e.headers)


async def _refused(request: Request, e: Exception) -> Response:
    assert isinstance(e, Refused)
    return JSONResponse(body(e.code, e.message, request.url.path, e.present), REFUSED_STATUS.get(e.code, 409))


async def _job_error(request: Request, e: Exception) -> Response:
    return JSONResponse(body("bad-value", str(e), request.url.path), 400)


async def _http(request: Request, e: Exception) -> Response:
    assert isinstance(e, HTTPException)
    code = HTTP_CODES.get(e.status_code, "malformed" if e.status_code < 500 else "internal")
    message = {
        404: f"{request.url.path}: there is nothing here",
        405: f"{request.method} is not possible here; allowed: {(e.headers or {}).get('Allow', 'GET')}",
    }.get(e.status_code, str(e.detail))
    return JSONResponse(body(code, message, request.url.path), e.status_code, e.headers)


async def _internal(request: Request, e: Exception) -> Response:
    logger.error("%s %s failed", request.method, request.url.path, exc_info=e)
    return JSONResponse(body("internal", "the daemon failed at this; its log says why", request.url.path), 500)


async def _validation(request: Request, e: Exception) -> Response:
    assert isinstance(e, RequestValidationError)
    # Shape before unknown keys: a body that is not an object at all should not be told about its keys.
    faults = sorted(e.errors(), key=lambda f: f["type"] == "extra_forbidden")
    fault = faults[0]
    # A JSON syntax error is located by its character, which reads badly in a dotted path.
    where = ".".join(str(part) for part in fault["loc"] if fault["type"] != "json_invalid" or isinstance(part, str))
    code = VALIDATION_CODES.get(fault["type"], "bad-value")
    return JSONResponse(body(code, _sentence(fault), where), 400)


def _sentence(fault: dict[str, Any]) -> str:
    if fault["type"] == "json_invalid":
        return f"the body is not valid JSON: {fault.get('ctx', {}).get('error', 'syntax error')}"
    name = fault["loc"][-1]
    if fault["type"] == "extra_forbidden":
        return f"{name}: unknown key"
    if fault["type"] == "missing":
        return f"{name}: missing; it has to be given"
    value = fault.get("input")
    secret = name in SECRET_KEYS or (isinstance(value, dict) and SECRET_KEYS & value.keys())
    given = "(not shown)" if secret else repr(value)
    return f"{name} = {given if len(given) <= 60 else given[:57] + '...'}: {fault['msg']}"
