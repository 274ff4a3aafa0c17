"""A recording process is killed at a random instant; what it had been told to be safe must be in the log.

Most kills are of a process that has nothing but the log's writer, at 1000 readings/s (a fork: quick to start); one in
five of these makes copies of the log all the while, which must be whole. The rest are of the whole daemon with a
simulated supply. The witness is a file of its own: what `write` has given to the kernel survives the kill of a process.
"""

from __future__ import annotations

import contextlib
import dataclasses
import os
import random
import signal
import threading
import time
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from benchd.reading import Block, Mode
from benchd.store import backup as copies
from benchd.store.checking import check
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from tests.running import Bench, Running, start, until
from tests.simulated import SimulatedSupply
from tests.store.making import tripped

PROMISED_MS = 250.0
STEP_S = 0.02
"""The guard sends readings this often, and so does the writer's feeder here."""
LONGEST_S = 1.5
"""A kill comes within this time after the first reading."""


@dataclasses.dataclass
class Outcome:
    """What one kill took."""

    seed: int
    what: str
    missing_ms: float = 0.0
    """From the last reading in the log to the last one that was read."""
    readings: int = 0
    acknowledged: int = 0
    """Trips and lines of the journal of which the process knew before the kill that they were in the log."""
    failure: str = ""
    """What was not as promised."""

    def judge(self, patience: float) -> None:
        """Whether too much is missing; `patience`: factor on what is promised, for a busy machine."""
        if not self.failure and self.missing_ms > PROMISED_MS * patience:
            self.failure = f"{self.missing_ms:.0f} ms of readings are missing"


# ---- the writer alone ---------------------------------------------------------------------------------------------


def feed(path: Path, witness: Path, supply: str, copying: bool) -> None:
    """Record until killed: readings each STEP_S at 1000/s, now and then a trip or a line of the journal.

    `copying`: meanwhile one copy of the log after the other is made.
    """
    said = os.open(witness, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    writer = LogWriter(path)
    if copying:
        threading.Thread(target=copy, args=(path,), daemon=True).start()
    last_ns, n = time.time_ns(), 0
    while True:
        n += 1
        time.sleep(STEP_S)
        now_ns = time.time_ns()
        t_ns = np.arange(last_ns + 1_000_000, now_ns + 1, 1_000_000)
        if not len(t_ns):
            continue
        last_ns = int(t_ns[-1])
        amps = np.round(0.06 + 0.01 * np.sin(np.arange(len(t_ns))), 4)
        block = Block(supply, 1, t_ns.tobytes(), np.full(len(t_ns), 4.0).tobytes(), amps.tobytes(),
                      bytes([Mode.CV]) * len(t_ns), bytes(len(t_ns)), 20_000)  # fmt: skip
        writer.put_block(block)
        os.write(said, f"reading {int(t_ns[0])} {last_ns}\n".encode())
        if n % 3 == 0:
            kept = writer.submit(lambda db: db.add_entry("note", supply=supply).seq)
            kept.add_done_callback(lambda done: _acknowledge(said, "note", done))
        if n % 11 == 0:
            kept = writer.submit(lambda db: db.add_trip(tripped(), None).payload["trip"])
            kept.add_done_callback(lambda done: _acknowledge(said, "trip", done))


def copy(path: Path) -> None:
    """Copies of the log until killed."""
    while True:
        copies.backup(path, path.parent, datetime.now(UTC))
        copies.keep_newest(path.parent, copies.log_id(path), 2)


def _acknowledge(said: int, what: str, done: Future[int]) -> None:
    os.write(said, f"{what} {done.result()}\n".encode())


def kill_writer(path: Path, folder: Path, seed: int) -> Outcome:
    """One kill of a process that feeds the log's writer."""
    rng = random.Random(seed)
    witness, supply = folder / f"witness-{seed}", f"run-{seed}"
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            feed(path, witness, supply, copying=seed % 5 == 0)
        os._exit(1)
    try:
        until(witness.exists, bool, "the first reading")
        time.sleep(rng.uniform(0, LONGEST_S))
    finally:
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
    outcome = Outcome(seed, "the log's writer")
    if not os.WIFSIGNALED(status):
        outcome.failure = "the recording process ended by itself"
        return outcome
    told = [line.split() for line in witness.read_text().splitlines()]
    witness.unlink()
    outcome.failure = _judged(path, supply, told, outcome)
    return outcome


def _judged(path: Path, supply: str, told: list[list[str]], outcome: Outcome) -> str:
    read = [(int(words[1]), int(words[2])) for words in told if words[0] == "reading"]
    with Log.open(path) as log:  # as a daemon that starts again does
        whole = log.rows("PRAGMA integrity_check")
        there = log.samples(supply, 1, 0, 2**62).t_ns
        notes = {row[0] for row in log.rows("SELECT seq FROM journal WHERE supply = ?", (supply,))}
        trips = {row[0] for row in log.rows("SELECT id FROM trips")}
    if whole != [("ok",)]:
        return f"integrity_check: {whole[:3]}"
    given = np.concatenate([np.arange(first, last + 1, 1_000_000) for first, last in read]) if read else there[:0]
    outcome.readings = len(given)
    # The process may have been killed between giving a block and telling the witness of it.
    known = np.isin(there, given, assume_unique=True)
    if not np.array_equal(there[known], given[: int(known.sum())]):
        return "readings are missing in the middle"
    left = given[int(known.sum()) :]
    outcome.missing_ms = float(left[-1] - left[0]) / 1e6 + 1 if len(left) else 0.0
    for copied in copies.copies_in(path.parent, copies.log_id(path)):
        if not (found := check(copied)).sound:
            return f"a copy is not whole: {found.faults[:3]}"
    told_notes = {int(words[1]) for words in told if words[0] == "note" and len(words) == 2}
    told_trips = {int(words[1]) for words in told if words[0] == "trip" and len(words) == 2}
    outcome.acknowledged = len(told_notes) + len(told_trips)
    if lost := (told_notes - notes) | (told_trips - trips):
        return f"{len(lost)} trips or lines of the journal are missing that were acknowledged"
    return ""


def kill_writers(folder: Path, number: int, seed: int, most_in_one_log: int = 50) -> list[Outcome]:
    """So many kills, one after the other, on the same log, and on a new one after `most_in_one_log`."""
    outcomes = []
    for n in range(number):
        path = folder / f"log-{n // most_in_one_log}" / "benchd.sqlite"
        path.parent.mkdir(exist_ok=True)
        outcomes.append(kill_writer(path, folder, seed + n))
        if (n + 1) % most_in_one_log == 0 or n + 1 == number:
            found = check(path)
            if not found.sound:
                outcomes[-1].failure = outcomes[-1].failure or f"not sound after all: {found.faults[:3]}"
    return outcomes


# ---- the whole daemon ---------------------------------------------------------------------------------------------


def kill_daemons(folder: Path, number: int, seed: int, interval_ms: float = 5.0) -> list[Outcome]:
    """So many kills of the whole daemon, one after the other, on the same log."""
    outcomes = []
    with SimulatedSupply() as sim:
        bench = {"psu": Bench(sim.resource, interval_ms, "benchd-sim", (1, 2), timeout_ms=800.0)}
        for n in range(number):
            daemon = start(bench, folder)
            try:
                outcomes.append(_kill_daemon(daemon, sim, seed + n))
            finally:
                daemon.process.kill()
                daemon.end()
    return outcomes


def _kill_daemon(daemon: Running, sim: SimulatedSupply, seed: int) -> Outcome:
    rng = random.Random(seed)
    outcome = Outcome(seed, "the daemon")
    daemon.until_guarded()
    sim.board(1, "leak")
    daemon.on("psu", 1)
    notes, trip = [], None
    if rng.random() < 0.5:
        if daemon.channel("psu", 2)["latched"]:
            daemon.rearm("psu", 2)
        sim.board(2, "dead-short")
        daemon.on("psu", 2)
        shown = until(lambda: daemon.channel("psu", 2)["trip"], lambda t: bool(t and t.get("number")), "a trip")
        trip = shown["number"]
    end_s = time.monotonic() + rng.uniform(0, LONGEST_S)
    while time.monotonic() < end_s:
        notes.append(daemon.call("POST", "journal", {"text": "seen", "job": _job(daemon)})["seq"])
    killed_ns = time.time_ns()
    daemon.process.kill()
    daemon.process.wait(20)
    with Log.open(daemon.log_file) as log:
        whole = log.rows("PRAGMA integrity_check")
        there = {row[0] for row in log.rows("SELECT seq FROM journal WHERE kind = 'note'")}
        last_ns = log.rows("SELECT max(t1_ns) FROM blocks WHERE channel = 1")[0][0] or 0
        kept = trip is None or log.trip(trip) is not None
    outcome.acknowledged = len(notes) + (trip is not None)
    outcome.missing_ms = (killed_ns - last_ns) / 1e6
    if whole != [("ok",)]:
        outcome.failure = f"integrity_check: {whole[:3]}"
    elif not set(notes) <= there or not kept:
        outcome.failure = "a trip or a line of the journal is missing that was acknowledged"
    elif not (found := check(daemon.log_file)).sound:
        outcome.failure = f"not sound: {found.faults[:3]}"
    return outcome


def _job(daemon: Running) -> str:
    if not daemon.call("GET", "jobs")["jobs"]:
        daemon.call("POST", "jobs", {"id": "R-1"})
    return "R-1"
