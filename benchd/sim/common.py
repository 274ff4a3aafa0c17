"""Common commands (IEEE 488.2 §10), status registers and system commands (SCPI-1999 vol. 2 §20, §21)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.sim.language import Call, order, query
from benchd.sim.values import whole

if TYPE_CHECKING:
    from benchd.sim.instrument import Event, Instrument


@order("*CLS")
def _clear(instrument: Instrument, call: Call) -> None:
    instrument.clear_status(call.now_s)


@order("*ESE", 1)
def _set_event_enable(instrument: Instrument, call: Call) -> None:
    instrument.standard.enable = whole(call.parameters[0], 0, 255)


@query("*ESE")
def _event_enable(instrument: Instrument, _call: Call) -> str:
    return str(instrument.standard.enable)


@query("*ESR")
def _event_status(instrument: Instrument, _call: Call) -> str:
    return str(instrument.standard.take())


@query("*IDN")
def _identify(instrument: Instrument, _call: Call) -> str:
    return f"benchd,SIM-2,{instrument.serial},{instrument.version}"


@order("*OPC")
def _complete(instrument: Instrument, _call: Call) -> None:
    instrument.standard.bits |= 1


@query("*OPC")
def _is_complete(_instrument: Instrument, _call: Call) -> str:
    return "1"


@order("*RST")
def _reset(instrument: Instrument, call: Call) -> None:
    instrument.reset(call.now_s)


@order("*SRE", 1)
def _set_request_enable(instrument: Instrument, call: Call) -> None:
    # Bit 6 cannot request itself (IEEE 488.2 §11.3.2).
    instrument.request_enable = whole(call.parameters[0], 0, 255) & ~64


@query("*SRE")
def _request_enable(instrument: Instrument, _call: Call) -> str:
    return str(instrument.request_enable)


@query("*STB")
def _status_byte(instrument: Instrument, call: Call) -> str:
    return str(instrument.status_byte(call.now_s, call.pending))


@query("*TST")
def _self_test(_instrument: Instrument, _call: Call) -> str:
    return "0"


@order("*WAI")
def _wait(_instrument: Instrument, _call: Call) -> None:
    """Nothing to wait for: every command here is finished before the next one begins."""


def _event(name: str, path: str) -> None:
    """Declare event and enable of a register that the instrument keeps under `name`."""

    def register(instrument: Instrument) -> Event:
        found: Event = getattr(instrument, name)
        return found

    @query(f"{path}[:EVENt]")
    def take(instrument: Instrument, call: Call) -> str:
        instrument.gather(call.now_s)
        return str(register(instrument).take())

    @order(f"{path}:ENABle", 1)
    def set_enable(instrument: Instrument, call: Call) -> None:
        register(instrument).enable = whole(call.parameters[0], 0, 65535) & 32767

    @query(f"{path}:ENABle")
    def enable(instrument: Instrument, _call: Call) -> str:
        return str(register(instrument).enable)


_event("questionable", "STATus:QUEStionable")
_event("operation", "STATus:OPERation")
_event("by_instrument", "STATus:QUEStionable:INSTrument")


@query("STATus:QUEStionable:CONDition")
def _questionable(instrument: Instrument, call: Call) -> str:
    return str(instrument.questionable_condition(call.now_s))


@query("STATus:OPERation:CONDition")
def _operation(_instrument: Instrument, _call: Call) -> str:
    return "0"


@query("STATus:QUEStionable:INSTrument:CONDition")
def _instruments(instrument: Instrument, call: Call) -> str:
    instrument.gather(call.now_s)
    return str(sum(1 << place for place, event in enumerate(instrument.summaries, 1) if event.summary))


@query("STATus:QUEStionable:INSTrument:ISUMmary#[:EVENt]")
def _summary_event(instrument: Instrument, call: Call) -> str:
    instrument.channel_of(call.suffixes[0])
    instrument.gather(call.now_s)
    return str(instrument.summaries[call.suffixes[0] - 1].take())


@query("STATus:QUEStionable:INSTrument:ISUMmary#:CONDition")
def _summary_condition(instrument: Instrument, call: Call) -> str:
    channel = instrument.channel_of(call.suffixes[0])
    channel.advance(call.now_s)
    return str(channel.condition())


@order("STATus:QUEStionable:INSTrument:ISUMmary#:ENABle", 1)
def _set_summary_enable(instrument: Instrument, call: Call) -> None:
    instrument.channel_of(call.suffixes[0])
    instrument.summaries[call.suffixes[0] - 1].enable = whole(call.parameters[0], 0, 65535) & 32767


@query("STATus:QUEStionable:INSTrument:ISUMmary#:ENABle")
def _summary_enable(instrument: Instrument, call: Call) -> str:
    instrument.channel_of(call.suffixes[0])
    return str(instrument.summaries[call.suffixes[0] - 1].enable)


@order("STATus:PRESet")
def _preset(instrument: Instrument, _call: Call) -> None:
    for register in (
        instrument.questionable,
        instrument.operation,
        instrument.by_instrument,
        *instrument.summaries,
    ):
        register.enable = 0


@query("SYSTem:ERRor[:NEXT]")
def _error(instrument: Instrument, _call: Call) -> str:
    return instrument.errors.take()


@query("SYSTem:ERRor:COUNt")
def _error_count(instrument: Instrument, _call: Call) -> str:
    return str(len(instrument.errors))


@query("SYSTem:ERRor:ALL")
def _all_errors(instrument: Instrument, _call: Call) -> str:
    return instrument.errors.take_all()


@query("SYSTem:VERSion")
def _version(_instrument: Instrument, _call: Call) -> str:
    return "1999.0"


@order("SYSTem:REMote")
@order("SYSTem:LOCal")
@order("SYSTem:RWLock")
def _front_panel(_instrument: Instrument, _call: Call) -> None:
    """There is no front panel to lock or to free, so all three are simply accepted."""
