"""The tables of a driver profile, as types: what may stand in the file, and the defaults.

What each key means is told in `drivers/README.md`; this page holds the names, types and defaults.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Literal

import msgspec


class ProfileError(Exception):
    """A profile cannot be used; says file, table, key, what was given and what is allowed."""


def listed(items: Iterable[object]) -> str:
    """For error texts: the items with commas, or `none`."""
    return ", ".join(str(item) for item in items) or "none"


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A TOML table in which a misspelt key is an error, not a silent default."""


class Identity(Table, frozen=True, kw_only=True):
    """Patterns for the first two fields of the identification; the serial number is never matched."""

    maker: str = ".*"
    model: str = ".*"


class SerialPort(Table, frozen=True, kw_only=True):
    """What a serial port is set to."""

    baud_rate: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"] = "none"
    gap_ms: float = 20.0


class LinkProfile(Table, frozen=True, kw_only=True):
    """How messages travel. Gaps are in ms."""

    write_end: Literal["\n", "\r\n", "\r"] = "\n"
    read_end: Literal["\n", "\r\n", "\r"] = "\n"
    tcp_port: int = 5025
    gap_ms: float = 0.0
    reply_gap_ms: float = 0.0
    after_set_ms: float = 0.0
    identify: str = "*IDN?"
    connect: tuple[str, ...] = ()
    close: tuple[str, ...] = ()
    serial: SerialPort = SerialPort()


class Channels(Table, frozen=True, kw_only=True):
    """How a command reaches one output."""

    select: Literal["none", "same-message", "separate-message"] = "none"
    select_command: str = ""


class Commands(Table, frozen=True, kw_only=True):
    """One template for each thing that is asked of the supply."""

    set_voltage: str
    get_voltage: str
    set_limit: str
    get_limit: str
    output_on: str
    output_off: str
    output_state: str


class ReadCommand(Table, frozen=True, kw_only=True):
    """One message that brings voltage and current of one output together."""

    query: str
    separators: str = ";"
    fields: tuple[Literal["voltage", "current", "status", "-"], ...] = ("voltage", "current")
    refresh_ms: float = 0.0


class ModeSource(Table, frozen=True, kw_only=True):
    """How constant voltage and constant current are told apart."""

    source: Literal["derived", "bits"] = "derived"
    cc_mask: int = 0
    cv_mask: int = 0


class Words(Table, frozen=True, kw_only=True):
    """The words of on and off in replies, compared without case."""

    on: tuple[str, ...] = ("1", "ON")
    off: tuple[str, ...] = ("0", "OFF")


class ErrorQueue(Table, frozen=True, kw_only=True):
    """The error queue. `probe`: not every unit has one, so try it once after connecting."""

    query: str = "SYST:ERR?"
    probe: bool = False


class OverVoltage(Table, frozen=True, kw_only=True):
    """The supply's own over-voltage protection, which acts without us."""

    set_level: str
    get_level: str
    enable: str = ""
    enabled: str = ""


class OutputRange(Table, frozen=True, kw_only=True):
    """What some outputs can do; the numbers they have, V and A, and how well the readings can be trusted."""

    numbers: tuple[int, ...]
    min_voltage_v: float = 0.0
    max_voltage_v: float
    min_limit_a: float = 0.0
    max_limit_a: float
    voltage_decimals: int = 3
    limit_decimals: int = 3
    set_resolution_v: float
    set_resolution_a: float
    read_resolution_v: float
    read_resolution_a: float
    accuracy_fraction_v: float = 0.0
    accuracy_offset_v: float = 0.0
    accuracy_fraction_a: float = 0.0
    accuracy_offset_a: float = 0.0

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


class Profile(Table, frozen=True, kw_only=True):
    """One family of supplies."""

    format: int
    name: str
    description: str
    trust: Literal["untested", "simulated", "hardware"]
    identity: Identity = Identity()
    link: LinkProfile = LinkProfile()
    channels: Channels = Channels()
    commands: Commands
    read: ReadCommand
    mode: ModeSource = ModeSource()
    words: Words = Words()
    errors: ErrorQueue | None = None
    over_voltage: OverVoltage | None = None
    outputs: tuple[OutputRange, ...]

    def output(self, channel: int) -> OutputRange:
        """The range of one output. Raises ProfileError for a number that the family does not have."""
        for output in self.outputs:
            if channel in output.numbers:
                return output
        raise ProfileError(f"profile {self.name}: no channel {channel}; allowed: {listed(self.channel_numbers)}")

    @property
    def channel_numbers(self) -> list[int]:
        """All outputs that the profile knows."""
        return [number for output in self.outputs for number in output.numbers]

    def identity_fits(self, identity: str) -> bool:
        """Whether an identification reply is one of this family's."""
        fields = [field.strip() for field in identity.split(",")]
        patterns = (self.identity.maker, self.identity.model)
        fields += [""] * (len(patterns) - len(fields))
        return all(
            re.fullmatch(pattern, field, re.IGNORECASE) for pattern, field in zip(patterns, fields, strict=False)
        )
