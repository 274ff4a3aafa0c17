"""What makes everything harder while a stroke falls: a generator that begins it, yields, and ends it."""

from __future__ import annotations

import contextlib
import dataclasses
import email.utils
import os
import resource
import struct
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil

from tests.chaos.faults import Fault, Play
from tests.chaos.lane import LINES, Lane, Line
from tests.running import until

CLOCK_JUMP_S = 3600.0
CLOCK_FILE = "clock"
SPIN = "import os\nparent = os.getppid()\nwhile os.getppid() == parent: pass"


@dataclasses.dataclass(frozen=True)
class Weather:
    """`slower_s`: what it may add to a promise, s. `without`: strokes that it makes senseless."""

    name: str
    play: Play
    slower_s: float = 0.0
    without: frozenset[str] = frozenset()
    lines: tuple[Line, ...] = LINES
    or_unknown: bool = False
    starts_times: float = 1.0
    """Factor on the time that Python takes to start."""


def calm(_lane: Lane) -> Iterator[None]:
    yield


# ---- the supply ---------------------------------------------------------------------------------------------------


def ignores_off(lane: Lane) -> Iterator[None]:
    lane.sim.fault("IGNORE", lane.rng.randint(1, 4))
    yield
    lane.sim.fault("NONE")


def storm(lane: Lane) -> Iterator[None]:
    lane.sim.fault("STORM", 2000)
    yield
    lane.sim.fault("NONE")


def half_open(lane: Lane) -> Iterator[None]:
    """Nobody has noticed yet that the supply's end of the connection is gone; the guard makes a new one in time."""
    assert lane.relay is not None
    lane.relay.half_open()
    time.sleep(lane.rng.choice((0.0, 0.3)))
    yield


def some_garbage(lane: Lane) -> Iterator[None]:
    lane.sim.fault("GARBAGE", 0.2)
    yield
    lane.sim.fault("NONE")


def split_replies(lane: Lane) -> Iterator[None]:
    lane.sim.fault("SPLIT", 0.02)
    yield
    lane.sim.fault("NONE")


def unasked_lines(lane: Lane) -> Iterator[None]:
    lane.sim.fault("EXTRA", 100000)
    yield
    lane.sim.fault("NONE")


def stuck_readings(lane: Lane) -> Iterator[None]:
    lane.sim.fault("STUCK")
    yield
    lane.sim.fault("NONE")


# ---- the computer -------------------------------------------------------------------------------------------------


def busy_computer(_lane: Lane) -> Iterator[None]:
    """Twice as many processes as cores that never rest."""
    hogs = [subprocess.Popen([sys.executable, "-c", SPIN]) for _ in range(2 * (os.cpu_count() or 1))]
    try:
        time.sleep(0.2)
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()


def disk_full(lane: Lane) -> Iterator[None]:
    """The limit on the size of files (setrlimit(2), EFBIG) stands for the disk's end; it holds for the daemon alone."""
    pid = lane.daemon.process.pid
    with _limited([pid], resource.RLIMIT_FSIZE, lambda _: 4096):
        yield


def no_memory(lane: Lane) -> Iterator[None]:
    """Neither daemon nor guard gets another page of address space (setrlimit(2), ENOMEM)."""
    pids = [lane.daemon.process.pid, lane.daemon.guard_pid()]
    with _limited(pids, resource.RLIMIT_AS, lambda pid: psutil.Process(pid).memory_info().vms):
        yield


@contextlib.contextmanager
def _limited(pids: list[int], what: int, soft: Callable[[int], int]) -> Iterator[None]:
    before = {}
    for pid in pids:
        before[pid] = resource.prlimit(pid, what)
        resource.prlimit(pid, what, (soft(pid), before[pid][1]))
    try:
        yield
    finally:
        for pid, limits in before.items():
            with contextlib.suppress(ProcessLookupError):
                resource.prlimit(pid, what, limits)


def clock_forth(lane: Lane) -> Iterator[None]:
    yield from _clock(lane, CLOCK_JUMP_S)


def clock_back(lane: Lane) -> Iterator[None]:
    yield from _clock(lane, -CLOCK_JUMP_S)


def _clock(lane: Lane, jump_s: float) -> Iterator[None]:
    """The wall clock of daemon and guard jumps; the times of their readings must not, and nothing may go off for it."""
    before, before_s = lane.daemon.call("GET", "bench"), time.monotonic()
    set_clock(lane.folder, jump_s)
    # The server makes its date once a second.
    until(lambda: _wrong_by_s(lane), lambda s: abs(s - jump_s) < 2, "the daemon's wall clock to have jumped", 3)
    after, passed_s = lane.daemon.call("GET", "bench"), time.monotonic() - before_s
    assert abs((after["t_ns"] - before["t_ns"]) / 1e9 - passed_s) < 1, "the daemon's time jumped with the wall clock"
    assert lane.sim.truth(1).output, "it went off for a jump of the wall clock"
    yield
    set_clock(lane.folder, 0.0)


def _wrong_by_s(lane: Lane) -> float:
    """How far off the wall clock of the daemon's process is, by the date in its answer (RFC 9110 section 6.6.1), s."""
    with urllib.request.urlopen(f"{lane.daemon.url}/api/v1/bench", timeout=5) as reply:
        return email.utils.parsedate_to_datetime(reply.headers["Date"]).timestamp() - time.time()


def clock_environment(folder: Path) -> dict[str, str]:
    """For a process whose wall clock, and that of what it starts, is to be set by `set_clock`."""
    set_clock(folder, 0.0)
    return {"PYTHONPATH": str(Path(__file__).parent / "clock"), "WRONG_CLOCK": str(folder / CLOCK_FILE)}


def set_clock(folder: Path, offset_s: float) -> None:
    """In place: the processes have the file mapped."""
    with (folder / CLOCK_FILE).open("r+b" if (folder / CLOCK_FILE).exists() else "w+b") as file:
        file.write(struct.pack("<q", round(offset_s * 1e9)))


BLIND = frozenset({"short"})
"""A short cannot be seen where readings stand still."""

WEATHERS = (
    Weather("", calm),
    Weather("supply ignores OFF up to four times", ignores_off, 0.3),
    Weather("storm of unasked replies", storm, 0.7),
    Weather("half-open connection", half_open, 0.5, lines=("relayed",)),
    Weather("garbage now and then", some_garbage, 0.5),
    Weather("replies in pieces", split_replies, 0.3),
    Weather("unasked lines", unasked_lines, 0.7),
    Weather("readings stand still", stuck_readings, 0.0, BLIND),
    Weather("computer busy", busy_computer, 0.5, starts_times=4.0),
    Weather("disk full", disk_full),
    Weather("no memory", no_memory, 0.5, or_unknown=True),
    Weather("clock an hour forth", clock_forth),
    Weather("clock an hour back", clock_back),
)


def under(weather: Weather, stroke: Fault) -> Fault:
    """The stroke while that weather lasts."""

    def play(lane: Lane) -> Iterator[None]:
        around, within = weather.play(lane), stroke.play(lane)
        next(around)
        next(within)
        yield
        next(around, None)  # ends before a new daemon starts, which must not start under it
        next(within, None)

    name = f"{stroke.name}, {weather.name}" if weather.name else stroke.name
    promised_s = stroke.promised_s + weather.slower_s + (weather.starts_times - 1) * stroke.starting_s
    return dataclasses.replace(stroke, name=name, promised_s=promised_s, play=play, or_unknown=weather.or_unknown)
