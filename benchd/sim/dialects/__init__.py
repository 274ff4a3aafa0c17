"""The languages of families of real supplies, each written from what is published about the family.

Independent of the driver's profiles on purpose: what the driver believes is tried against what is written here. A
family is a class (see `base`), one module each; this table is the only place that knows them all.
"""

from __future__ import annotations

from benchd.sim.dialects.base import Dialect

_ALL: tuple[type[Dialect], ...] = ()

FAMILIES: dict[str, type[Dialect]] = {family.name: family for family in _ALL}
