"""What steps and checklists ask of the daemon."""

from __future__ import annotations

from typing import Protocol


class StepPort(Protocol):
    """Every method may raise `Refused`."""
