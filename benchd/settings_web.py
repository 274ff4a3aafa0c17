"""The table `[web]`: where the page listens, by which names, for whom."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from benchd.checked import Table
from benchd.tokens import HASH

Port = Annotated[int, Field(ge=0, le=65535)]

NOBODYS_NAMES = ("this machine", "command line", "benchd")
"""What the journal calls those who need no token."""
HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?\.?")
MAKE_ONE = (
    "`benchd token new NAME --role operator` makes one, prints it once, and prints the lines that belong into this file"
)


class Token(Table):
    """Somebody who is let in."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    """Who it is: the journal says it."""
    role: Literal["viewer", "operator"]
    """A viewer looks, and switches off; an operator may do everything."""
    hash: str = ""
    """Of the token, as `benchd token new` prints it."""
    token_file: str = ""
    """Where the token itself stands, if not its hash here."""

    @field_validator("name")
    @classmethod
    def checked_name(cls, text: str) -> str:
        """The name, if it is one that somebody may have. Raises ValueError."""
        if not text.isprintable() or text != text.strip() or text.lower() in NOBODYS_NAMES:
            raise ValueError(
                "allowed is a name of 1 to 40 printable characters, no blanks around it, none of "
                + ", ".join(NOBODYS_NAMES)
            )
        return text

    @field_validator("hash")
    @classmethod
    def _hash(cls, text: str) -> str:
        if text and not HASH.fullmatch(text):
            raise ValueError("allowed is the hash that `benchd token new` prints, sha256: and 64 of 0-9 and a-f")
        return text

    @model_validator(mode="after")
    def _one_of_both(self) -> Token:
        if bool(self.hash) == bool(self.token_file):
            raise ValueError(f"give either hash or token_file; {MAKE_ONE}")
        return self


class Web(Table):
    """Where the page listens."""

    host: Annotated[str, Field(min_length=1, max_length=253)] = "127.0.0.1"
    port: Port = 8425
    names: Annotated[list[str], Field(default_factory=list, max_length=32)]
    """By which the bench may be called beside its own addresses."""
    tls_cert_file: str = ""
    tls_key_file: str = ""
    """The page's certificate (with those between it and its authority), and the key; both in PEM."""
    session_days: Annotated[float, Field(ge=0.01, le=365)] = 30.0
    """How long somebody who signed in stays so."""
    token: Annotated[list[Token], Field(default_factory=list, max_length=64)]

    @field_validator("host")
    @classmethod
    def _address(cls, host: str) -> str:
        if not _is_address(host) and not HOST_NAME.fullmatch(host):
            raise ValueError(
                "allowed is an address of this machine (127.0.0.1, ::1, 0.0.0.0 for all of them) or its name"
            )
        return host

    @field_validator("names")
    @classmethod
    def _names(cls, names: list[str]) -> list[str]:
        for name in names:
            if not _is_address(name) and not HOST_NAME.fullmatch(name):
                raise ValueError(f"{name!r}: allowed are host names and addresses, without port, as bench.example")
        return names

    @property
    def tls(self) -> bool:
        """Whether what goes over the wire is encrypted."""
        return bool(self.tls_cert_file)

    @property
    def wide(self) -> bool:
        """Whether others than this machine can reach the page."""
        return not is_loopback(self.host)

    @property
    def called(self) -> list[str]:
        """All names by which the bench may be called, beside the loopback ones and its own addresses."""
        own = [] if is_loopback(self.host) or _is_address(self.host) else [self.host]
        return [*own, *self.names]

    @model_validator(mode="after")
    def _go_together(self) -> Web:
        if bool(self.tls_cert_file) != bool(self.tls_key_file):
            raise ValueError(
                "tls_cert_file and tls_key_file go together: the certificate, and the key that belongs to it"
            )
        names = [token.name for token in self.token]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"token name {', '.join(twice)}: each name may stand once")
        strange = [name for name in self.called if not is_loopback(name)]
        if (self.wide or strange) and not self.token:
            wish = f"host = {self.host!r}" if self.wide else f"names = {strange!r}"
            raise ValueError(
                f"{wish} offers the page with its power buttons to others than this machine, and no [[web.token]] says "
                f"who may come in: {MAKE_ONE}; or leave it at 127.0.0.1"
            )
        return self


def is_loopback(name: str) -> bool:
    """Whether a host name or address means this machine alone."""
    if name.lower().rstrip(".") == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True
