"""The stages before the boot: what a stage measures, and whether it speaks against the next one.

Constant time and memory per reading, no I/O, no clock: time is the reading's own. A stage is over after its seconds,
but not before STAGE_READINGS readings have come in its last half, so that a slow supply measures too. The means are
taken over that half: what charges a board's capacitors is over by then, or the stage says that it was in limit to its
end.
"""

from __future__ import annotations

import math

from benchd.guard.let_through import NS
from benchd.guard.rules import Verdict
from benchd.guard.wire import Stage, StageOver
from benchd.reading import Reading

STAGE_READINGS = 3
"""The least that a mean and its spread can be taken of."""


PROBE_MOST_J = 0.08
"""A probe that would have delivered more than this with its next reading ends with what it knows, so that a rail that
may be shorted gets less than 0.1 J; where one reading alone takes too long for that, the plan is refused for the supply
(by the settings, which know its pace). J, our choice."""


class StageRun:
    """One stage under way, since `started_ns`."""

    __slots__ = (
        "_a2", "_end_ns", "_energy_j", "_half_ns", "_in_limit", "_last_ns", "_limited", "_n", "_started_ns", "_sum_a",
        "_sum_v", "_v2", "asked_to_go_on", "over", "stage", "told", "waits",
    )  # fmt: skip

    def __init__(self, stage: Stage, started_ns: int) -> None:
        self.stage = stage
        self.asked_to_go_on = False
        """Somebody has said that it may go on."""
        self.waits = self.told = self.over = False
        """`waits`: it has shown what it is for, and goes on when somebody says so. `told`: this has been reported."""
        self._started_ns = self._last_ns = started_ns
        self._half_ns = started_ns + round(stage.seconds * NS / 2)
        self._end_ns = started_ns + round(stage.seconds * NS)
        self._n = 0
        self._sum_v = self._sum_a = self._v2 = self._a2 = 0.0
        self._limited = 0
        self._energy_j = 0.0
        self._in_limit = False

    def feed(self, reading: Reading, in_limit: bool, energy_j: float = 0.0) -> bool:
        """Take a reading that no rule objected to; True when the stage is over. `energy_j`: since the output is on."""
        t_ns, voltage, current = reading.t_ns, reading.voltage_v, reading.current_a
        if voltage != voltage or current != current:  # NaN
            return False
        # The next reading would come after as much again.
        dear = 2 * energy_j - self._energy_j > PROBE_MOST_J and self.stage.name == "probe"
        self._energy_j = energy_j
        if t_ns < self._half_ns and not dear:
            return False
        self._n += 1
        # Running mean and sum of squared deviations (Welford, Technometrics 4 (1962) 419).
        v_off, a_off = voltage - self._sum_v, current - self._sum_a
        self._sum_v += v_off / self._n
        self._sum_a += a_off / self._n
        self._v2 += v_off * (voltage - self._sum_v)
        self._a2 += a_off * (current - self._sum_a)
        self._last_ns = t_ns
        self._limited += in_limit
        # One burst is no leak: most of the readings, and so most of the time.
        self._in_limit = 2 * self._limited > self._n
        if dear:
            return True
        enough = t_ns >= self._end_ns and self._n >= STAGE_READINGS
        self.waits = enough and self.stage.by_hand and not self.asked_to_go_on
        return enough and not self.waits

    def verdict(self) -> Verdict | None:
        """What speaks against the next stage, once `feed` has said that this one is over."""
        stage, voltage, current = self.stage, self._sum_v, self._sum_a
        if stage.name == "probe":
            least = stage.least_ohm
            if least is None or not current > 0 or voltage / current >= least:
                return None
            text = (
                f"the rail shows {max(voltage, 0.0) / current:.3g} Ω ({voltage:.4g} V at {current:.4g} A, leads "
                f"included), less than the {least:.3g} Ω asked for with them; nothing more was applied"
            )
            return Verdict("short", text, self._started_ns, self._last_ns)
        if not self._in_limit:
            return None
        text = (
            f"in limit at {current:.4g} A with {voltage:.4g} V of {stage.voltage_v:.4g} V in most of the last half "
            f"of stage {stage.name}: the board draws more before its button than the plan lets it. Nothing was raised"
        )
        return Verdict("over-current", text, self._started_ns, self._last_ns)

    def report(self, supply: str, channel: int, passed: bool) -> StageOver:
        """What it has shown so far."""
        stage, spread = self.stage, max(self._n - 1, 1)
        return StageOver(
            supply,
            channel,
            stage.name,
            self._last_ns,
            passed,
            stage.voltage_v,
            stage.limit_a,
            self._n,
            self._sum_v,
            self._sum_a,
            math.sqrt(self._v2 / spread),
            math.sqrt(self._a2 / spread),
            self._in_limit,
        )
