"""Secrets in the text of a settings file: hidden before it is shown, and put back before it is written.

Each secret is shown as `(hidden 1a2b3c4d5e)`, a name that says nothing about it and that only the present process can
lead back to it. Lines that are comments are hidden too, and so are those of a file that is no TOML.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import tomllib
from collections.abc import Iterator
from typing import Any

from benchd.checked import SECRET_KEYS

_SECRET = re.compile(
    rf"""(?<![\w-])["']?(?:{"|".join(sorted(SECRET_KEYS))})["']?[ \t]*=[ \t]*"""
    r"""(?P<value>"{3}(?:.|\n)*?"{3}|'{3}(?:.|\n)*?'{3}|"(?:\\.|[^"\\\n])*"|'[^'\n]*'|"{3}(?:.|\n)*|["'][^\n]*|[^\s,\[\]{}#"']+)"""
)
_IN_ADDRESS = re.compile(r"""(?<=://)(?P<value>[^\s/"'@]+)(?=@)""")
_NAME = re.compile(r"""(?P<quote>["']?)\(hidden (?P<name>[0-9a-f]{10})\)(?P=quote)""")


class HiddenError(ValueError):
    """A secret cannot be hidden, or what stands for one leads to none. Says what to do."""


class Hider:
    """Knows by which name each secret is shown. `key`: of this process, so that nothing can be learnt from a name."""

    def __init__(self, key: bytes | None = None) -> None:
        self._key = key or secrets.token_bytes(16)

    def hidden(self, text: str) -> str:
        """The text as it may be shown. Raises HiddenError where a secret is written so that it would be seen."""
        told = _SECRET.sub(lambda m: m[0][: m.start("value") - m.start()] + f'"{self._name(m["value"])}"', text)
        told = _IN_ADDRESS.sub(lambda m: self._name(m["value"]), told)
        for secret in _said(text):
            if secret in _said(told):
                raise HiddenError(
                    "a token or password is written in a way that cannot be hidden here: change the file by hand, as "
                    'token = "…" or with token_file'
                )
        return told

    def restored(self, text: str, present: str) -> str:
        """A text as it is to be written: where a secret of the `present` one stands hidden, it is put back.

        Raises HiddenError where a name leads to no secret of the present text.
        """
        known = {self._name(value): value for value in _values(present)}

        def back(m: re.Match[str]) -> str:
            value = known.get(f"(hidden {m['name']})")
            if value is None:
                raise HiddenError(
                    f"(hidden {m['name']}) stands for nothing in the present file: type the token or password anew, or "
                    "load the file again"
                )
            return value

        return _NAME.sub(back, text)

    def _name(self, value: str) -> str:
        return f"(hidden {hmac.new(self._key, value.encode('utf-8', 'replace'), hashlib.sha256).hexdigest()[:10]})"


def _values(text: str) -> Iterator[str]:
    """Secrets, as they are written."""
    yield from (m["value"] for m in _SECRET.finditer(text))
    yield from (m["value"] for m in _IN_ADDRESS.finditer(text))


def _said(text: str) -> set[str]:
    """What a TOML text says under the keys of secrets; nothing where it is no TOML."""
    try:
        return set(_under(tomllib.loads(text)))
    except (ValueError, RecursionError):
        return set()


def _under(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, each in value.items():
            if key in SECRET_KEYS and isinstance(each, str) and each:
                yield each
            else:
                yield from _under(each)
    elif isinstance(value, list):
        for each in value:
            yield from _under(each)
