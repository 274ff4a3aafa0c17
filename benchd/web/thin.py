"""Thinning for plots, see `benchd.traces.thin`."""

from benchd.traces.thin import thin

__all__ = ["thin"]
