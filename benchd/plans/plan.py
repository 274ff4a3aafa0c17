"""The power plan: voltage, stage limits and protections for a kind of board. Checked when it is read.

A wrong key, type, unit or range is refused by pydantic; what does not fit together by the sentences here. The guard
does not know plans: the daemon tells it the stages and limits of one power-on.
"""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, field_validator, model_validator

from benchd.checked import Table
from benchd.guard.rules import LEAST_CHARGING_SHARE
from benchd.guard.stage import STAGE_READINGS

NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
ES1_MAX_V = 60.0
"""V DC: the limit of electrical class ES1 (IEC 62368-1 table 4, from memory); above it this tool is out of scope."""

Volts = Annotated[float, Field(gt=0, le=ES1_MAX_V, allow_inf_nan=False)]
Amps = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]


PROBE_MOST_J = 0.1
"""A probe delivers less than this, whatever it meets. Our choice."""
SLOWEST_INTERVAL_S = 0.2
"""From one reading to the next, s. A slower supply makes a probe last longer than is counted here."""


def _pair(given: Any) -> Any:
    return tuple(given) if isinstance(given, list) else given  # TOML and JSON have lists


Pair = Annotated[
    tuple[Annotated[float, Field(ge=0, le=100)], Annotated[float, Field(ge=0, le=100)]], BeforeValidator(_pair)
]


class ProbeStage(Table):
    """Stage 1: a low voltage at a low limit shows the resistance of the rail before anything else is applied."""

    voltage_v: Volts = 0.5
    limit_a: Amps = 0.1
    ms: Annotated[float, Field(ge=20, le=2000)] = 200.0
    least_ohm: Annotated[float, Field(gt=0, le=1e6)]
    """A rail of less is a dead short: nothing more is applied."""

    @property
    def most_j(self) -> float:
        """The most that it can deliver, J, into any load: voltage times limit for all the time that it lasts at 5
        readings/s (E = V·I·t)."""
        seconds = self.ms / 1e3
        return self.voltage_v * self.limit_a * max(seconds, seconds / 2 + STAGE_READINGS * SLOWEST_INTERVAL_S)

    @model_validator(mode="after")
    def _gentle(self) -> ProbeStage:
        if not self.most_j < PROBE_MOST_J:
            raise ValueError(
                f"voltage_v = {self.voltage_v} V with limit_a = {self.limit_a} A for ms = {self.ms} ms may deliver "
                f"{self.most_j:.3g} J at 5 readings/s: allowed is less than {PROBE_MOST_J} J, so lower one of them"
            )
        return self


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
    usb_side: bool = False
    """The board is fed at the 5 V of its USB side, so its traces are read by the cards of that side too."""
    budget: Budget = Budget()
    expected_leak_a: Annotated[float, Field(ge=0, le=100)] | None = None
    """A good board draws no more before the button, A."""
    expected_idle_a: Pair | None = None
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
        self._check_stages()
        self._check_expectations()
        for key, given_j in (("energy_j", self.budget.energy_j), ("fault_j", self.budget.fault_j)):
            if given_j is not None and given_j < self.charging_j:
                raise ValueError(
                    f"budget.{key} = {given_j} J: charging harmless_bulk_uf = {self.harmless_bulk_uf} µF to "
                    f"{self.voltage_v} V may take {self.charging_j:.3g} J, so that a good start would trip"
                )
        if self.cut_within_ms is not None and self.cut_within_ms <= self.short_hold_ms:
            raise ValueError(
                f"cut_within_ms = {self.cut_within_ms} ms must be above short_hold_ms = {self.short_hold_ms} ms: "
                "no short is cut before"
            )
        return self

    def _check_stages(self) -> None:
        probe = self.probe
        if probe is not None and probe.voltage_v > self.voltage_v:
            raise ValueError(f"probe.voltage_v = {probe.voltage_v} V must not be above voltage_v = {self.voltage_v} V")
        for key, stage in (("probe", self.probe), ("hold", self.hold)):
            if stage is not None and stage.limit_a > self.limit_a:
                raise ValueError(
                    f"{key}.limit_a = {stage.limit_a} A must not be above limit_a = {self.limit_a} A, "
                    "the highest of all"
                )
        if probe is not None:
            # i = C·dV/dt; at so little voltage nothing but the capacitors draws (common practice, no source).
            charged_ms = self.harmless_bulk_uf / 1e3 * probe.voltage_v / probe.limit_a
            if charged_ms > probe.ms / 2:
                raise ValueError(
                    f"probe.ms = {probe.ms} ms: charging harmless_bulk_uf = {self.harmless_bulk_uf} µF to "
                    f"{probe.voltage_v} V at {probe.limit_a} A takes {charged_ms:.3g} ms, and only the second half of "
                    "the time is measured: a good board would show as a short"
                )

    def _check_expectations(self) -> None:
        leak_a, hold, idle_a = self.expected_leak_a, self.hold, self.expected_idle_a
        if leak_a is not None and hold is not None and leak_a >= hold.limit_a:
            raise ValueError(
                f"expected_leak_a = {leak_a} A must be below hold.limit_a = {hold.limit_a} A, else a good board does "
                "not pass the hold"
            )
        if idle_a is not None and not idle_a[0] <= idle_a[1]:
            raise ValueError(f"expected_idle_a = {list(idle_a)}: the lower current, A, comes first")

    @property
    def charging_j(self) -> float:
        """The most that a supply may deliver, J, while it charges the harmless capacitance: ½·C·V² (any circuits text)
        by the share of the current that charges."""
        return 0.5 * self.harmless_bulk_uf * 1e-6 * self.voltage_v**2 / LEAST_CHARGING_SHARE
