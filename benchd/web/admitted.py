"""Who is let in, and by which certificate the page is known, as the settings' files say it."""

from __future__ import annotations

from pathlib import Path

from benchd.settings import SettingsError, secret
from benchd.settings_web import Token, Web
from benchd.tokens import SHORTEST, hash_of
from benchd.web.caller import Caller, Role
from benchd.web.tls import BadCertificate, Tls

IN_THE_CLEAR = (
    "the page is offered to the network and nothing of it is encrypted: everybody there can read along, tokens too, "
    "and act with them; set tls_cert_file and tls_key_file in the settings' [web]"
)


def faults(web: Web) -> list[str]:
    """What keeps a daemon from starting, one sentence each."""
    told = []
    for look in (tls_of, tokens_of):
        try:
            look(web)
        except SettingsError as e:
            told.append(str(e))
    return told


def in_the_clear(web: Web) -> str:
    """What everybody at the bench should know of the way in; empty: nothing."""
    return IN_THE_CLEAR if web.wide and not web.tls else ""


def tls_of(web: Web) -> Tls | None:
    """The files of the page's certificate; None: not encrypted. Raises SettingsError."""
    if not web.tls:
        return None
    try:
        tls = Tls(Path(web.tls_cert_file).expanduser(), Path(web.tls_key_file).expanduser())
        tls.checked()
    except RuntimeError as e:  # no such user after '~'
        raise SettingsError(f"web.tls_cert_file, web.tls_key_file: {e}") from None
    except BadCertificate as e:
        raise SettingsError(str(e)) from None
    return tls


def tokens_of(web: Web) -> dict[str, Caller]:
    """Who comes in, by the hash of their token. Raises SettingsError for a file that holds none."""
    found: dict[str, Caller] = {}
    for place, token in enumerate(web.token):
        hashed = token.hash or _from_file(token, f"web.token[{place}].token_file")
        if hashed in found:
            raise SettingsError(
                f"web.token[{place}]: {token.name} has the same token as {found[hashed].name}: each needs one of its "
                "own, or the journal could not tell them apart; `benchd token new` makes one"
            )
        found[hashed] = Caller(token.name, Role(token.role))
    return found


def _from_file(token: Token, key: str) -> str:
    text = secret("", token.token_file, key)
    if not len(text) >= SHORTEST:
        raise SettingsError(
            f"{key} = {token.token_file!r}: the token in it has {len(text)} characters, allowed are {SHORTEST} or "
            "more; `benchd token new` makes one that nobody guesses"
        )
    return hash_of(text)
