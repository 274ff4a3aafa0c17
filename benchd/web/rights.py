"""What each request needs, and how large it may be: the one place where that stands.

A way in that nobody has thought of needs the most: what is not named here may only be done by an operator.
"""

from __future__ import annotations

import re
from enum import IntEnum
from pathlib import PurePosixPath

from benchd.web.caller import Caller, Role
from benchd.web.files import PAGES, SUFFIXES

SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}


class Need(IntEnum):
    """What somebody must be to do it."""

    NOBODY = 0
    """Known or not: the page's own files, which say nothing of the bench, and signing in."""
    OFF = 1
    """Let in, in whatever role: switching off is never kept from anybody who was let in, nor is it ever too often."""
    LOOK = 2
    """Let in, in whatever role."""
    CHANGE = 3
    """An operator."""


API = "/api/v1"
_NOBODY = {("POST", f"{API}/sign-in")}
_OFF = re.compile(rf"{API}/((supplies/[^/]+/channels/\d+/)?off|runs/[^/]+/stop)")
"""To stop a run is to switch its outputs off."""
_ANYBODY = {("POST", f"{API}/sign-out")}
_OPERATORS_READ = re.compile(rf"{API}/(settings|sessions)(/.*)?", re.DOTALL)
"""Settings files, and who else is signed in, are no viewer's business."""

KB = 1024
BODY_LIMIT = 64 * KB
"""Bytes, where nothing else is said."""
BODY_LIMITS = (
    (re.compile(rf"{API}/jobs/[^/]+/photos"), 12 * KB * KB),
    (re.compile(rf"{API}/settings/.*", re.DOTALL), 256 * KB),
)
"""Bytes: a photo as a phone's camera makes it; a whole file of settings."""


def need_of(method: str, path: str) -> Need:
    """What a request needs; a WebSocket is a GET. `path`: as the routes get it, decoded."""
    if (method, path) in _NOBODY or (method in ("GET", "HEAD") and _is_file(path)):
        return Need.NOBODY
    if method == "POST" and _OFF.fullmatch(path):
        return Need.OFF
    if (method, path) in _ANYBODY or (method in SAFE_METHODS and not _OPERATORS_READ.fullmatch(path)):
        return Need.LOOK
    return Need.CHANGE


def may(caller: Caller, need: Need) -> bool:
    """Whether somebody who was let in has the right."""
    return need < Need.CHANGE or caller.role is Role.OPERATOR


def body_limit(path: str) -> int:
    """The most that a request to this path may send, bytes."""
    return next((most for pattern, most in BODY_LIMITS if pattern.fullmatch(path)), BODY_LIMIT)


def _is_file(path: str) -> bool:
    return not path.startswith("/api/") and (path in PAGES or PurePosixPath(path).suffix in SUFFIXES)
