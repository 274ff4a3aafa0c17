"""The step `watch`: a live measurement that goes on until the operator, its time or itself says that it is over."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

from benchd.procedures.analyses import live
from benchd.procedures.card import Watch
from benchd.procedures.hands import Cut, Progress
from benchd.procedures.taken import Analysed, Live
from benchd.traces.samples import Samples

if TYPE_CHECKING:
    from benchd.procedures.steps import Steps

KEPT_EVERY_S = 60.0
"""So often is the state of a live measurement kept. Our choice: what a crash of the machine may cost."""
TOLD_EVERY_S = 0.1


async def watch(steps: Steps, step: Watch, state: dict[str, object] | None, gap: tuple[int, int] | None) -> Analysed:
    """Carry it out. Raises Cut, also where the measurement says that it is unsafe: then the output goes off."""
    hands = steps.hands
    measuring = steps.measuring = live(step.live)(steps.taken)
    if state is not None and gap is not None:
        measuring.restore(state, *gap)
    began_ns = hands.now_ns()
    longest_s = steps.scope.number(step.longest_s)
    told_ns, kept_ns = began_ns, 0  # what it would go on from is kept at once
    async for side, part in _parts(steps, step.sides):
        if len(part):
            measuring.feed(side, part)
        now_ns = hands.now_ns()
        if _commands(steps, measuring, now_ns):
            break
        if (now_ns - told_ns) / 1e9 >= TOLD_EVERY_S:
            told_ns = now_ns
            if await _told(steps, step, measuring, began_ns, longest_s):
                break
        if (now_ns - kept_ns) / 1e9 >= KEPT_EVERY_S:
            kept_ns = now_ns
            await hands.keep(steps.record, measuring.state())
        if (now_ns - began_ns) / 1e9 >= longest_s:
            steps.moment("step", f"its time of {longest_s:g} s is over")
            break
    steps.measuring = None
    return await hands.work(measuring.analysed)


def _commands(steps: Steps, measuring: Live, now_ns: int) -> bool:
    """What the operator has said meanwhile; whether it is done."""
    over = False
    for word, text in steps.hands.commands():
        if word == "point":
            steps.keep_moment(measuring.point(text, now_ns))
        over = over or word == "done"
    return over


async def _told(steps: Steps, step: Watch, measuring: Live, began_ns: int, longest_s: float) -> bool:
    """Tell what it reads now, and do what it wants; whether it is over."""
    now_ns = steps.hands.now_ns()
    told = measuring.told(now_ns)
    share = min((now_ns - began_ns) / 1e9 / longest_s, 1.0)
    before = steps.progress(step.title or "measures until you say done", share)
    steps.hands.tell(Progress(before.step, before.steps, before.title, share, None, told))
    if told.wanted == "unsafe":
        raise Cut("refused", told.text)
    if told.wanted == "change":
        volts, amps = steps.settings(step.sides[0])
        volts = volts if told.change_voltage_v is None else told.change_voltage_v
        amps = amps if told.change_limit_a is None else told.change_limit_a
        await steps.change(step.sides[0], volts, amps)
    return told.wanted == "end"


async def _parts(steps: Steps, sides: list[str]) -> AsyncIterator[tuple[str, Samples]]:
    """Readings of all sides in turns: each gives some several times a second, so none waits long for another."""
    sources = [(side, steps.hands.readings(side)) for side in sides]
    while True:
        for side, source in sources:
            yield side, await anext(source)
