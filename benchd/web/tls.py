"""The page's certificate and key, looked at before anything is served with them."""

from __future__ import annotations

import dataclasses
import ssl
from pathlib import Path


class BadCertificate(Exception):
    """Certificate or key cannot be used; says which files, and why."""


@dataclasses.dataclass(frozen=True, slots=True)
class Tls:
    """Files in PEM: the certificate (with those between it and its authority), and its key without a password."""

    cert: Path
    key: Path

    def checked(self) -> str:
        """The certificate's own text, by which commands of this machine know the page. Raises BadCertificate."""
        try:
            # Asked for a password, nobody would be there to type it: an empty one fails at once.
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self.cert, self.key, password="")
            text = self.cert.read_text("utf-8")
            return text[text.index(ssl.PEM_HEADER) : text.index(ssl.PEM_FOOTER) + len(ssl.PEM_FOOTER)] + "\n"
        except (OSError, ValueError) as e:  # ssl.SSLError is an OSError
            raise BadCertificate(
                f"web.tls_cert_file = '{self.cert}', web.tls_key_file = '{self.key}': cannot be used: {e}; wanted are "
                "a certificate and the key that belongs to it, both in PEM, the key without a password"
            ) from None
