"""Certificates for tests, made by OpenSSL's program: an authority, and what it signs."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.services import needs

KEY = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]


class Authority:
    """Signs certificates; `file` is its own."""

    def __init__(self, folder: Path, name: str = "authority") -> None:
        self._folder, self._name = folder, name
        folder.mkdir(parents=True, exist_ok=True)
        self.file = folder / f"{name}.pem"
        self._openssl("req", "-x509", *KEY, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-days", "2", "-subj",
                      f"/CN={name}")  # fmt: skip

    def signed(self, name: str, of: str = "IP:127.0.0.1", days: int = 2) -> tuple[Path, Path]:
        """Certificate and key. `of`: who it is for (subjectAltName, RFC 5280 §4.2.1.6); `days` -1: it has expired."""
        (self._folder / f"{name}.ext").write_text(f"subjectAltName={of}\n")
        self._openssl("req", "-new", *KEY, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        self._openssl("x509", "-req", "-in", f"{name}.csr", "-CA", self.file.name, "-CAkey", f"{self._name}.key",
                      "-CAcreateserial", "-days", str(days), "-extfile", f"{name}.ext",
                      "-out", f"{name}.pem")  # fmt: skip
        return self._folder / f"{name}.pem", self._folder / f"{name}.key"

    def _openssl(self, *words: str) -> None:
        subprocess.run([needs("openssl", "openssl"), *words], cwd=self._folder, check=True, capture_output=True)
