"""Who has signed in: sessions, each known by the hash of a secret that only the browser's cookie holds."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import secrets
import time
from collections.abc import Callable, Iterable
from typing import Any

from benchd.tokens import hash_of
from benchd.web.caller import Caller, Role

S = 1_000_000_000
LATE_OFF_NS = 24 * 3600 * S
"""A session whose time is over can still switch off for so long: its page may be the one beside a board that burns."""
MOST_OF_ONE = 16
"""Of one name; the oldest of them ends when there is one more."""
MOST = 256


@dataclasses.dataclass(slots=True, eq=False)
class Session:
    """Somebody's browser. Times in ns since the epoch, on the bench's clock."""

    id: str
    """To name it by; no secret."""
    caller: Caller
    since_ns: int
    until_ns: int
    of: str
    """The hash of the token that it came by; empty: paired with a code."""
    ended: asyncio.Event = dataclasses.field(default_factory=asyncio.Event)
    """Set when it is ended before its time."""


class Sessions:
    """All of them. `clock_ns`: ns since the epoch."""

    def __init__(self, life_s: float, clock_ns: Callable[[], int] = time.time_ns) -> None:
        self._life_ns = round(life_s * S)
        self._clock_ns = clock_ns
        self._by_hash: dict[str, Session] = {}

    def open(self, caller: Caller, of: str) -> tuple[Session, str]:
        """A new session, and the secret for its cookie."""
        self._tidy()
        theirs = [each for each in self._by_hash.values() if each.caller.name == caller.name]
        for group, most in ((theirs, MOST_OF_ONE), (list(self._by_hash.values()), MOST)):
            if len(group) >= most:
                self.end(min(group, key=lambda each: each.since_ns))
        now, secret = self._clock_ns(), secrets.token_urlsafe(32)
        session = Session(secrets.token_hex(4), caller, now, now + self._life_ns, of)
        self._by_hash[hash_of(secret)] = session
        return session, secret

    def find(self, secret: str) -> Session | None:
        """Whose cookie this is. Its time may be over: see `left_s`."""
        # By the hash, so how long it takes to look tells nothing of the secret.
        session = self._by_hash.get(hash_of(secret))
        over = session is not None and self._clock_ns() >= session.until_ns + LATE_OFF_NS
        return None if over else session

    def left_s(self, session: Session) -> float:
        """For how long it will still be good, s; 0 or less: its time is over."""
        return (session.until_ns - self._clock_ns()) / S

    def by_id(self, id: str) -> Session | None:
        """One by its name."""
        return next((each for each in self._by_hash.values() if each.id == id), None)

    def end(self, session: Session) -> None:
        """It is good for nothing from now on, and its streams are closed."""
        self._by_hash = {key: each for key, each in self._by_hash.items() if each is not session}
        session.ended.set()

    def present(self) -> list[Session]:
        """Those whose time is not over, newest first."""
        return sorted((s for s in self._by_hash.values() if self.left_s(s) > 0), key=lambda s: s.since_ns, reverse=True)

    def _tidy(self) -> None:
        for session in list(self._by_hash.values()):
            if self._clock_ns() >= session.until_ns + LATE_OFF_NS:
                self.end(session)

    def as_text(self) -> str:
        """To keep until the next start; no secret is in it, only hashes."""
        rows = [
            {"hash": key, "id": s.id, "name": s.caller.name, "role": str(s.caller.role), "since_ns": s.since_ns,
             "until_ns": s.until_ns, "of": s.of}
            for key, s in self._by_hash.items()
        ]  # fmt: skip
        return json.dumps({"format": 1, "sessions": rows}, indent=1) + "\n"

    def take_text(self, text: str, tokens: Iterable[tuple[str, Caller]]) -> None:
        """Those of an earlier run whose token is still there (its hash, and whose), with the role that it has now.

        Raises ValueError for a text that is none of ours, and then there are none.
        """
        known = dict(tokens)
        try:
            told = json.loads(text)
            found = [_row(row, known) for row in told["sessions"]] if told["format"] == 1 else []
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as e:
            raise ValueError(f"no sessions that this version knows: {e!r}") from None
        latest_ns = self._clock_ns() + self._life_ns
        # A shorter life in the settings, or a clock that was wrong, lets nobody stay for longer than is said now.
        self._by_hash = {key: s for key, s in filter(None, found) if s.until_ns <= latest_ns}
        self._tidy()


def _row(row: dict[str, Any], known: dict[str, Caller]) -> tuple[str, Session] | None:
    """A session as it was kept; None: its token is gone."""
    of = str(row["of"])
    caller = known.get(of) if of else Caller(str(row["name"]), Role(row["role"]))
    if caller is None:
        return None
    return str(row["hash"]), Session(str(row["id"]), caller, int(row["since_ns"]), int(row["until_ns"]), of)
