"""A bench without supplies or guard: settings, a real log, a guard that does as it is told, and reports as it sends."""

from __future__ import annotations

import contextlib
import copy
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, TypeVar

import msgspec

from benchd.daemon.core import Core
from benchd.guard.client import GuardRefused
from benchd.guard.consent import CONSENT_NEEDED
from benchd.guard.wire import Health, Met, OutputChanged, RuleLimits, Stage, StageOver, Tripped
from benchd.reading import Block, Flag, Mode, OutputState, Reading, pack
from benchd.settings import Settings, from_dict
from benchd.store.log import Log
from benchd.store.writer import LogHealth
from benchd.supplies.clock import now_ns
from benchd.traces.trace import Conditions

T = TypeVar("T")
MS = 1_000_000
S = 1_000_000_000
ACCURACY = Conditions(
    resolution_a=0.0001,
    accuracy_fraction_a=0.001,
    accuracy_offset_a=0.002,
    accuracy_fraction_v=0.0005,
    accuracy_offset_v=0.005,
    resolution_v=0.001,
)
THIN = Met("x", "thin", "unverified", ("Upside down.",), "Example", "X-1", "S1", "1.0", "k1")
"""A supply with an unverified profile, as the guard tells of it."""
SETTINGS: dict[str, Any] = {
    "bench": "left",
    "plan": [
        {"name": "phone", "voltage_v": 4.0, "limit_a": 2.0, "over_voltage_v": 4.5, "short_hold_ms": 20.0},
        {"name": "laptop", "voltage_v": 19.0, "limit_a": 3.0},
        {"name": "small", "voltage_v": 3.0, "limit_a": 0.5},
        {
            "name": "staged",
            "voltage_v": 4.0,
            "limit_a": 2.0,
            "over_voltage_v": 4.5,
            "cut_within_ms": 100.0,
            "probe": {"voltage_v": 0.5, "limit_a": 0.1, "ms": 200.0, "least_ohm": 2.0},
            "hold": {"limit_a": 0.2, "seconds": 2.0, "by_hand": True},
            "expected_leak_a": 0.001,
            "budget": {"fault_j": 1.0},
        },
        {"name": "soak", "voltage_v": 4.0, "limit_a": 2.0, "soak": True, "longest_on_s": 36000.0},
    ],
    "supply": [
        {
            "name": "psu-a",
            "resource": "TCPIP0::192.0.2.5::5025::SOCKET",
            "profile": "benchd-sim",
            "channel": [{"number": n, "max_voltage_v": 5.0, "max_limit_a": 3.0, "plan": "phone"} for n in (1, 2)],
        }
    ],
}


def settings(**more: Any) -> Settings:
    """Two outputs of one supply; `more`: tables beside."""
    return from_dict({**copy.deepcopy(SETTINGS), **more}, "test")


class FakeWriter:
    """Does the work at once in the calling thread, on a log of its own, or holds it back like a file that fails."""

    def __init__(self, log: Log) -> None:
        self.log = log
        self.path = log.path
        self.down = False
        self.lost = {"dropped": 0, "refused": 0}
        self.held: list[tuple[Callable[[Log], Any], Future[Any]]] = []
        self.blocks: list[tuple[Block, str | None, str | None]] = []

    def put_block(self, block: Block, job: str | None = None, trace: str | None = None) -> None:
        self.blocks.append((block, job, trace))

    def waits(self, job: str) -> bool:
        return self.down

    def submit(
        self, work: Callable[[Log], T], *, keep: bool = True, quiet: bool = False, bare: bool = False
    ) -> Future[T]:
        future: Future[T] = Future()
        if self.down:
            self.held.append((work, future))
            return future
        try:
            with contextlib.nullcontext() if bare else self.log.transaction(durable=False):
                future.set_result(work(self.log))
        except Exception as e:
            future.set_exception(e)
        return future

    def health(self) -> LogHealth:
        state = "failing" if self.down else "ok"
        return LogHealth(state=state, text="the disk is full" if self.down else "", waiting=0, tasks=0, **self.lost)


class FakeGuard:
    """Switches as it is told and reports it, or refuses."""

    def __init__(self, core: Core) -> None:
        self._core = core
        self.state = "alive"
        self.restarts = 0
        self.pid: int | None = None
        self.refuse = ""
        self.needs = ""
        """The consent that it wants."""
        self.asked: list[tuple[Any, ...]] = []
        self.before: tuple[Stage, ...] = ()
        """The stages of the last power-on."""
        self.over_current_delay_s: float | None = None
        self.most_voltage_v: float | None = None
        self.most_limit_a: float | None = None
        self.most_before_v: float | None = None
        self.sense = ""

    def _do(self, *what: Any) -> None:
        self.asked.append(what)
        if self.refuse:
            raise GuardRefused(self.refuse)

    async def power_on(
        self,
        supply: str,
        channel: int,
        voltage_v: float,
        limit_a: float,
        rules: RuleLimits,
        consent: str = "",
        before: tuple[Stage, ...] = (),
        over_current_delay_s: float | None = None,
        most_voltage_v: float | None = None,
        most_limit_a: float | None = None,
        most_before_v: float | None = None,
        sense: str = "",
    ) -> None:
        self._do("on", supply, channel, voltage_v, limit_a, rules)
        self.before, self.over_current_delay_s = before, over_current_delay_s
        self.sense = sense
        self.most_voltage_v, self.most_limit_a, self.most_before_v = most_voltage_v, most_limit_a, most_before_v
        if self.needs != consent:
            raise GuardRefused("nobody has consented", CONSENT_NEEDED)
        self._core.on_report(on(channel, voltage_v=voltage_v, limit_a=limit_a))

    async def adjust(self, supply: str, channel: int, voltage_v: float, limit_a: float) -> None:
        self._do("adjust", supply, channel, voltage_v, limit_a)
        self._core.on_report(on(channel, voltage_v=voltage_v, limit_a=limit_a))

    async def advance(self, supply: str, channel: int) -> None:
        self._do("advance", supply, channel)

    async def power_off(self, supply: str | None, channel: int | None, why: str = "") -> None:
        self._do("off", supply, channel)
        for number in (1, 2) if channel is None else (channel,):
            self._core.on_report(off(number))

    async def rearm(self, supply: str, channel: int) -> None:
        self._do("rearm", supply, channel)
        self._core.on_report(off(channel, reason="re-armed"))


def on(
    channel: int = 1, t_ns: int | None = None, voltage_v: float = 4.0, limit_a: float = 2.0, stage: str = "boot",
    second_layer: tuple[str, ...] = (),
) -> OutputChanged:  # fmt: skip
    t_ns = now_ns() if t_ns is None else t_ns
    return OutputChanged(
        "psu-a", channel, OutputState.ON, "asked", t_ns, voltage_v, limit_a, stage=stage, second_layer=second_layer
    )


def off(
    channel: int = 1, t_ns: int | None = None, reason: str = "asked", latched: bool = False, text: str = "",
    state: OutputState = OutputState.OFF, rearm_from_ns: int = 0,
) -> OutputChanged:  # fmt: skip
    t_ns = now_ns() if t_ns is None else t_ns
    return OutputChanged("psu-a", channel, state, reason, t_ns, latched=latched, text=text, rearm_from_ns=rearm_from_ns)


def stage_over(
    stage: str, t_ns: int, voltage_v: float, current_a: float, passed: bool = True, in_limit: bool = False,
    set_voltage_v: float = 0.5, limit_a: float = 0.1,
) -> StageOver:  # fmt: skip
    """Ten readings without noise."""
    return StageOver(
        "psu-a", 1, stage, t_ns, passed, set_voltage_v, limit_a, 10, voltage_v, current_a, 0.0, 0.0, in_limit
    )


def health(t_ns: int, interval_ms: float = 20.0, worst_ms: float = 22.0, overrun_ms: float = 0.1) -> Health:
    """A second of readings."""
    return Health("psu-a", 1, t_ns, round(1000 / interval_ms), interval_ms, 0.5, worst_ms, 2.0, overrun_ms)


def readings(t_ns: int, amps: list[float], step_ns: int = 10 * MS, channel: int = 1, volts: float = 4.0) -> Block:
    """One reading every `step_ns`, the first at `t_ns`."""
    rows = [Reading(t_ns + n * step_ns, volts, a, Mode.CV, Flag.NONE, 20_000) for n, a in enumerate(amps)]
    return pack("psu-a", channel, rows)


def trip(t_ns: int, before: Block, channel: int = 1, confirmed: bool = True, **more: Any) -> Tripped:
    """A short that was detected at `t_ns`; `more`: other fields of it, or others in their place."""
    made = Tripped(
        "psu-a", channel, "short", "0.2 V of 4 V at the 2 A limit", onset_ns=t_ns - 20 * MS, detected_ns=t_ns,
        off_sent_ns=t_ns + 50_000, off_confirmed_ns=t_ns + 2 * MS if confirmed else None, set_voltage_v=4.0,
        limit_a=2.0, let_through_c=0.04, let_through_j=0.008, let_through_a2s=0.08, before=before,
        after=pack("psu-a", channel, []),
    )  # fmt: skip
    return msgspec.structs.replace(made, **more)


def past(seconds: float) -> int:
    """So long ago, on the clock of readings."""
    return now_ns() - round(seconds * S)


def until(true: Callable[[], bool], within_s: float = 10.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, f"not true within {within_s} s"
        time.sleep(0.005)
