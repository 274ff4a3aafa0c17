"""What a view into a long trace asks of the daemon."""

from __future__ import annotations

from typing import Protocol


class WindowPort(Protocol):
    """Every method may raise `Refused`."""
