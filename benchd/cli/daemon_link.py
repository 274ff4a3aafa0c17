"""How a command reaches the running daemon, if there is one: its address lies beside the log."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import socket
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

ADDRESS = "daemon.json"
ANSWER_S = 10.0


class DaemonSaid(Exception):
    """The daemon refused, or stopped answering: its words."""


def daemon_url(data_path: Path) -> str | None:
    """The base address of the daemon that writes this log, or None when none runs.

    A daemon that was killed leaves its address behind, and another process may have its id by now.
    """
    try:
        told = json.loads((data_path / ADDRESS).read_text("utf-8"))
        url = str(told["url"]).rstrip("/")
        with contextlib.suppress(PermissionError):  # another user's, hence there
            os.kill(int(told["pid"]), 0)
        where = urlsplit(url)
        with socket.create_connection((where.hostname or "", where.port or 0), timeout=ANSWER_S):
            return url
    except (OSError, ValueError, KeyError, TypeError, OverflowError):
        return None


def call(url: str, method: str, path: str, body: dict[str, Any] | None = None, within_s: float | None = None) -> Any:
    """One request to the daemon's API, answered within `within_s` (None: ANSWER_S). Raises DaemonSaid."""
    request = urllib.request.Request(  # noqa: S310  (the address is the one our own daemon wrote)
        f"{url}/api/v1/{path}",
        method=method,
        data=None if body is None else json.dumps(body).encode(),
        headers={"Content-Type": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=within_s or ANSWER_S) as reply:  # noqa: S310
            text = reply.read()
            return json.loads(text) if text else None
    except urllib.error.HTTPError as e:
        try:
            raise DaemonSaid(json.loads(e.read())["error"]["message"]) from None
        except (ValueError, KeyError, TypeError):
            raise DaemonSaid(f"the daemon at {url} answered {e.code}") from None
    except (OSError, ValueError, http.client.HTTPException) as e:
        raise DaemonSaid(f"the daemon at {url} does not answer: {e}") from None
