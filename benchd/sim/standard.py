"""The common commands that IEEE 488.2 §10 makes mandatory, less `*IDN?`, for all supplies that keep to it."""

from __future__ import annotations

from typing import Protocol

from benchd.sim.language import Call, Language
from benchd.sim.rig import Event
from benchd.sim.values import whole


class Registers(Protocol):
    """What they act on: the standard event register, the service request enable, and what else there is to clear."""

    standard: Event
    request_enable: int

    def reset(self, now_s: float) -> None: ...
    def clear_status(self, now_s: float) -> None: ...
    def status_byte(self, now_s: float, pending: bool) -> int: ...


COMMON: Language[Registers] = Language()


@COMMON.order("*CLS")
def clear(supply: Registers, call: Call) -> None:
    supply.clear_status(call.now_s)


@COMMON.order("*ESE", 1)
def _set_event_enable(supply: Registers, call: Call) -> None:
    supply.standard.enable = whole(call.parameters[0], 0, 255)


@COMMON.query("*ESE")
def _event_enable(supply: Registers, _call: Call) -> str:
    return str(supply.standard.enable)


@COMMON.query("*ESR")
def _event_status(supply: Registers, _call: Call) -> str:
    return str(supply.standard.take())


@COMMON.order("*OPC")
def _complete(supply: Registers, _call: Call) -> None:
    supply.standard.bits |= 1


@COMMON.query("*OPC")
def _is_complete(_supply: Registers, _call: Call) -> str:
    return "1"


@COMMON.order("*RST")
def _reset(supply: Registers, call: Call) -> None:
    supply.reset(call.now_s)


@COMMON.order("*SRE", 1)
def _set_request_enable(supply: Registers, call: Call) -> None:
    # Bit 6 cannot request itself (IEEE 488.2 §11.3.2).
    supply.request_enable = whole(call.parameters[0], 0, 255) & ~64


@COMMON.query("*SRE")
def _request_enable(supply: Registers, _call: Call) -> str:
    return str(supply.request_enable)


@COMMON.query("*STB")
def _status_byte(supply: Registers, call: Call) -> str:
    return str(supply.status_byte(call.now_s, call.pending))


@COMMON.query("*TST")
def _self_test(_supply: Registers, _call: Call) -> str:
    return "0"


@COMMON.order("*WAI")
def _wait(_supply: Registers, _call: Call) -> None:
    """Nothing to wait for: a command is finished before the next one begins."""
