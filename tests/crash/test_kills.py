"""A few kills at random instants; `python -m tests.crash kills 500` takes its time."""

from __future__ import annotations

import subprocess
import sys


def test_what_was_acknowledged_is_there_after_a_kill_and_little_else_is_missing() -> None:
    """In a process of its own, which forks: this one may have threads. Patience, since the machine may be
    busy with something else."""
    words = ["kills", "5", "--daemons", "1", "--seed", "11", "--patience", "8"]
    done = subprocess.run([sys.executable, "-m", "tests.crash", *words], capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "5 kills, 0 not as promised" in done.stdout
    writers, daemons = (line.split() for line in done.stdout.splitlines()[1:3])
    assert int(writers[4]) > 100, done.stdout  # readings
    assert int(writers[-1]) > 0  # acknowledged
    assert int(daemons[-1]) > 0
