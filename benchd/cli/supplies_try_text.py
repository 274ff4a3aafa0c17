"""Results of `benchd supplies try` as a record and as text of at most 80 columns, and what to think of before power."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.supplies.recording_text import Entry
    from benchd.supplies.tryout import Result, Tryout

WIDTH = 80
NAME = 23
MOST_LINES = 8
"""Of an exchange on the terminal; beyond it the middle is left out."""

_CAUTIONS = (
    "Take everything off its leads: a board, a battery or a meter would be powered, or would power the supply.",
    "With remote sensing on and its wires open the output can rise far above what is set: use local sensing.",
    "Keep the bare ends of the leads apart: a wrong pole later, or a spark now, costs a board or burns a finger.",
)


def record(result: Result) -> dict[str, Any]:
    """One flat object; `exchange` has the lines as they stand in a recording, serial numbers included."""
    lines = [_line(entry) for entry in result.exchange]
    return {"check": result.check, "verdict": str(result.verdict), "text": result.text, "exchange": lines}


def result_text(result: Result) -> str:
    """The verdict and why, then what was sent and what came back."""
    head = f"{result.check:<{NAME}} {result.verdict:<8}"
    told = textwrap.wrap(result.text, WIDTH, initial_indent=head, subsequent_indent="    ", break_on_hyphens=False)
    lines = [_line(entry) for entry in result.exchange]
    if len(lines) > MOST_LINES:
        left_out = len(lines) - MOST_LINES
        half = MOST_LINES // 2
        lines = [*lines[:half], f"({left_out} lines more: --json or --save has them)", *lines[-half:]]
    cut = (line if len(line) <= WIDTH - 4 else line[: WIDTH - 7] + "..." for line in lines)
    return "\n".join([*told, *(f"    {line}" for line in cut)])


def cautions(tryout: Tryout) -> str:
    """What may go wrong when the output of this supply is switched on."""
    profile = tryout.supply.profile
    told = [
        f"Channel {tryout.unit.channel} will be switched on at {tryout.voltage_v:g} V, {tryout.limit_a:g} A, and off.",
        *_CAUTIONS,
    ]
    if profile.channels.switch == "all" and len(profile.channel_numbers) > 1:
        told.append("One switch for all outputs: the others come on too, at their smallest settings. Free their leads.")
    if profile.link.serial.levels == "ttl":
        told.append("TTL levels on its serial connector: a plain RS-232 cable can damage it.")
    if profile.trust == "unverified":
        told.append(
            "UNVERIFIED: this profile is from thin documents. Stay at the supply, with a hand at its output key, and "
            "compare its display with what is said here."
        )
    told += profile.notes
    return "\n".join(textwrap.fill(text, WIDTH, initial_indent="- ", subsequent_indent="  ") for text in told)


def _line(entry: Entry) -> str:
    from benchd.supplies.recording_text import shown

    return f"{entry.kind} {shown(entry.data)}"
