"""Carries a card out: one step after the other, with whatever hands it is given. Pure but for them.

However a run ends (done, cut, cancelled, an error of ours), each output that it asked on is asked off, and the record
says how it ended. An output that cannot be confirmed off is said first.
"""

from __future__ import annotations

import dataclasses

import msgspec

from benchd.procedures.card import Card
from benchd.procedures.check import Output, check
from benchd.procedures.hands import Cut, Hands
from benchd.procedures.record import Curve, Happened, LeadSet, Outcome, Result, Run, Side, Value
from benchd.procedures.steps import Ended, Steps
from benchd.procedures.taken import CannotTell
from benchd.procedures.values import NoValue

EARLY: tuple[Outcome, ...] = ("stopped", "timed-out", "tripped", "refused", "interrupted")
"""Ends before its end: what was measured until then is told all the same."""


@dataclasses.dataclass(frozen=True, slots=True)
class RunAsked:
    """One run, as somebody asked for it and the daemon allowed it. Dictionaries by role of the side."""

    id: str
    job: str | None
    sides: tuple[Side, ...]
    outputs: dict[str, Output]
    parameters: dict[str, Value]
    by: str = ""
    reference: dict[str, tuple[Curve, ...]] = dataclasses.field(default_factory=dict)
    """Curves of the same card on good boards of this kind, by run id."""
    earlier: Run | None = None
    """The interrupted run that goes on."""
    state: dict[str, object] | None = None
    """Of its live measurement."""
    gap: tuple[int, int] | None = None
    """From when to when nothing was recorded, ns since the epoch."""


class Finished(msgspec.Struct, frozen=True):
    """A run that has ended, and what is to be kept beside it."""

    run: Run
    leads: tuple[LeadSet, ...] = ()


async def run(card: Card, asked: RunAsked, hands: Hands) -> Finished:
    """Carry a card out. Never raises but for cancellation, and that only when all is off."""
    checked = check(card, asked.parameters, asked.outputs)
    began_ns = hands.now_ns()
    record = asked.earlier or Run(
        asked.id, card.name, card.version, card.title, asked.job, began_ns, asked.sides,
        next(iter(asked.outputs.values())).plan.name, checked.parameters, asked.by, cautions=tuple(card.cautions),
    )  # fmt: skip
    if checked.faults:
        ended = msgspec.structs.replace(record, ended_ns=began_ns, outcome="refused", text=" ".join(checked.faults))
        await hands.keep(ended)
        return Finished(ended)
    record = msgspec.structs.replace(
        record, outcome="running", ended_ns=None, parameters=checked.parameters, results=(), curves=(),
        against=tuple(asked.reference),
    )  # fmt: skip
    steps = Steps(card, asked.outputs, hands, record, asked.reference)
    if asked.earlier is not None and asked.gap is not None:
        steps.resumed(asked.state, asked.gap)
    outcome: Outcome = "interrupted"
    text = "the run was ended from inside benchd"
    told = False
    try:
        await hands.keep(steps.record)
        outcome, text = await _carried_out(steps)
        told = True
    finally:
        unsure = await steps.all_off()
        if told and outcome == "interrupted" and steps.measuring is not None:
            await hands.keep(steps.record, steps.measuring.state())  # what it may go on from, now that it is off
        if told and outcome in EARLY and (so_far := await steps.so_far()):
            text = f"{text}. {so_far}"
        if unsure:
            outcome, text = "interrupted", f"NOT CONFIRMED OFF: {unsure}. {text}"
        final = steps.ended(outcome, text)
        await hands.keep(final)
    return Finished(final, steps.leads)


async def _carried_out(steps: Steps) -> tuple[Outcome, str]:
    """All steps; how it ends."""
    try:
        await steps.all()
    except Cut as cut:
        return cut.outcome, cut.text
    except (CannotTell, NoValue) as error:  # such as a resistance where no current flows
        return "unclear", str(error)
    except Ended as end:
        if end.outcome is not None:
            return end.outcome, end.text
        outcome, text = steps.outcome()
        return outcome, f"{text} {end.text}".strip() if steps.has_said else end.text or "the card ended it"
    except Exception as error:  # a fault of ours must end with the output off and be told, not kill the daemon's task
        return "interrupted", f"a fault in benchd ended it ({type(error).__name__}: {error}); please report it"
    return steps.outcome()


__all__ = ["Finished", "Happened", "Result", "RunAsked", "run"]
