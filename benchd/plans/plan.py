"""The power plan: voltage, stage limits and protections for a kind of board. Checked when it is read.

A wrong key, type, unit or range is refused by pydantic; what does not fit together by the sentences here. The guard
does not know plans: the daemon tells it the stages and limits of one power-on.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from benchd.checked import Table
from benchd.guard.rules import LEAST_CHARGING_SHARE

NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
ES1_MAX_V = 60.0
"""V DC: the limit of electrical class ES1 (IEC 62368-1 table 4, from memory); above it this tool is out of scope."""

Volts = Annotated[float, Field(gt=0, le=ES1_MAX_V, allow_inf_nan=False)]
Amps = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]


class ProbeStage(Table):
    """Stage 1: a low voltage at a low limit shows the resistance of the rail before anything else is applied."""

    voltage_v: Volts = 0.5
    limit_a: Amps = 0.1
    ms: Annotated[float, Field(ge=20, le=2000)] = 200.0
    least_ohm: Annotated[float, Field(gt=0, le=1e6)]
    """A rail of less is a dead short: nothing more is applied."""


class HoldStage(Table):
    """Stage 2: the plan's voltage at a small limit, no button yet: the leak."""

    limit_a: Amps
    seconds: Annotated[float, Field(ge=0.1, le=600)] = 2.0
    by_hand: bool = False
    """Goes on only when somebody says so."""


class Budget(Table):
    """How much energy and I²t may go in. Each may be left out."""

    energy_j: Annotated[float, Field(gt=0, le=1e7)] | None = None
    """Since the output went on: the unattended ceiling."""
    square_a2s: Annotated[float, Field(gt=0, le=1e7)] | None = None
    """Likewise, I²t in A²s."""
    fault_j: Annotated[float, Field(gt=0, le=1e4)] | None = None
    """Into a collapsed rail, in one stretch; what a trip let through is compared with it."""


class Plan(Table):
    """Voltage, stage limits and protections for a kind of board."""

    name: str
    title: Annotated[str, Field(max_length=120)] = ""
    voltage_v: Volts
    limit_a: Amps
    """Of the boot stage, and the highest of all."""
    probe: ProbeStage | None = None
    hold: HoldStage | None = None
    over_voltage_v: Volts | None = None
    over_current_a: Amps | None = None
    short_voltage_fraction: Annotated[float, Field(gt=0, lt=1)] = 0.5
    short_hold_ms: Annotated[float, Field(ge=0, le=1000)] = 10.0
    limit_hold_ms: Annotated[float, Field(ge=0, le=60000)] = 1000.0
    """In limit with the voltage pulled down, though not collapsed, for longer than this: a short. 0: never."""
    harmless_bulk_uf: Annotated[float, Field(ge=1, le=20000)] = 2000.0
    stale_ms: Annotated[float, Field(ge=100, le=60000)] = 1000.0
    instrument_over_current: bool = False
    """The supply's own over-current protection is switched on where its family lets a delay be set."""
    cut_within_ms: Annotated[float, Field(gt=0, le=60000)] | None = None
    """The promise: a short is cut within this. Where a supply is too slow for it, the page says so."""
    longest_on_s: Annotated[float, Field(gt=0, le=604800)] | None = None
    soak: bool = False
    """Made for long tests: quiet hours do not end it."""
    budget: Budget = Budget()
    expected_leak_a: Annotated[float, Field(ge=0, le=100)] | None = None
    """A good board draws no more before the button, A."""
    expected_idle_a: tuple[float, float] | None = None
    """A good board settles between these, A."""
    source: str = ""
    """Where the figures come from."""

    @field_validator("name")
    @classmethod
    def _name(cls, text: str) -> str:
        if not NAME.fullmatch(text):
            raise ValueError("allowed are 1 to 32 of a-z, 0-9 and '-', starting and ending with a letter or digit")
        return text

    @model_validator(mode="after")
    def _sane(self) -> Plan:
        if self.over_voltage_v is not None and self.over_voltage_v <= self.voltage_v:
            raise ValueError(
                f"over_voltage_v = {self.over_voltage_v} V must be above voltage_v = {self.voltage_v} V, "
                "else every start trips"
            )
        if self.over_current_a is not None and self.over_current_a > self.limit_a:
            raise ValueError(
                f"over_current_a = {self.over_current_a} A must not be above limit_a = {self.limit_a} A: "
                "the supply holds the current at limit_a, so the rule could never act"
            )
        if self.probe is not None and self.probe.voltage_v > self.voltage_v:
            raise ValueError(
                f"probe.voltage_v = {self.probe.voltage_v} V must not be above voltage_v = {self.voltage_v} V"
            )
        for key, stage in (("probe", self.probe), ("hold", self.hold)):
            if stage is not None and stage.limit_a > self.limit_a:
                raise ValueError(
                    f"{key}.limit_a = {stage.limit_a} A must not be above limit_a = {self.limit_a} A, "
                    "the highest of all"
                )
        least_j = self.charging_j
        if self.budget.fault_j is not None and self.budget.fault_j < least_j:
            raise ValueError(
                f"budget.fault_j = {self.budget.fault_j} J: charging harmless_bulk_uf = {self.harmless_bulk_uf} µF to "
                f"{self.voltage_v} V may take {least_j:.3g} J, so that a good start would trip"
            )
        return self

    @property
    def charging_j(self) -> float:
        """The most that a supply may deliver, J, while it charges the harmless capacitance: ½·C·V² (any circuits text)
        by the share of the current that charges."""
        return 0.5 * self.harmless_bulk_uf * 1e-6 * self.voltage_v**2 / LEAST_CHARGING_SHARE
