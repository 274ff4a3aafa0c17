"""Replays over the archive, several at a time, each in a process with a log of its own that it only reads."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import NamedTuple

import msgspec

from benchd.guard.channel import ENVELOPE_SHARE
from benchd.guard.rules import Resolution
from benchd.store.archive import Wanted, archived
from benchd.store.log import Log
from benchd.store.reference_rows import Bands
from benchd.traces.band import Band
from benchd.traces.cards import Shelf
from benchd.traces.replay import Archived, Outcome, Trial, replay
from benchd.traces.replay_rules import Guarding
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Finding

AT_ONCE = 8
"""Traces that a process is given at a time: few enough that Ctrl-C is obeyed within a second or two."""
WORTH_A_POOL = 32
"""Fewer traces are done before the processes have started."""


MOST_BANDS = 50
"""Bands that a process keeps ready."""


class Outlet(NamedTuple):
    """One output as the settings have it today."""

    resolution: Resolution | None = None
    most_v: float | None = None
    """Of its envelope, V: a reading beyond it trips whatever the plan says."""
    lead_ohm: float = 0.0


class Tools(NamedTuple):
    """What is tried, for every process."""

    log: Path
    trials: Mapping[str, Trial]
    """By the name of the plan that a trace was powered with; that of the empty name is for all others."""
    outlets: Mapping[tuple[str, int], Outlet]
    cards: Path | None = None
    """Folder of cards that stand before the shipped ones; None: none do."""


def outcomes(tools: Tools, wanted: Sequence[Wanted], workers: int) -> Iterator[Outcome]:
    """One outcome a trace, in their order. A trace that cannot be replayed is an outcome with an error.

    Raises LogError when the log cannot be opened, BrokenProcessPool when a process was killed.
    """
    if workers <= 1 or len(wanted) < WORTH_A_POOL:
        bench = _Bench(tools)
        with bench.log:
            for want in wanted:
                yield _outcome(bench, want)
        return
    # Spawned: a copy of this process would have the progress bar's thread half-way in some lock.
    pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _start, (tools,))
    try:
        under_way: deque[Future[list[Outcome]]] = deque()
        for at in range(0, len(wanted), AT_ONCE):
            # The first call starts the processes: Ctrl-C, held back meanwhile, must not reach one before `_start`.
            before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
            try:
                under_way.append(pool.submit(_some, wanted[at : at + AT_ONCE]))
            finally:
                signal.pthread_sigmask(signal.SIG_SETMASK, before)
            if len(under_way) > 3 * workers:
                yield from under_way.popleft().result()
        while under_way:
            yield from under_way.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


# ---- in a process of the pool ---------------------------------------------------------------------------------------


class _Bench:
    """What a process works with."""

    def __init__(self, tools: Tools) -> None:
        self.log = Log.open(tools.log, read_only=True)
        self.tools = tools
        self.cards = Shelf(tools.cards)
        self._bands = Bands()
        self._made: dict[tuple[str, float | None, str], Band | None] = {}

    def read(self, case: Archived) -> Finding:
        """What the trace says today, against the references of its board; one of them against the others."""
        volts = case.trace.conditions.set_voltage_v
        key = (case.board, volts, case.id if case.reference else "")
        if key not in self._made:
            if len(self._made) >= MOST_BANDS:
                self._made.clear()
            self._made[key] = self._bands.of(self.log, *key)
        return read_trace(case.trace, self.cards, self._made[key])


_bench: _Bench | None = None


def _start(tools: Tools) -> None:
    global _bench
    # Ctrl-C reaches every process of the terminal: the first one ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if (parent := multiprocessing.parent_process()) is not None:
        # Killed, it could not end us: we would wait for work for ever.
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    _bench = _Bench(tools)


def _end_with(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _some(wanted: Sequence[Wanted]) -> list[Outcome]:
    assert _bench is not None
    return [_outcome(_bench, want) for want in wanted]


def _outcome(bench: _Bench, want: Wanted) -> Outcome:
    try:
        case = archived(bench.log, want)
        tools = bench.tools
        outlet = tools.outlets.get((case.supply, case.channel), Outlet())
        trial = tools.trials.get(want.plan) or tools.trials[""]
        return replay(case, _at(outlet, trial), bench.read(case), outlet.resolution)
    except Exception as error:  # one damaged trace must not end ten thousand others
        return Outcome(trace=want.id, plan=want.plan, error=str(error) or type(error).__name__)


def _at(outlet: Outlet, trial: Trial) -> Trial:
    """The trial at an output: with its leads and its envelope, as the guard gets them."""
    before = _guarded(outlet, trial.before) if trial.before is not None else None
    return trial._replace(guarding=_guarded(outlet, trial.guarding), before=before)


def _guarded(outlet: Outlet, guarding: Guarding) -> Guarding:
    limits = guarding.limits
    if outlet.most_v is not None:
        most_v = min(ENVELOPE_SHARE * outlet.most_v, limits.over_voltage_v or float("inf"))
        limits = msgspec.structs.replace(limits, over_voltage_v=most_v)
    stages = tuple(
        stage
        if stage.least_ohm is None
        else msgspec.structs.replace(stage, least_ohm=stage.least_ohm + outlet.lead_ohm)
        for stage in guarding.stages
    )
    return guarding._replace(limits=limits, stages=stages)
