"""The SIMulate commands: hands on the bench, a look at the truth, and faults. No real supply has them.

Every family has them on its control port; the supply of this package takes them among its own commands too.

`n` is a channel, 1 when left out.

| command | does |
| --- | --- |
| `SIMulate<n>:BOARd <kind>` | clip a fresh board of this kind on the leads; `NONE` leaves them free |
| `SIMulate<n>:CONNect ON\\|OFF` | put the clip on or take it off; the board keeps its charge |
| `SIMulate<n>:BUTTon` | press the board's button (no effect on a board that is not waiting for it) |
| `SIMulate<n>:BRIDge <Ohm>` | the short, or the clips on each other, have this resistance from where the clip is now |
| `SIMulate<n>:SENSe <leads>` | so many of its two sense leads, 0 to 2, are on the clips and whole (2 at first) |
| `SIMulate<n>:METer <gain V>,<offset V>,<gain A>,<offset A>` | what its meters show of a value (1,0,1,0: the value) |
| `SIMulate<n>:SURGe <V>` | the regulator fails: it gives this voltage until another one is set |
| `SIMulate<n>:TRUTh?` | `<output 0/1>,<terminal V>,<current A>,<board V>` of the model, without noise |
| `SIMulate:TELL "<message>"` | carry out a message of the supply's own language at once; its replies are lost |
| `SIMulate:FAULt <kind>[,<argument>]` | see the table in `faults.py` |
| `SIMulate:LATency <s>` | processing time of a query |
| `SIMulate:INTerval <s>` | how often readings refresh, and over how long they average |
| `SIMulate:LOG?` | number of off orders received, then when the last ones came (monotonic clock, ns) |
| `SIMulate:LOG:REPLy?` | the same, with when the connection of each had last been sent a reply (0: never) |
| `SIMulate:ERRor?` | the oldest error of these commands; these stay out of the supply's own queue |
"""

from __future__ import annotations

from benchd.sim.board import KINDS
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language, carry_out
from benchd.sim.rig import Rig
from benchd.sim.values import boolean, number, whole

SIMULATION: Language[Rig] = Language()


def control(rig: Rig, message: str, now_s: float) -> str | None:
    """Carry out a message of the control port, where only these commands are known; its reply."""
    rig.watch(now_s)
    return ";".join(carry_out(SIMULATION.program(message), rig, now_s, rig.simulation_errors.add)) or None


@SIMULATION.order("SIMulate#:BOARd", 1)
def _board(rig: Rig, call: Call) -> None:
    rig.channel_of(call.suffixes[0])
    rig.attach(call.suffixes[0] - 1, call.parameters[0].strip("\"'"), call.now_s)


@SIMULATION.query("SIMulate#:BOARd")
def _which_board(rig: Rig, call: Call) -> str:
    return rig.channel_of(call.suffixes[0]).board.kind.name


@SIMULATION.query("SIMulate:BOARd:CATalog")
def _boards(_rig: Rig, _call: Call) -> str:
    return ",".join(KINDS)


@SIMULATION.order("SIMulate#:CONNect", 1)
def _connect(rig: Rig, call: Call) -> None:
    rig.channel_of(call.suffixes[0]).connect(boolean(call.parameters[0]), call.now_s)


@SIMULATION.order("SIMulate#:BUTTon")
def _press(rig: Rig, call: Call) -> None:
    rig.channel_of(call.suffixes[0]).press(call.now_s)


@SIMULATION.order("SIMulate#:BRIDge", 1)
def _bridge(rig: Rig, call: Call) -> None:
    ohm = number(call.parameters[0], "OHM")
    if not 1e-6 <= ohm <= 1e9:
        raise ScpiError(-222, call.parameters[0])
    rig.channel_of(call.suffixes[0]).bridge(ohm, call.now_s)


@SIMULATION.order("SIMulate#:SENSe", 1)
def _clip_sense(rig: Rig, call: Call) -> None:
    rig.channel_of(call.suffixes[0]).clip_sense(whole(call.parameters[0], 0, 2), call.now_s)


@SIMULATION.order("SIMulate#:METer", 4)
def _meter(rig: Rig, call: Call) -> None:
    gain_v, offset_v, gain_a, offset_a = (
        number(text, unit) for text, unit in zip(call.parameters, ("", "V", "", "A"), strict=True)
    )
    if not (0.5 <= gain_v <= 2 and 0.5 <= gain_a <= 2 and abs(offset_v) <= 1 and abs(offset_a) <= 1):
        raise ScpiError(-222, ",".join(call.parameters))
    rig.channel_of(call.suffixes[0]).err(call.now_s, gain_v, offset_v, gain_a, offset_a)


@SIMULATION.order("SIMulate#:SURGe", 1)
def _surge(rig: Rig, call: Call) -> None:
    rig.channel_of(call.suffixes[0]).set(call.now_s, voltage_v=number(call.parameters[0], "V"))


@SIMULATION.query("SIMulate#:TRUTh")
def _truth(rig: Rig, call: Call) -> str:
    truth = rig.channel_of(call.suffixes[0]).truth(call.now_s)
    sign = rig.sign_of(call.suffixes[0] - 1)
    return f"{int(truth.output)},{sign * truth.terminal_v:.9g},{truth.current_a:.9g},{sign * truth.board_v:.9g}"


@SIMULATION.order("SIMulate:TELL", 1)
def _tell(rig: Rig, call: Call) -> None:
    text = call.parameters[0]
    if len(text) < 2 or text[0] not in "\"'" or text[-1] != text[0]:
        raise ScpiError(-104, text)
    rig.hear(text[1:-1].encode("latin-1"), call.now_s)


@SIMULATION.order("SIMulate:FAULt", 1, 3)
def _fault(rig: Rig, call: Call) -> None:
    rig.faults.set(call.parameters[0], call.parameters[1:])


@SIMULATION.order("SIMulate:LATency", 1)
def _latency(rig: Rig, call: Call) -> None:
    rig.latency_s = _seconds(call.parameters[0], 0.0, 60.0)


@SIMULATION.order("SIMulate:INTerval", 1)
def _interval(rig: Rig, call: Call) -> None:
    interval_s = _seconds(call.parameters[0], 1e-4, 60.0)
    for channel in rig.channels:
        channel.refresh_every(interval_s, call.now_s)


def _seconds(text: str, lowest: float, highest: float) -> float:
    value = number(text, "S")
    if not lowest <= value <= highest:
        raise ScpiError(-222, text)
    return value


@SIMULATION.query("SIMulate:LOG")
def _log(rig: Rig, _call: Call) -> str:
    return ",".join([str(rig.off_count), *(str(arrival_ns) for arrival_ns, _ in rig.offs)])


@SIMULATION.query("SIMulate:LOG:REPLy")
def _log_replies(rig: Rig, _call: Call) -> str:
    return ",".join([str(rig.off_count), *(str(reply_ns) for _, reply_ns in rig.offs)])


@SIMULATION.query("SIMulate:ERRor")
def _error(rig: Rig, _call: Call) -> str:
    return rig.simulation_errors.take()
