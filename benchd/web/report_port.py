"""What the report asks of the daemon."""

from __future__ import annotations

from typing import Protocol


class ReportPort(Protocol):
    """Every method may raise `Refused`."""
