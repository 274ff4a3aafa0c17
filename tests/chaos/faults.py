"""What may happen while the output is on, and what is promised for it.

A fault is a generator: it does its damage, yields, and mends it afterwards. `promised_s` counts from the last
`Lane.strike`, by the supply's own truth. Where no order can reach the supply (`ends` = "unknown") the promise is that
the daemon says so; once mended, the output goes off within `mended_s`.
"""

from __future__ import annotations

import dataclasses
import signal
import time
from collections.abc import Callable, Iterator
from typing import Literal

from tests.chaos.lane import LINES, WATCHDOG_S, WATCHED, Lane, Line
from tests.running import until

SUPPLY_BACK_S = 6.0
"""A supply that comes back is looked for again after at most 5 s, then switched off."""

Play = Callable[[Lane], Iterator[None]]

STALE_S = 0.4
"""As the plan of the lanes says."""
ON_TOLD_S = 3.0
"""So long may `on` still be told of a supply that is gone: safe, but not true."""
LAST_ROUND_S = 0.2
"""What was under way when nobody was left reaches the supply a little later, and starts its watchdog anew."""
READ_S = 0.25
"""One question that gets no answer."""


@dataclasses.dataclass(frozen=True)
class Fault:
    """`promised_s`, `mended_s`: s, on a machine that is not busy with other things. `lines`: where it can happen."""

    name: str
    promised_s: float
    play: Play
    ends: Literal["off", "unknown"] = "off"
    mended_s: float = 1.0
    lines: tuple[Line, ...] = LINES
    starting_s: float = 0.0
    """The part of the promise that is Python starting, which takes longer on a busy machine, s."""
    or_unknown: bool = False
    """Off in time is best, but saying `unknown` in that time, and off once mended, is as promised too."""


# ---- strokes: after each the output has to go off ----------------------------------------------------------------


def short(lane: Lane) -> Iterator[None]:
    lane.short()
    yield


def off_asked(lane: Lane) -> Iterator[None]:
    asking = lane.ask_off()
    yield
    asking.join(10)


def daemon_killed(lane: Lane) -> Iterator[None]:
    lane.kill_daemon()
    yield
    lane.new_daemon()


def group_killed(lane: Lane) -> Iterator[None]:
    lane.kill_daemon(group=True)
    yield
    lane.new_daemon()


def guard_killed(lane: Lane) -> Iterator[None]:
    lane.kill_guard()
    yield


def both_killed(lane: Lane) -> Iterator[None]:
    lane.both(signal.SIGKILL)
    making_safe = lane.make_safe()
    yield
    making_safe.wait(30)
    lane.new_daemon()


def daemon_frozen(lane: Lane) -> Iterator[None]:
    pid = lane.daemon.process.pid
    lane.freeze(pid)
    yield
    lane.thaw(pid)


def guard_frozen(lane: Lane) -> Iterator[None]:
    pid = lane.guard_frozen()
    yield
    lane.thaw(pid)


STROKES = (
    Fault("short", 0.15, short),
    Fault("off asked", 0.3, off_asked),
    Fault("daemon killed", 0.5, daemon_killed),
    Fault("daemon's process group killed", 0.5, group_killed),
    Fault("daemon frozen", 0.5, daemon_frozen),
    Fault("guard killed", 1.0, guard_killed),
    Fault("guard frozen", 1.4, guard_frozen),  # it counts as gone after 0.4 s of silence
    Fault("both killed, then make-safe", 3.0, both_killed, starting_s=1.5),
)

# ---- the line and the supply ----------------------------------------------------------------------------------


def refused(lane: Lane) -> Iterator[None]:
    """The supply drops the connection and takes no new one."""
    lane.strike()
    lane.sim.fault("CLOSE")
    yield
    lane.sim.fault("NONE")


def black_hole(lane: Lane) -> Iterator[None]:
    """Not a byte goes through, and nobody is told: at the supply itself, or on the way to it."""
    lane.strike()
    if lane.relay is None:
        lane.sim.fault("BLACKHOLE")
    else:
        lane.relay.black_hole()
    yield
    if lane.relay is None:
        lane.sim.fault("NONE")
    else:
        lane.relay.mend()


def power_cut(lane: Lane) -> Iterator[None]:
    """The supply goes off and on again; what was set is lost. The page must not go on saying `on`."""
    lane.strike()
    lane.sim.fault("POWERCYCLE", round(lane.rng.uniform(0.1, 1.0), 2))
    yield
    until(lambda: lane.witness.told, lambda told: told != "on", "the page not to say `on` any more", ON_TOLD_S)


def unplugged(lane: Lane) -> Iterator[None]:
    assert lane.relay is not None
    lane.strike()
    lane.relay.unplug()
    yield
    time.sleep(lane.rng.uniform(0.0, 0.5))
    lane.relay.mend()


def nobody_left(lane: Lane) -> Iterator[None]:
    """Daemon and guard are killed and nothing is started for them: the supply hears nobody any more."""
    lane.both(signal.SIGKILL)
    yield
    lane.new_daemon()


def all_frozen(lane: Lane) -> Iterator[None]:
    """The whole computer hangs, as far as the supply can tell."""
    pids = lane.both(signal.SIGSTOP)
    yield
    for pid in pids:
        lane.thaw(pid)


def deaf(lane: Lane) -> Iterator[None]:
    """The supply takes no notice of OFF, for good: voltage and limit are taken down, and it is not called off."""
    lane.sim.fault("DEAF")
    asking = lane.ask_off()
    yield
    truth = lane.sim.truth(1)
    assert truth.voltage_v < 0.5, f"not taken down: {truth.voltage_v:.3f} V at the terminals"
    lane.sim.fault("NONE")
    asking.join(10)


def only_garbage(lane: Lane) -> Iterator[None]:
    """Every reply is noise, so nothing is known any more."""
    lane.strike()
    lane.sim.fault("GARBAGE")
    yield
    lane.sim.fault("NONE")


def silent(lane: Lane) -> Iterator[None]:
    """The supply carries out what it is told, and answers nothing."""
    lane.strike()
    lane.sim.fault("SILENT", 100000)
    yield
    lane.sim.fault("NONE")


OTHERS = (
    Fault("supply drops and refuses connections", 3.0, refused, "unknown", SUPPLY_BACK_S, ("socket", "relayed")),
    Fault("black hole", 3.0, black_hole, "unknown", SUPPLY_BACK_S),
    Fault("supply loses power for a moment", 0.1, power_cut),
    Fault("serial port unplugged", 3.0, unplugged, "unknown", SUPPLY_BACK_S, ("serial",)),
    Fault("nobody left but the supply's link watchdog", WATCHDOG_S + LAST_ROUND_S, nobody_left, lines=(WATCHED,)),
    Fault("daemon and guard frozen, link watchdog", WATCHDOG_S + LAST_ROUND_S, all_frozen, lines=(WATCHED,)),
    Fault("supply ignores OFF for good", 1.5, deaf, "unknown", 3.0),
    Fault("nothing but garbage", STALE_S + READ_S + 0.2, only_garbage),
    Fault("no replies", STALE_S + READ_S + 0.2, silent),
)
