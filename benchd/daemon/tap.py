"""What a run of a procedure takes from an output that it uses: readings as they come in, and whatever ends it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from benchd.guard.states import REASONS
from benchd.guard.wire import OutputChanged, Tripped
from benchd.procedures.hands import Cut
from benchd.reading import OutputState
from benchd.store.log import TraceRow
from benchd.traces.samples import Samples

MOST_WAITING = 200_000
"""Readings that wait for one reader. At 1000/s more than three minutes: who is that far behind will not catch up."""

OUTCOMES = {"trip": "tripped", "asked": "stopped", "on-time": "timed-out", "refused": "refused"}
"""How a run ends whose output is not on any more, by the guard's reason; for any other it was interrupted."""


class Reader:
    """Readings of one output from a moment on, for one who reads. Nothing is left out: too many that wait are a cut."""

    def __init__(self) -> None:
        self.since_ns = 0
        """Readings taken at or before this time are none of the reader's."""
        self._waiting: list[Samples] = []
        self._count = 0
        self._wake = asyncio.Event()

    def put(self, samples: Samples) -> bool:
        """False: too many wait."""
        self._waiting.append(samples)
        self._count += len(samples)
        self._wake.set()
        return self._count <= MOST_WAITING

    def wake(self) -> None:
        """There is something else to see to."""
        self._wake.set()

    async def next(self) -> Samples:
        """What has come in since the last time; empty where it was woken for something else."""
        await self._wake.wait()
        self._wake.clear()
        parts, self._waiting, self._count = self._waiting, [], 0
        found = Samples.concat(parts)
        return found if not len(found) or found.t_ns[0] > self.since_ns else found.between(self.since_ns + 1, 1 << 62)


class Tap:
    """One output in use by one run. Lives in the event loop.

    `run`: id of the run; `job`: which its readings belong to; `traces`: power-ups are filed as ever.
    """

    def __init__(self, place: str, run: str, title: str, job: str | None, traces: bool) -> None:
        self.run = run
        self.title = title
        self.job = job
        self.traces = traces
        self.held = False
        """The run has it on, so that it going off is a cut."""
        self.on_filed: Callable[[TraceRow], None] = lambda row: None
        """Gets each power-up that was filed."""
        self.last_ns = 0
        """Of its newest reading."""
        self._place = place
        self.cut: Callable[[Cut], None] = lambda cut: None
        """Is told of what ends the run."""
        self._readers: list[Reader] = []
        self._changed = asyncio.Event()

    # ---- from the watch ------------------------------------------------------------------------------------------

    def put(self, samples: Samples) -> None:
        """Readings as they come in, each once and in order."""
        self.last_ns = int(samples.t_ns[-1])
        for reader in self._readers:
            if not reader.put(samples):
                self.cut(
                    Cut(
                        "interrupted",
                        f"{self._place}: more than {MOST_WAITING} readings wait to be looked at, so this computer does "
                        "not keep up: give it less to do, or read the supply less often",
                    )
                )

    def on_output(self, change: OutputChanged) -> None:
        """The guard says what is known of the output."""
        self._changed.set()
        if not self.held or change.state is OutputState.ON or change.reason == "switching-on":
            return
        self.held = False
        why = change.text or REASONS.get(change.reason, change.reason)
        word = "went off" if change.state is OutputState.OFF else "is unknown"
        outcome = OUTCOMES.get(change.reason, "interrupted")
        if change.reason == "asked" and change.text:
            outcome = "interrupted"  # it was no person
        self.cut(Cut(outcome, f"{self._place} {word}: {why}"))  # type: ignore[arg-type]

    def off_asked(self) -> None:
        """Somebody switches it off, whether it is on or not."""
        self.cut(Cut("stopped", f"somebody has asked for {self._place} to be off"))

    def on_trip(self, trip: Tripped) -> None:
        """The guard cut, whoever had it on."""
        self.held = False
        self.cut(Cut("tripped", f"{self._place} tripped ({trip.rule}): {trip.text}"))

    def on_link(self, text: str) -> None:
        """The link to the supply is lost."""
        self.cut(Cut("interrupted", f"{self._place}: the link to the supply is lost: {text}"))

    # ---- for the run ---------------------------------------------------------------------------------------------

    def from_now(self, t_ns: int) -> None:
        """What was read until then, with other settings, is in no reader's parts."""
        for reader in self._readers:
            reader.since_ns = max(reader.since_ns, t_ns)

    async def readings(self, since_ns: int, check: Callable[[], None]) -> AsyncIterator[Samples]:
        """Readings after this time, as they come in, for as long as `check` does not raise."""
        reader = Reader()
        reader.since_ns = since_ns
        self._readers.append(reader)
        try:
            while True:
                check()
                samples = await reader.next()
                check()
                if len(samples):
                    yield samples
        finally:
            self._readers.remove(reader)

    async def changed(self) -> None:
        """Wait until the guard has said something of the output."""
        self._changed.clear()
        await self._changed.wait()

    def wake(self) -> None:
        """Let everybody who waits here look round."""
        self._changed.set()
        for reader in self._readers:
            reader.wake()
