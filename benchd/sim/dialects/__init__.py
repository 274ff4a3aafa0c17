"""The languages of families of real supplies, each written from what is published about the family.

Independent of the driver's profiles on purpose: what the driver believes is tried against what is written here. A
family is a class (see `base`), one module each; this table is the only place that knows them all.
"""

from __future__ import annotations

from benchd.sim.dialects.aim_tti_el import AimTtiEl302p
from benchd.sim.dialects.aim_tti_pl import AimTtiPlp
from benchd.sim.dialects.base import Dialect
from benchd.sim.dialects.generic import GenericScpi, GenericScpiApart, GenericScpiMulti
from benchd.sim.dialects.gpd import GwinstekGpd
from benchd.sim.dialects.gpp import GwinstekGpp
from benchd.sim.dialects.hmp import RsHmc804x, RsHmc8041, RsHmp
from benchd.sim.dialects.hp import AgilentE364xa, AgilentE364xaDual, HpE3631a
from benchd.sim.dialects.itech import Bk9130, Bk9130b, ItechIt6300
from benchd.sim.dialects.keithley import Keithley2200, Keithley2230
from benchd.sim.dialects.keithley_2280 import Keithley2280s
from benchd.sim.dialects.keysight import KeysightE36100, KeysightE36300
from benchd.sim.dialects.korad import KoradKa3005p
from benchd.sim.dialects.owon import OwonSpe
from benchd.sim.dialects.psw import GwinstekPsw
from benchd.sim.dialects.rigol import RigolDp800, RigolDp900
from benchd.sim.dialects.rs_ng import RsNge100, RsNgx
from benchd.sim.dialects.siglent import SiglentSpd1000x, SiglentSpd3303x
from benchd.sim.dialects.tenma import Tenma7213350
from benchd.sim.dialects.unit import UnitUdp3305s

_ALL: tuple[type[Dialect], ...] = (
    GenericScpi,
    GenericScpiApart,
    GenericScpiMulti,
    RigolDp800,
    RigolDp900,
    SiglentSpd3303x,
    SiglentSpd1000x,
    KeysightE36300,
    KeysightE36100,
    HpE3631a,
    AgilentE364xa,
    AgilentE364xaDual,
    RsHmp,
    RsHmc804x,
    RsHmc8041,
    RsNge100,
    RsNgx,
    OwonSpe,
    UnitUdp3305s,
    GwinstekGpd,
    GwinstekGpp,
    GwinstekPsw,
    ItechIt6300,
    Bk9130,
    Bk9130b,
    Keithley2230,
    Keithley2200,
    Keithley2280s,
    AimTtiPlp,
    AimTtiEl302p,
    KoradKa3005p,
    Tenma7213350,
)

FAMILIES: dict[str, type[Dialect]] = {family.name: family for family in _ALL}
