"""The answers of a supply of plain SCPI with one output, for any of the test instruments."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

State = dict[str, Any]


def plain_scpi(**changed: Callable[[State], Any]) -> Callable[[str], list[bytes | float | str]]:
    """What it answers to a line. `changed`: another answer to a query, or more that a command does, by its first word.

    The state has what is set as VOLT, CURR and OUTP, and the `errors` that wait in the queue.
    """
    state: State = {"VOLT": "3.00", "CURR": "0.50", "OUTP": "0", "errors": []}

    def answer(line: str) -> list[bytes | float | str]:
        if line in changed:
            return [changed[line](state).encode() + b"\n"]
        if line == "*IDN?":
            return [b"Example Works,EX-30,0041,1.07\n"]
        if line == "SYST:ERR?":
            return [(state["errors"].pop(0) if state["errors"] else '0,"No error"').encode() + b"\n"]
        if line == "MEAS:VOLT?;:MEAS:CURR?":
            on = state["OUTP"] == "1"
            return [f"{state['VOLT'] if on else '0.00'};0.000\n".encode()]
        word, _, value = line.partition(" ")
        if word.endswith("?"):
            return [state[word[:-1]].encode() + b"\n"]
        state[word] = {"ON": "1", "OFF": "0"}.get(value, value)
        if word in changed:
            changed[word](state)
        return []

    return answer
