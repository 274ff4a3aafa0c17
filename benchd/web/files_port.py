"""What editing the files of the bench asks of the daemon."""

from __future__ import annotations

from typing import Protocol


class FilesPort(Protocol):
    """Every method may raise `Refused`."""
