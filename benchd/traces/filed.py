"""What was said of a trace when it was filed, beside what it says today: references and cards come and go."""

from __future__ import annotations

from benchd.traces.band import Band
from benchd.traces.trace import Finding


def read_anew(filed: Finding | None, signature: str, confidence: float, band: Band | None) -> str:
    """That a trace reads otherwise today than when it was filed, and with how many references; empty: it does not."""
    if filed is None or filed.signature == signature:
        return ""
    count = len(band.curves) if band is not None else 0
    using = f"with {count} reference{'' if count == 1 else 's'}" if count else "without references"
    return f"filed as {filed.signature} ({filed.confidence:.0%}); read anew {using}: {signature} ({confidence:.0%})"
