"""Draws faults at random, lets them happen on several benches side by side, and says what came of each."""

from __future__ import annotations

import dataclasses
import random
import statistics
import tempfile
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path

from tests.chaos.faults import OTHERS, STROKES, Fault
from tests.chaos.lane import LINES, SUPPLY, Lane, Line
from tests.chaos.weather import WEATHERS, clock_environment, under
from tests.running import until

LOOK_S = 0.002
OTHERS_SHARE = 0.35


@dataclasses.dataclass(frozen=True)
class Outcome:
    """What came of one fault. `off_s`: until the supply's own truth was off, s; where the daemon had to say `unknown`
    first, since the fault was mended."""

    number: int
    line: Line
    name: str
    promised_s: float
    ends: str
    off_s: float | None = None
    told_s: float | None = None
    """Until the daemon said `unknown`, s, where that is the promise."""
    failure: str = ""


def draw(rng: random.Random, line: Line, only: str = "") -> Fault:
    """One fault that can happen on such a line. `only`: one whose name has these words."""
    while only not in (fault := _any(rng, line)).name:
        pass
    return fault


def _any(rng: random.Random, line: Line) -> Fault:
    if rng.random() < OTHERS_SHARE:
        return rng.choice([fault for fault in OTHERS if line in fault.lines])
    weather = rng.choice([w for w in WEATHERS if line in w.lines])
    return under(weather, rng.choice([s for s in STROKES if s.name not in weather.without]))


def happen(lane: Lane, fault: Fault, number: int, patience: float) -> Outcome:
    """Power, strike, measure, mend. Raises AssertionError or TimeoutError saying what was not as promised."""
    lane.power()
    lies = len(lane.witness.lies)
    play = fault.play(lane)
    lane.strike()
    next(play)
    outcome = Outcome(number, lane.line, fault.name, fault.promised_s, fault.ends)
    within_s = fault.promised_s * patience
    try:
        off_s = _off(lane, within_s) if fault.ends == "off" else None
        if off_s is None and not (fault.or_unknown and _tells_unknown(lane)):
            assert fault.ends == "unknown", f"still on after {within_s:.2f} s; the page says {lane.witness.told}"
            outcome = dataclasses.replace(outcome, told_s=_until_unknown(lane, within_s))
    finally:
        mended_s = time.monotonic()
        next(play, None)
    if off_s is None:
        until(lambda: lane.sim.truth(1).output, lambda on: not on, "off once mended", fault.mended_s * patience)
        off_s = time.monotonic() - mended_s
    outcome = dataclasses.replace(outcome, off_s=off_s)
    lane.ready()
    assert not lane.sim.truth(1).output, "the daemon says off, and the output is on"
    assert lane.witness.alive(), "the witness has ended"
    assert not lane.witness.lies[lies:], "; ".join(lane.witness.lies[lies:])
    return outcome


def _off(lane: Lane, within_s: float) -> float | None:
    """Seconds from the strike until the supply itself is off; None when it is still on after so long."""
    deadline_s = lane.struck_s + within_s
    while lane.sim.truth(1).output:
        if time.monotonic() > deadline_s:
            return None
        time.sleep(LOOK_S)
    took_s = time.monotonic() - lane.struck_s
    assert took_s <= within_s, f"off after {took_s:.2f} s, {within_s:.2f} s were promised"
    return took_s


def _tells_unknown(lane: Lane) -> bool:
    """Whether the page says `unknown`, and warns of it."""
    warned = any(SUPPLY in text and "UNKNOWN" in text for text in lane.witness.warnings)
    return lane.witness.told == "unknown" and warned


def _until_unknown(lane: Lane, within_s: float) -> float:
    """Seconds from the strike until the page says so."""
    left_s = lane.struck_s + within_s - time.monotonic()
    until(lambda: _tells_unknown(lane), bool, "the page to say `unknown` and to warn", left_s)
    return time.monotonic() - lane.struck_s


class _Lane(threading.Thread):
    """One bench, and its own random numbers: what another bench does changes nothing here."""

    def __init__(self, line: Line, seed: int, only: str, count: int, patience: float, first: int) -> None:
        super().__init__(name=f"lane {line}", daemon=True)
        self._only = only
        self._line = line
        self._rng = random.Random(f"{seed} {line}")
        self._numbers = range(first, first + count)
        self._patience = patience
        self.stop = False
        """No further fault after the one that is under way."""
        self.outcomes: list[Outcome] = []
        self.early_s = 0.0
        self.errors = ""

    def run(self) -> None:
        numbers = iter(self._numbers)
        left = True
        while left:
            with tempfile.TemporaryDirectory() as folder:
                try:
                    left = self._until_failure(Path(folder), numbers)
                except Exception:
                    self.errors += traceback.format_exc()
                    return

    def _until_failure(self, folder: Path, numbers: Iterator[int]) -> bool:
        """Faults on one bench, which is torn down after a failure. True when some are left."""
        lane = Lane(self._line, folder, self._rng, clock_environment(folder))
        try:
            for number in numbers:
                if self.stop:
                    break
                fault = draw(self._rng, self._line, self._only)
                try:
                    self.outcomes.append(happen(lane, fault, number, self._patience))
                except Exception as error:
                    words = str(error) or traceback.format_exc()
                    self.outcomes.append(
                        Outcome(number, self._line, fault.name, fault.promised_s, fault.ends, failure=words)
                    )
                    self.errors += lane.daemon.errors()[-4000:]
                    return True
        finally:
            self.early_s = max(self.early_s, lane.witness.early_s)
            lane.close()
        return False


def run(count: int, seed: int, patience: float, lines: Sequence[Line] = LINES, only: str = "") -> list[Outcome]:
    """`count` faults over these benches. `patience`: factor on what is promised, for a machine that does other work."""
    shares = [count // len(lines) + (n < count % len(lines)) for n in range(len(lines))]
    lanes = [
        _Lane(line, seed, only, share, patience, 1 + sum(shares[:n]))
        for n, (line, share) in enumerate(zip(lines, shares, strict=True))
    ]
    for lane in lanes:
        lane.start()
    try:
        for lane in lanes:
            lane.join()
    finally:  # also when somebody ends the run: no process is left behind
        for lane in lanes:
            lane.stop = True
        for lane in lanes:
            lane.join()
    for lane in lanes:
        if lane.errors:
            print(lane.errors)
    print(f"while being switched on as asked, `off` was still told for at most {max(x.early_s for x in lanes):.3f} s")
    return [outcome for lane in lanes for outcome in lane.outcomes]


def table(outcomes: Sequence[Outcome]) -> str:
    """Per kind: how often, promised, median, worst; then what failed."""
    lines = ["| fault | times | promised | median s | worst s |", "| --- | --- | --- | --- | --- |"]
    for name in sorted({o.name for o in outcomes}):
        these = [o for o in outcomes if o.name == name]
        measured = [o.told_s if o.ends == "unknown" else o.off_s for o in these]
        found = [s for s in measured if s is not None]
        figures = f"{statistics.median(found):.3f} | {max(found):.3f}" if found else "- | -"
        lines.append(f"| {name} | {len(these)} | {these[0].ends} in {these[0].promised_s:.2f} s | {figures} |")
    lines += [f"FAILED {o.number} ({o.line}) {o.name}: {o.failure}" for o in outcomes if o.failure]
    return "\n".join(lines)
