"""Who is let in, as the settings say it; sessions over the daemon's starts; what of it the journal keeps."""

from __future__ import annotations

import json
import logging
import os
import secrets
from concurrent.futures import Future
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from benchd.daemon.core import Core
from benchd.settings_web import Web
from benchd.web.access import Access
from benchd.web.addresses import reached_at
from benchd.web.admitted import in_the_clear, tls_of, tokens_of
from benchd.web.caller import Caller
from benchd.web.sessions import Sessions
from benchd.whole_file import replace_file

log = logging.getLogger("benchd")

SESSIONS = "sessions.json"
DAY_S = 86400.0


class Admission:
    """What the web room needs to know who is let in. Raises SettingsError for a token or a certificate that is none."""

    def __init__(self, web: Web, folder: Path, core: Core) -> None:
        self._web, self._core = web, core
        self._file = folder / SESSIONS
        self._url = ""
        self._secret = secrets.token_urlsafe(32)
        self.tls = tls_of(web)
        self._cert = self.tls.checked() if self.tls else ""
        tokens = tokens_of(web)
        sessions = Sessions(web.session_days * DAY_S)
        self._take_up(sessions, tokens)
        self.access = Access(
            tokens or None,
            sessions,
            local_secret=self._secret,
            tell=self._enter,
            keep=lambda text: replace_file(self._file, text, private=True),
            addresses=self._addresses,
        )

    @property
    def warning(self) -> str:
        """What everybody at the bench should know of the way in; empty: nothing."""
        return in_the_clear(self._web)

    def announce(self, file: Path, url: str) -> None:
        """Tell commands of the daemon's own user, and only of that one, where the page is. Raises OSError."""
        self._url = url
        told = {"url": url, "pid": os.getpid(), "secret": self._secret, "cert": self._cert}
        replace_file(file, json.dumps(told), private=True)

    def _addresses(self) -> list[str]:
        return reached_at(self._web.host, urlsplit(self._url).port or self._web.port, self._web.called, self._web.tls)

    def _take_up(self, sessions: Sessions, tokens: dict[str, Caller]) -> None:
        if not tokens:
            return
        try:
            sessions.take_text(self._file.read_text("utf-8"), tokens.items())
        except FileNotFoundError:
            pass
        except (OSError, ValueError) as e:
            log.warning("%s: who was signed in is not known, so all sign in again: %s", self._file, e)

    def _enter(self, told: dict[str, Any]) -> None:
        # Of no job: who came in while a job lay on the bench says nothing of that job.
        kept = self._core.writer.submit(lambda db: db.add_entry("access", payload=told))
        kept.add_done_callback(_kept)


def _kept(entry: Future[Any]) -> None:
    if not entry.cancelled() and (error := entry.exception()) is not None:
        log.error("the log did not take who was let in: %s", error)
