"""The SIMulate commands: hands on the bench, a look at the truth, and faults. No real supply has them.

`n` is a channel, 1 when left out.

| command | does |
| --- | --- |
| `SIMulate<n>:BOARd <kind>` | clip a fresh board of this kind on the leads; `NONE` leaves them free |
| `SIMulate<n>:CONNect ON\\|OFF` | put the clip on or take it off; the board keeps its charge |
| `SIMulate<n>:BUTTon` | press the board's button (no effect on a board that is not waiting for it) |
| `SIMulate<n>:TRUTh?` | `<output 0/1>,<terminal V>,<current A>,<board V>` of the model, without noise |
| `SIMulate:FAULt <kind>[,<argument>]` | see the table in `faults.py` |
| `SIMulate:LATency <s>` | processing time of a query |
| `SIMulate:INTerval <s>` | how often readings refresh, and over how long they average |
| `SIMulate:LOG?` | number of OUTPut OFF received, then when the last ones came (monotonic clock, ns) |
| `SIMulate:LOG:REPLy?` | the same, with when the connection of each had last been sent a reply (0: never) |
| `SIMulate:ERRor?` | the oldest error of a message that began with SIMulate; these stay out of SYSTem:ERRor |
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.sim.board import KINDS
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, order, query
from benchd.sim.values import boolean, number

if TYPE_CHECKING:
    from benchd.sim.instrument import Instrument


@order("SIMulate#:BOARd", 1)
def _board(instrument: Instrument, call: Call) -> None:
    instrument.channel_of(call.suffixes[0])
    instrument.attach(call.suffixes[0] - 1, call.parameters[0].strip("\"'"), call.now_s)


@query("SIMulate#:BOARd")
def _which_board(instrument: Instrument, call: Call) -> str:
    return instrument.channel_of(call.suffixes[0]).board.kind.name


@query("SIMulate:BOARd:CATalog")
def _boards(_instrument: Instrument, _call: Call) -> str:
    return ",".join(KINDS)


@order("SIMulate#:CONNect", 1)
def _connect(instrument: Instrument, call: Call) -> None:
    instrument.channel_of(call.suffixes[0]).connect(boolean(call.parameters[0]), call.now_s)


@order("SIMulate#:BUTTon")
def _press(instrument: Instrument, call: Call) -> None:
    instrument.channel_of(call.suffixes[0]).press(call.now_s)


@query("SIMulate#:TRUTh")
def _truth(instrument: Instrument, call: Call) -> str:
    truth = instrument.channel_of(call.suffixes[0]).truth(call.now_s)
    return f"{int(truth.output)},{truth.terminal_v:.9g},{truth.current_a:.9g},{truth.board_v:.9g}"


@order("SIMulate:FAULt", 1, 3)
def _fault(instrument: Instrument, call: Call) -> None:
    instrument.faults.set(call.parameters[0], call.parameters[1:])


@order("SIMulate:LATency", 1)
def _latency(instrument: Instrument, call: Call) -> None:
    instrument.latency_s = _seconds(call.parameters[0], 0.0, 60.0)


@order("SIMulate:INTerval", 1)
def _interval(instrument: Instrument, call: Call) -> None:
    interval_s = _seconds(call.parameters[0], 1e-4, 60.0)
    for channel in instrument.channels:
        channel.refresh_every(interval_s, call.now_s)


def _seconds(text: str, lowest: float, highest: float) -> float:
    value = number(text, "S")
    if not lowest <= value <= highest:
        raise ScpiError(-222, text)
    return value


@query("SIMulate:LOG")
def _log(instrument: Instrument, _call: Call) -> str:
    return ",".join([str(instrument.off_count), *(str(arrival_ns) for arrival_ns, _ in instrument.offs)])


@query("SIMulate:LOG:REPLy")
def _log_replies(instrument: Instrument, _call: Call) -> str:
    return ",".join([str(instrument.off_count), *(str(reply_ns) for _, reply_ns in instrument.offs)])


@query("SIMulate:ERRor")
def _error(instrument: Instrument, _call: Call) -> str:
    return instrument.simulation_errors.take()
