"""One power-up on the simulator's bench, on virtual time: what a person does, what the guard does, what is read."""

from __future__ import annotations

import dataclasses

import numpy as np

from benchd.guard.rules import Resolution, Rules, Verdict
from benchd.guard.wire import RuleLimits
from benchd.reading import Reading
from benchd.sim.bench import Channel
from benchd.sim.board import Kind, Life
from benchd.sim.source import Source
from benchd.traces.trace import Mark, Trace
from tests.corpus.boards import Load
from tests.corpus.meter import Meter, Recorder

WARM_S = 1.5
"""The model runs for so long before the first reading."""


@dataclasses.dataclass(frozen=True)
class Scene:
    """What is done at the bench. Times in s after the trace's start; None: not at all."""

    meter: Meter
    volts: float
    limit_a: float
    connect_s: float = 1.0
    """The board comes on the leads, or with `switched` the output goes on; below 0: before the trace."""
    switched: bool = False
    button_s: float | None = None
    marked_s: float | None = None
    """A person marks the button then."""
    end_s: float = 20.0
    ending: str = "time"
    """One of time, removed (the clip comes off), off (by benchd, marked), outside (by somebody else, not marked)."""
    hold_limit_a: float | None = None
    """A smaller limit up to the button."""
    opens: tuple[tuple[float, float], ...] = ()
    """The contact is open from, to."""
    auto_s: float | None = None
    """The board presses its own button so long after it has power."""
    guarded: bool = True
    lead_ohm: float = 0.06
    board: str = ""
    says_connected: bool = False
    """The trace carries capture's mark of the connection."""
    tail_s: float = 0.0
    """After a trip, after the clip came off, and after the output went off, so long is still recorded."""


@dataclasses.dataclass
class Shot:
    """What came of it."""

    trace: Trace
    starts: int
    """How often the board began to start."""
    tripped: str = ""
    """By which rule of the guard."""


class _Run:
    def __init__(self, scene: Scene, load: Load, rng: np.random.Generator) -> None:
        self.scene, self.rng = scene, rng
        source = Source(
            resistance_ohm=rng.uniform(0.002, 0.03),
            capacitance_f=float(np.exp(rng.uniform(np.log(20e-6), np.log(1000e-6)))),
            bleed_ohm=float(np.exp(rng.uniform(np.log(60.0), np.log(3000.0)))),
        )
        self.channel = Channel(source, lead_ohm=scene.lead_ohm, seed=int(rng.integers(1 << 30)))
        self.load = load
        self.recorder = Recorder(self.channel, scene.meter, rng, WARM_S)
        self.marks: list[Mark] = []
        self.start_ns = int(rng.choice([0, 1_700_000_000_000_000_000 + int(rng.integers(1 << 50))]))
        self.rules: Rules | None = None
        self.verdict: Verdict | None = None
        self.off_s: float | None = None
        self.end_s = WARM_S + scene.end_s + (scene.tail_s if scene.ending != "time" else 0.0)
        self.powered_s: float | None = None

    def mark(self, kind: str, at_s: float, by: str, why: str = "") -> None:
        t_ns = self.start_ns + round((at_s - WARM_S) * 1e9)
        self.marks.append(Mark(kind, t_ns, by, why))  # type: ignore[arg-type]

    def script(self) -> list[tuple[float, str]]:
        s = self.scene
        steps = [(max(s.connect_s + WARM_S, 0.01), "connect")]
        if s.button_s is not None:
            steps.append((s.button_s + WARM_S, "press"))
        for open_s, shut_s in s.opens:
            steps += [(open_s + WARM_S, "open"), (shut_s + WARM_S, "shut")]
        steps.append((WARM_S + s.end_s, "end"))
        return sorted(steps)

    def do(self, what: str, now_s: float) -> None:
        s, c = self.scene, self.channel
        if what == "connect" and s.switched:
            self._on(now_s)
        elif what in ("connect", "shut"):
            c.connect(True, now_s)
        elif what == "open":
            c.connect(False, now_s)
        elif what == "press":
            if s.hold_limit_a is not None:
                c.set(now_s, limit_a=s.limit_a)
                if self.rules is not None:
                    self.rules.restage(s.volts, s.limit_a)
            c.press(now_s)
        elif what == "end" and s.ending == "removed":
            c.connect(False, now_s)
            self.mark("removed", now_s + self.rng.uniform(0, 0.1), "recogniser")
        elif what == "end" and s.ending in ("off", "outside"):
            c.switch(False, now_s)
            if s.ending == "off":
                self.mark("off", now_s, "guard")

    def _on(self, now_s: float) -> None:
        s = self.scene
        self.channel.switch(True, now_s)
        if s.guarded:
            limits = RuleLimits(
                short_voltage_fraction=self.rng.uniform(0.4, 0.6), harmless_bulk_f=self.rng.choice([0.001, 0.002])
            )
            told = Resolution(s.meter.step_v, s.meter.step_a, 4 * s.meter.noise_v + 0.001, s.meter.refresh_s)
            limit_a = s.hold_limit_a or s.limit_a
            self.rules = Rules(limits, s.volts, limit_a, told, round(now_s * 1e9))

    def see(self, row: tuple[float, float, float, int]) -> None:
        """The guard judges a reading."""
        t_s, volts, amps, mode = row
        if self.rules is None or self.verdict is not None:
            return
        self.verdict = self.rules.feed(Reading(round(t_s * 1e9), volts, amps, mode, 0, 0))  # type: ignore[arg-type]
        if self.verdict is not None:
            self.mark("tripped", t_s, "guard", self.verdict.rule)
            self.off_s = t_s + self.rng.uniform(0.001, 0.03)
            self.end_s = self.off_s + self.scene.tail_s

    def go(self) -> None:
        s, c = self.scene, self.channel
        c.set(0.0, voltage_v=s.volts, limit_a=s.hold_limit_a or s.limit_a)
        c.attach(self.load.kind, 0.0)
        c.board = self.load
        if not s.switched:
            c.connect(False, 0.0)
            self._on(0.0)
        script, grid_s, k = self.script(), s.meter.grid_s, 0
        while (now_s := (k + 1) * grid_s) <= self.end_s:
            k += 1
            while script and script[0][0] <= now_s and self.off_s is None:
                self.do(script.pop(0)[1], now_s)
            if self.off_s is not None and now_s >= self.off_s and c.source.on:
                c.switch(False, now_s)
            self._by_itself(now_s)
            row = self.recorder.step(now_s)
            if row is not None:
                self.see(row)

    def _by_itself(self, now_s: float) -> None:
        if self.scene.auto_s is None:
            return
        if self.load.life is not Life.STANDBY:
            self.powered_s = None
        elif self.powered_s is None:
            self.powered_s = now_s
        elif now_s >= self.powered_s + self.scene.auto_s:
            self.channel.press(now_s)


def shoot(scene: Scene, load: Load, rng: np.random.Generator) -> Shot:
    """Run a power-up and read it."""
    run = _Run(scene, load, rng)
    run.go()
    s = scene
    if s.marked_s is not None and s.marked_s + WARM_S <= run.end_s:
        run.mark("button", s.marked_s + WARM_S, "hand")
    if s.says_connected and s.connect_s >= 0:
        run.mark("connected", s.connect_s + WARM_S + rng.uniform(0, 1.5 / s.meter.rate), "recogniser")
    run.recorder.rows = [(t - WARM_S, *rest) for t, *rest in run.recorder.rows]
    trace = Trace(
        run.recorder.samples(run.start_ns),
        run.start_ns,
        s.meter.conditions(s.volts, s.limit_a, s.board),
        tuple(sorted(run.marks, key=lambda m: m.t_ns)),
    )
    return Shot(trace, load.starts, run.verdict.rule if run.verdict else "")


def nothing() -> Load:
    """Free leads."""
    return Load(Kind("none", "nothing on the leads", bulk_f=1e-9), 1)
