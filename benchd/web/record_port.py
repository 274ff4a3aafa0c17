"""What intake, search and photos ask of the daemon."""

from __future__ import annotations

from typing import Protocol


class RecordPort(Protocol):
    """Every method may raise `Refused`."""
