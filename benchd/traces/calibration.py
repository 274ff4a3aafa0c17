"""From how well a shape fits to how often such a finding is right."""

from __future__ import annotations


def calibrated(signature: str, raw: float, quality: float) -> float:
    """The confidence to be stated, 0 to 1. `raw`: how well the shape fits, 0 to 1; `quality`: how much of the sureness
    the trace's readings can carry, 0 to 1."""
    return raw * quality
