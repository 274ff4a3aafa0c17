"""The analyses and live measurements that a card may name, each imported when it is first used."""

from __future__ import annotations

import importlib
from typing import cast

from benchd.procedures.taken import Analysis, Maker

ANALYSES = {
    "cycles": "benchd.procedures.cycles:analyse",
    "lead-resistance": "benchd.procedures.lead_resistance:analyse",
    "leak-curve": "benchd.procedures.leak_curve:analyse",
    "sense-leads": "benchd.procedures.sense_leads:analyse",
    "thresholds": "benchd.procedures.thresholds:analyse",
}
"""Name -> module:function."""
LIVES = {
    "short": "benchd.procedures.short_live:ShortLive",
    "two-sides": "benchd.procedures.two_sides_live:TwoSidesLive",
    "sag": "benchd.procedures.sag_live:SagLive",
    "sleep": "benchd.procedures.sleep_live:SleepLive",
}
"""Name -> module:class."""


def analysis(name: str) -> Analysis:
    """The analysis of that name. Raises KeyError."""
    return cast(Analysis, _loaded(ANALYSES[name]))


def live(name: str) -> Maker:
    """The live measurement of that name. Raises KeyError."""
    return cast(Maker, _loaded(LIVES[name]))


def _loaded(where: str) -> object:
    module, _, name = where.partition(":")
    return getattr(importlib.import_module(module), name)
