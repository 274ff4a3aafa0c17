"""Access tokens: made here, shown once, and known afterwards by their hash alone."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets

PREFIX = "benchd_"
"""So that one that lies about in a file or a message is seen to be a secret, and whose."""
RANDOM_BYTES = 32
SHORTEST = 24
"""Characters of a token that somebody chose. Our choice: whoever guesses is slowed down, but not for ever."""
HASH = re.compile(r"sha256:[0-9a-f]{64}")


def new_token() -> str:
    """A token that nobody has: 256 random bits."""
    return PREFIX + secrets.token_urlsafe(RANDOM_BYTES)


def hash_of(token: str) -> str:
    """What is kept of a token. A plain hash will do: what is random to begin with gains nothing from a slow one."""
    return "sha256:" + hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def same(one: str, other: str) -> bool:
    """Whether two hashes are the same; how long that takes tells nothing."""
    return hmac.compare_digest(one.encode(), other.encode())
