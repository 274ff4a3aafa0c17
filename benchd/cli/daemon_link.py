"""How a command reaches the running daemon, if there is one: its address and a secret lie beside the log."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import socket
import ssl
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from benchd.cli import out

ADDRESS = "daemon.json"
ANSWER_S = 10.0


class DaemonSaid(Exception):
    """The daemon refused, or stopped answering: its words."""


class DaemonUrl(str):
    """The daemon's base address. It reads like one; what a request needs beside is not shown with it."""

    __slots__ = ("cert", "secret")

    secret: str
    """Of this run of the daemon: whoever can read its file is let in as an operator."""
    cert: str
    """The page's certificate, in PEM; empty: not encrypted."""


def daemon_url(data_path: Path) -> DaemonUrl | None:
    """The base address of the daemon that writes this log, or None when none runs.

    A daemon that was killed leaves its address behind, and another process may have its id by now. Ends the command
    when it is another user's daemon, since its secret is for that user.
    """
    try:
        told = json.loads((data_path / ADDRESS).read_text("utf-8"))
        url = DaemonUrl(str(told["url"]).rstrip("/"))
        url.secret, url.cert = str(told.get("secret", "")), str(told.get("cert", ""))
        with contextlib.suppress(PermissionError):  # another user's, hence there
            os.kill(int(told["pid"]), 0)
        where = urlsplit(url)
        with socket.create_connection((where.hostname or "", where.port or _usual(url)), timeout=ANSWER_S):
            return url
    except PermissionError:
        out.fail(
            f"{data_path / ADDRESS}: only the user who runs the daemon may read it, and give it commands here; run "
            "this as that user, or use the page with a token"
        )
    except (OSError, ValueError, KeyError, TypeError, OverflowError, AttributeError):
        return None


def call(
    url: str,
    method: str,
    path: str,
    body: dict[str, Any] | None = None,
    within_s: float | None = None,
    *,
    raw: bytes | None = None,
    kind: str = "application/json",
) -> Any:
    """One request to the daemon's API, answered within `within_s` (None: ANSWER_S), and its answer from JSON.

    `raw`: what is sent in place of `body`, of the media type `kind`. Raises DaemonSaid.
    """
    sent = raw if raw is not None else None if body is None else json.dumps(body).encode()
    text = fetch(url, method, path, sent, kind, within_s)
    try:
        return json.loads(text) if text else None
    except ValueError as e:
        raise DaemonSaid(f"the daemon at {url} does not answer in JSON: {e}") from None


def fetch(
    url: str,
    method: str,
    path: str,
    raw: bytes | None = None,
    kind: str = "application/json",
    within_s: float | None = None,
) -> bytes:
    """One request, and the answer as it came: a file, a picture. Raises DaemonSaid."""
    headers = {"Content-Type": kind}
    if isinstance(url, DaemonUrl) and url.secret:
        headers["Authorization"] = f"Bearer {url.secret}"
    request = urllib.request.Request(f"{url}/api/v1/{path}", method=method, data=raw, headers=headers)  # noqa: S310
    try:
        # The address is the one that our own daemon wrote.
        with urllib.request.urlopen(request, timeout=within_s or ANSWER_S, context=_trusting(url)) as reply:  # noqa: S310
            return bytes(reply.read())
    except urllib.error.HTTPError as e:
        try:
            raise DaemonSaid(json.loads(e.read())["error"]["message"]) from None
        except (ValueError, KeyError, TypeError):
            raise DaemonSaid(f"the daemon at {url} answered {e.code}") from None
    except (OSError, ValueError, http.client.HTTPException) as e:
        raise DaemonSaid(f"the daemon at {url} does not answer: {e}") from None


def _trusting(url: str) -> ssl.SSLContext | None:
    """Trusts the very certificate that the daemon said is its own, whoever signed it and whatever name is in it."""
    if not url.startswith("https:"):
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    if isinstance(url, DaemonUrl) and url.cert:
        context.load_verify_locations(cadata=url.cert)
    return context


def _usual(url: str) -> int:
    return 443 if url.startswith("https:") else 80
