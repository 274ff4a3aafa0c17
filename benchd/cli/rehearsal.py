"""Plays a procedure on simulated boards: the engine and its checks in earnest, outputs and time of the simulated model.

No supply, no daemon, no waiting. What the guard does is done here only as far as a card meets it: probe and hold of
the plan, a short that is cut, power, energy and time of a power-on.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import AsyncIterator, Callable
from typing import TypeVar

import msgspec
import numpy as np

from benchd.plans.plan import Plan
from benchd.procedures.check import WITHIN
from benchd.procedures.hands import Bounds, Cut, Progress, Question
from benchd.procedures.record import Happened, LeadSet, Run, Value
from benchd.procedures.taken import TraceSeen
from benchd.reading import Mode
from benchd.sim.bench import Bits, Channel, Readout
from benchd.sim.board import KINDS, Life
from benchd.traces.features import extract
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Mark, Trace

T = TypeVar("T")

T0_NS = 1_790_000_000_000_000_000
INTERVAL_S = 0.05
"""20 readings/s: a supply of the middle sort. Our choice."""
PART = 4
"""Readings given at once: a change of settings is answered within a fifth of a second. Our choice."""
SETTLED = 2
"""Readings in limit with a collapsed voltage until a short is cut. Our choice, for the rehearsal only."""
SAFE_V = 1.0
"""More at the leads before the first power-on is another source, as in earnest."""
BEFORE_S = 0.5
"""So much of the time before a power-on is in its trace, s."""
POINTS_S = (5.0, 10.0)
POINT_OHM = 0.05
"""What the short has at the second point: nearer. Our choice."""
DONE_S = 15.0
LONGEST_WATCH_S = 600.0
"""Longer live measurements are ended by a `done`: a soak of a night would cost minutes, and shows nothing new. Our
choice."""
SUPPLY = Conditions(
    resolution_a=1e-4, accuracy_fraction_a=0.001, accuracy_offset_a=0.002,
    resolution_v=0.001, accuracy_fraction_v=0.0005, accuracy_offset_v=0.005,
)  # fmt: skip
"""A supply of the middle sort. Our choice."""


@dataclasses.dataclass(slots=True)
class SimSide:
    """One output with its board."""

    plan: Plan
    channel: Channel
    bounds: Bounds | None = None
    presses: bool = False
    """Somebody presses its button when it waits for that."""
    on_s: float = 0.0
    energy_j: float = 0.0
    short_n: int = 0
    taken: list[Samples] = dataclasses.field(default_factory=list)
    """Readings since shortly before it went on, where power-ups are filed."""


def side_of(plan: Plan, kind: str, seed: int, by_itself: bool | None = None) -> SimSide:
    """An output with a board of this kind clipped on. `by_itself`: that it starts without its button, or does not;
    None: as its kind does."""
    meter = Readout(interval_s=INTERVAL_S)
    meter.gain_v, meter.offset_v, meter.gain_a, meter.offset_a = 1.0002, 0.002, 0.9996, 0.0008
    channel = Channel(readout=meter, seed=seed)
    board = KINDS[kind]
    if by_itself is not None and board.phases:
        board = dataclasses.replace(board, by_itself=by_itself)
    channel.attach(board, 0.0)
    return SimSide(plan, channel)


class SimHands:
    """Implements `procedures.hands.Hands` on simulated outputs, in simulated time.

    `say`: gets a line for each thing that happens. `traces`: power-ups are read, as the daemon reads them. `points`: an
    operator names two points and is done, as at a short.
    """

    def __init__(
        self, sides: dict[str, SimSide], say: Callable[[str], None], *, traces: bool = False, points: bool = False
    ) -> None:
        self.sides = sides
        self._say = say
        self._files = traces
        self._points = points
        self._now_s = 0.0
        self._seen: list[TraceSeen] = []
        self._watch_s = self._asked_s = -math.inf
        self._pointed = 0
        self.cut_short = 0
        """Live measurements that were ended before their time."""
        self._ever_on = False
        self.most: dict[str, tuple[float, float]] = {}
        """By side: the highest voltage, V, and limit, A, that were set."""

    # ---- time and readings ---------------------------------------------------------------------------------------

    def now_ns(self) -> int:
        """See `Hands`."""
        return T0_NS + round(self._now_s * 1e9)

    @property
    def elapsed_s(self) -> float:
        """Simulated, s."""
        return self._now_s

    def conditions(self, side: str) -> Conditions:
        """See `Hands`."""
        return SUPPLY

    def leads(self, side: str) -> LeadSet | None:
        """See `Hands`."""
        return None

    def _reading(self) -> dict[str, tuple[float, float, int]]:
        """All outputs, one interval on. Raises Cut where the guard would cut."""
        self._now_s = (math.floor(self._now_s / INTERVAL_S + 1e-6) + 1) * INTERVAL_S
        found = {}
        for role, side in self.sides.items():
            channel = side.channel
            channel.advance(self._now_s)
            if side.presses and channel.board.life is Life.STANDBY:
                channel.press(self._now_s)
            volts, amps = channel.read(self._now_s)
            limiting = bool(channel.condition() & Bits.LIMITING)
            found[role] = (volts, amps, int(Mode.CC if limiting else Mode.CV))
        return found

    def _step(self) -> dict[str, Samples]:
        """A reading of each output. Raises Cut."""
        parts = {role: self._samples([values]) for role, values in self._reading().items()}
        for role, part in parts.items():
            side = self.sides[role]
            if self._files:
                side.taken.append(part)
                if side.bounds is None:
                    side.taken = side.taken[-round(BEFORE_S / INTERVAL_S) :]
        for role, part in parts.items():
            self._guard(role, float(part.voltage_v[0]), float(part.current_a[0]), int(part.mode[0]))
        return parts

    def _samples(self, values: list[tuple[float, float, int]]) -> Samples:
        volts, amps, modes = zip(*values, strict=True)
        return Samples(
            np.array([self.now_ns()], np.int64), np.array(volts), np.array(amps), np.array(modes, np.uint8),
            np.zeros(len(values), np.uint8),
        )  # fmt: skip

    def _guard(self, role: str, volts: float, amps: float, mode: int) -> None:
        side, bounds = self.sides[role], self.sides[role].bounds
        if bounds is None:
            return
        side.energy_j += max(volts * amps, 0.0) * INTERVAL_S
        collapsed = mode == Mode.CC and volts < side.plan.short_voltage_fraction * side.channel.source.voltage_v
        side.short_n = side.short_n + 1 if collapsed and not bounds.injection else 0
        on_s = self._now_s - side.on_s
        longest_s = min(bounds.longest_on_s or math.inf, side.plan.longest_on_s or math.inf)
        most_j = min(bounds.energy_j or math.inf, side.plan.budget.energy_j or math.inf)
        if side.short_n >= SETTLED:
            self._trip(role, f"short: {amps:.3g} A in limit, and the voltage collapsed to {volts:.3g} V")
        if bounds.power_w is not None and volts * amps > bounds.power_w * 1.05:
            self._trip(role, f"{volts * amps:.3g} W; allowed is {bounds.power_w:g} W")
        if side.energy_j > most_j:
            self._trip(role, f"{side.energy_j:.3g} J went in; allowed is {most_j:g} J")
        if on_s > longest_s:
            self._trip(role, f"on for {on_s:.0f} s; allowed is {longest_s:g} s")

    def _trip(self, role: str, text: str) -> None:
        self._switch_off(role)
        raise Cut("tripped", f"side {role}: {text}: it was cut")

    def _switch_off(self, role: str) -> None:
        side = self.sides[role]
        side.channel.switch(False, self._now_s)
        side.bounds, side.presses, side.short_n = None, False, 0

    # ---- power ---------------------------------------------------------------------------------------------------

    async def on(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        """See `Hands`."""
        use = self.sides[side]
        self._step()
        if not self._ever_on and abs(use.channel.terminal_v) > SAFE_V:
            there_v = use.channel.terminal_v
            raise Cut("refused", f"side {side}: {there_v:.3g} V at the leads before power: another source")
        self._ever_on = True
        use.on_s, use.energy_j, use.short_n = self._now_s, 0.0, 0
        use.channel.sense(bounds.sense == "remote", self._now_s)
        if bounds.stages:
            self._stages(side, use, voltage_v, limit_a, bounds.hold)
        self._set(side, voltage_v, limit_a)
        use.channel.switch(True, self._now_s)
        use.bounds, use.presses = bounds, bounds.stages
        self._say(f"on: side {side}, {voltage_v:g} V, limit {limit_a:g} A")

    def _stages(self, role: str, use: SimSide, voltage_v: float, limit_a: float, hold: bool) -> None:
        """Probe and hold of the plan. Raises Cut where they would end it."""
        probe, held = use.plan.probe, use.plan.hold
        if probe is not None:
            most_v, most_a = min(probe.voltage_v, voltage_v), min(probe.limit_a, limit_a)
            volts, amps, _ = self._stage(role, most_v, most_a, probe.ms / 1e3)
            if amps > 0 and volts / amps < probe.least_ohm:
                self._trip(role, f"probe: {volts / amps:.3g} Ω; a rail of less than {probe.least_ohm:g} Ω is a short")
        if held is not None and hold:
            _, amps, mode = self._stage(role, voltage_v, min(held.limit_a, limit_a), held.seconds)
            if mode == Mode.CC:
                self._trip(role, f"hold: {amps:.3g} A before the button; allowed is less than {held.limit_a:g} A")

    def _stage(self, role: str, voltage_v: float, limit_a: float, seconds: float) -> tuple[float, float, int]:
        self._set(role, voltage_v, limit_a)
        self.sides[role].channel.switch(True, self._now_s)
        found = (0.0, 0.0, int(Mode.CV))
        for _ in range(max(2, math.ceil(seconds / INTERVAL_S))):
            part = self._step()[role]
            found = float(part.voltage_v[0]), float(part.current_a[0]), int(part.mode[0])
        return found

    def _set(self, side: str, voltage_v: float, limit_a: float) -> None:
        most_v, most_a = self.most.get(side, (0.0, 0.0))
        self.most[side] = max(most_v, voltage_v), max(most_a, limit_a)
        self.sides[side].channel.set(self._now_s, voltage_v=voltage_v, limit_a=limit_a)

    async def change(self, side: str, voltage_v: float, limit_a: float) -> None:
        """See `Hands`."""
        bounds = self.sides[side].bounds
        if bounds is None or not (
            0 < voltage_v <= bounds.voltage_v * WITHIN and 0 < limit_a <= bounds.limit_a * WITHIN
        ):
            most = f"up to {bounds.voltage_v:g} V and {bounds.limit_a:g} A" if bounds else "nothing, since it is off"
            raise Cut("refused", f"side {side}: {voltage_v:g} V at {limit_a:g} A was asked for; allowed is {most}")
        self._set(side, voltage_v, limit_a)
        self._step()  # this one began before the change
        self._step()

    async def off(self, side: str) -> None:
        """See `Hands`."""
        use = self.sides[side]
        self._switch_off(side)
        if use.channel.truth(self._now_s).output:
            raise Cut("interrupted", f"side {side}: the simulated output did not go off")
        if self._files:
            self._file(side)
        self._say(f"off: side {side}, read back")

    def _file(self, role: str) -> None:
        """The power-up that ends here, as the daemon would read it."""
        use = self.sides[role]
        parts, use.taken = use.taken, []
        if not parts:
            return
        samples = Samples.concat(parts)
        on_ns = T0_NS + round(use.on_s * 1e9)
        marks = (Mark("connected", on_ns),)
        trace = Trace(samples, int(samples.t_ns[0]), _conditions(use), marks)
        found, rest = read_trace(trace), extract(trace).rest
        settled_a = rest.tail_a if rest is not None and rest.tail_s > 0 else None
        peak_a = float(np.max(samples.current_a))
        name = f"simulated {len(self._seen) + 1}"
        self._seen.append(TraceSeen(name, on_ns, role, found.signature, found.confidence, None, peak_a, settled_a, {}))

    def readings(self, side: str) -> AsyncIterator[Samples]:
        """See `Hands`."""
        return self._readings(side)

    async def _readings(self, side: str) -> AsyncIterator[Samples]:
        while True:
            yield Samples.concat([self._step()[side] for _ in range(PART)])

    async def sleep(self, seconds: float) -> None:
        """See `Hands`."""
        end_s = self._now_s + seconds
        while self._now_s < end_s - 1e-9:
            self._step()

    # ---- the operator --------------------------------------------------------------------------------------------

    async def ask(self, question: Question) -> Value:
        """See `Hands`. What is to be done is done; a question named `free` wants nothing on the leads."""
        for side in self.sides.values():
            if side.bounds is None:
                side.channel.connect(question.name != "free", self._now_s)
        low, high = question.low, question.high
        number = low if low is not None else high if high is not None else 1.0
        answers: dict[str, Value] = {"number": number, "text": "rehearsal", "ready": True}
        answer = question.choices[0] if question.kind == "choice" else answers[question.kind]
        self._say(f"asked: {question.text} (answered by itself: {'yes' if answer is True else answer})")
        return answer

    def commands(self) -> list[tuple[str, str]]:
        """See `Hands`. A live measurement asks several times a second: after a pause it is another one."""
        if self._now_s - self._asked_s > 1.0:
            self._watch_s, self._pointed = self._now_s, 0
        self._asked_s = self._now_s
        watched_s = self._now_s - self._watch_s
        if not self._points:
            if watched_s <= LONGEST_WATCH_S:
                return []
            self.cut_short += 1
            self._say(f"cut short after {LONGEST_WATCH_S / 60:g} min: a rehearsal watches no longer")
            return [("done", "")]
        if self._pointed < len(POINTS_S) and watched_s >= POINTS_S[self._pointed]:
            self._pointed += 1
            if self._pointed == 1:
                for side in self.sides.values():
                    side.channel.bridge(POINT_OHM, self._now_s)
            return [("point", f"point {self._pointed}")]
        return [("done", "")] if watched_s >= DONE_S else []

    async def work(self, ask: Callable[[], T]) -> T:
        """See `Hands`."""
        return ask()

    def tell(self, progress: Progress) -> None:
        """See `Hands`."""

    def happened(self, moment: Happened) -> None:
        """See `Hands`."""
        if moment.kind not in ("off", "answer", "ended"):
            self._say(moment.text)

    async def keep(self, run: Run, state: dict[str, object] | None = None) -> None:
        """See `Hands`. Nothing of a rehearsal is kept."""

    def traces(self) -> list[TraceSeen]:
        """See `Hands`."""
        return list(self._seen)

    def still_on(self) -> list[str]:
        """Sides whose output the model has on."""
        return [role for role, side in self.sides.items() if side.channel.truth(self._now_s).output]


def _conditions(use: SimSide) -> Conditions:
    """How the power-ups of a side are measured."""
    return msgspec.structs.replace(SUPPLY, set_voltage_v=use.plan.voltage_v, limit_a=use.plan.limit_a)
