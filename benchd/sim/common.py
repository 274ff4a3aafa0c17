"""`*IDN?`, status registers and system commands (SCPI-1999 vol. 2 §20, §21)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.sim.language import Call
from benchd.sim.values import whole
from benchd.sim.words import WORDS

if TYPE_CHECKING:
    from benchd.sim.instrument import Instrument
    from benchd.sim.rig import Event


@WORDS.query("*IDN")
def _identify(instrument: Instrument, _call: Call) -> str:
    return f"benchd,{instrument.model},{instrument.serial},{instrument.version}"


def _event(name: str, path: str) -> None:
    """Declare event and enable of a register that the instrument keeps under `name`."""

    def register(instrument: Instrument) -> Event:
        found: Event = getattr(instrument, name)
        return found

    @WORDS.query(f"{path}[:EVENt]")
    def take(instrument: Instrument, call: Call) -> str:
        instrument.gather(call.now_s)
        return str(register(instrument).take())

    @WORDS.order(f"{path}:ENABle", 1)
    def set_enable(instrument: Instrument, call: Call) -> None:
        register(instrument).enable = whole(call.parameters[0], 0, 65535) & 32767

    @WORDS.query(f"{path}:ENABle")
    def enable(instrument: Instrument, _call: Call) -> str:
        return str(register(instrument).enable)


_event("questionable", "STATus:QUEStionable")
_event("operation", "STATus:OPERation")
_event("by_instrument", "STATus:QUEStionable:INSTrument")


@WORDS.query("STATus:QUEStionable:CONDition")
def _questionable(instrument: Instrument, call: Call) -> str:
    return str(instrument.questionable_condition(call.now_s))


@WORDS.query("STATus:OPERation:CONDition")
def _operation(_instrument: Instrument, _call: Call) -> str:
    return "0"


@WORDS.query("STATus:QUEStionable:INSTrument:CONDition")
def _instruments(instrument: Instrument, call: Call) -> str:
    instrument.gather(call.now_s)
    return str(sum(1 << place for place, event in enumerate(instrument.summaries, 1) if event.summary))


@WORDS.query("STATus:QUEStionable:INSTrument:ISUMmary#[:EVENt]")
def _summary_event(instrument: Instrument, call: Call) -> str:
    instrument.channel_of(call.suffixes[0])
    instrument.gather(call.now_s)
    return str(instrument.summaries[call.suffixes[0] - 1].take())


@WORDS.query("STATus:QUEStionable:INSTrument:ISUMmary#:CONDition")
def _summary_condition(instrument: Instrument, call: Call) -> str:
    channel = instrument.channel_of(call.suffixes[0])
    channel.advance(call.now_s)
    return str(channel.condition())


@WORDS.order("STATus:QUEStionable:INSTrument:ISUMmary#:ENABle", 1)
def _set_summary_enable(instrument: Instrument, call: Call) -> None:
    instrument.channel_of(call.suffixes[0])
    instrument.summaries[call.suffixes[0] - 1].enable = whole(call.parameters[0], 0, 65535) & 32767


@WORDS.query("STATus:QUEStionable:INSTrument:ISUMmary#:ENABle")
def _summary_enable(instrument: Instrument, call: Call) -> str:
    instrument.channel_of(call.suffixes[0])
    return str(instrument.summaries[call.suffixes[0] - 1].enable)


@WORDS.order("STATus:PRESet")
def _preset(instrument: Instrument, _call: Call) -> None:
    for register in (
        instrument.questionable,
        instrument.operation,
        instrument.by_instrument,
        *instrument.summaries,
    ):
        register.enable = 0


@WORDS.query("SYSTem:ERRor[:NEXT]")
def _error(instrument: Instrument, _call: Call) -> str:
    return instrument.errors.take()


@WORDS.query("SYSTem:ERRor:COUNt")
def _error_count(instrument: Instrument, _call: Call) -> str:
    return str(len(instrument.errors))


@WORDS.query("SYSTem:ERRor:ALL")
def _all_errors(instrument: Instrument, _call: Call) -> str:
    return instrument.errors.take_all()


@WORDS.query("SYSTem:VERSion")
def _version(_instrument: Instrument, _call: Call) -> str:
    return "1999.0"


@WORDS.order("SYSTem:REMote")
@WORDS.order("SYSTem:LOCal")
@WORDS.order("SYSTem:RWLock")
def _front_panel(_instrument: Instrument, _call: Call) -> None:
    """There is no front panel to lock or to free, so all three are simply accepted."""
