"""The selection of an output where it is one for the whole instrument: others can change it, so it is proved."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.supplies.asking import Question
from benchd.supplies.errors import SupplyError
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


def select(supply: Supply, output: Output, selection: bytes) -> None:
    """Select, and prove it where that can be. Raises LinkError, or SupplyError where it does not stay selected."""
    if output.selected is None:
        supply.link.send(selection, output.select_gap_ns)
        return
    for _ in range(2):
        if _answer(supply, output, output.selected) in output.selected_answers:
            return
        supply.link.send(selection, output.select_gap_ns)
    _refuse_unselected(supply, output, output.selected, selection)


def refuse_other(supply: Supply, output: Output, question: Question) -> None:
    """Raises SupplyError where another output is selected now: what was answered may be about that one."""
    if question.selection is not None and output.selected is not None:
        _refuse_unselected(supply, output, output.selected, question.selection)


def _answer(supply: Supply, output: Output, question: Question) -> str:
    raw = supply.link.exchange(question.data, question.frame, question.gap_ns)
    with supply.making_sense(output):
        return question.word(raw).removesuffix(".0")


def _refuse_unselected(supply: Supply, output: Output, question: Question, selection: bytes) -> None:
    answer = _answer(supply, output, question)
    if answer not in output.selected_answers:
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {selection.decode('ascii').strip()!r}, but the supply says that "
            f"{answer!r} is selected; somebody at its panel or another program may be changing it: end that"
        )
