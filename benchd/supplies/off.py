"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from benchd.reading import OutputState, Reading
from benchd.supplies.supply import Supply


class OffOutcome(NamedTuple):
    """How a switch-off ended. `state` is OFF (confirmed) or UNKNOWN, never ON."""

    state: OutputState
    confirmed_ns: int | None
    """Ns since the epoch; None when not confirmed."""
    text: str
    """One sentence with figures and units."""
    readings: list[Reading]
    """Taken meanwhile, oldest first."""


def confirm_off(
    supply: Supply, channel: int, deadline_s: float = 0.5, on_step: Callable[[str], None] | None = None
) -> OffOutcome:
    """Prove that an output is off after `send_off`: state query says off and the current is gone.

    Not off: sends OFF again, then voltage and limit to the minimum and OFF again, until the deadline. Never raises
    LinkError or SupplyError: they end in UNKNOWN.
    """
    raise NotImplementedError
