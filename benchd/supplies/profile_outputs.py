"""The table of a driver profile that says what an output can do, and how well its readings can be trusted."""

from __future__ import annotations

from typing import Annotated

from benchd.supplies.profile_base import Table, told


class OutputRange(Table, frozen=True, kw_only=True):
    """What some outputs can do. Voltages of a negative output are given, set and read as magnitudes."""

    numbers: Annotated[tuple[int, ...], told("The numbers of the outputs of this kind.")]
    negative: Annotated[
        bool, told("The supply writes its voltages with a minus; here all are magnitudes, so 5 means -5 V.")
    ] = False
    min_voltage_v: Annotated[float, told("Smallest setting, V.")] = 0.0
    max_voltage_v: Annotated[float, told("Largest setting, V.")]
    min_limit_a: Annotated[float, told("Smallest current limit, A.")] = 0.0
    max_limit_a: Annotated[float, told("Largest current limit, A.")]
    voltage_decimals: Annotated[int, told("Digits written after the point of a voltage.", ge=0, le=9)] = 3
    limit_decimals: Annotated[int, told("Digits written after the point of a current limit.", ge=0, le=9)] = 3
    voltage_width: Annotated[
        int, told("Characters of a written voltage, with leading zeros; 0: as it comes.", ge=0, le=16)
    ] = 0
    limit_width: Annotated[int, told("The same for a current limit.", ge=0, le=16)] = 0
    set_resolution_v: Annotated[
        float, told("Smallest step of a voltage setting, V. Read back further away than that, it is refused.")
    ]
    set_resolution_a: Annotated[float, told("Smallest step of a current limit, A.")]
    read_resolution_v: Annotated[float, told("Smallest step of a voltage reading, V.")]
    read_resolution_a: Annotated[float, told("Smallest step of a current reading, A.")]
    accuracy_fraction_v: Annotated[float, told("Voltage readings are right within fraction x reading + offset.")] = 0.0
    accuracy_offset_v: Annotated[float, told("The offset, V. With both 0 the accuracy counts as not stated.")] = 0.0
    accuracy_fraction_a: Annotated[float, told("The same for current readings.")] = 0.0
    accuracy_offset_a: Annotated[float, told("The offset, A.")] = 0.0

    def voltage_tolerance_v(self, voltage_v: float) -> float:
        """How far a true reading of a voltage can be from its setting, V."""
        steps = self.set_resolution_v + self.read_resolution_v
        return self.accuracy_fraction_v * abs(voltage_v) + self.accuracy_offset_v + steps

    def current_tolerance_a(self, current_a: float) -> float:
        """How far a true reading of a current can be from its setting, A."""
        steps = self.set_resolution_a + self.read_resolution_a
        return self.accuracy_fraction_a * abs(current_a) + self.accuracy_offset_a + steps

    @property
    def no_current_a(self) -> float:
        """Readings of no current at all are not above this, A."""
        return self.accuracy_offset_a + 2 * self.read_resolution_a
