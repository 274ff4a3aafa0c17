"""A procedure in a terminal of its own: what a person sees, and what Ctrl-C does."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.running import Bench, running
from tests.simulated import SimulatedSupply

WITHIN_S = 30.0
AGAIN_S = 3.0
"""A Ctrl-C in the moment in which the prompt begins to read is seen with the next key only: a person presses again."""


def shown(master: int, within_s: float) -> str:
    """What comes within this time; empty: nothing."""
    ready, _, _ = select.select([master], [], [], within_s)
    return os.read(master, 4096).decode() if ready else ""


def until_shown(master: int, terminal: subprocess.Popen[bytes], text: str, within_s: float = WITHIN_S) -> bool:
    """Whether a text comes; raises where the program has ended before."""
    seen, ends = "", time.monotonic() + within_s
    while text not in seen:
        if time.monotonic() > ends:
            return False
        seen += shown(master, 0.2)
        assert terminal.poll() is None or text in seen, seen
    return True


def interrupted(master: int, terminal: subprocess.Popen[bytes]) -> None:
    """Ctrl-C, until it says that it has heard."""
    for _ in range(5):
        terminal.send_signal(signal.SIGINT)
        if until_shown(master, terminal, "stopping ...", AGAIN_S):
            return
    raise AssertionError("Ctrl-C was not heard")


def test_ctrl_c_at_a_question_stops_the_run_with_the_output_off(tmp_path: Path) -> None:
    """In a terminal of its own (a pseudo terminal), as a person has it; the output is on while it asks."""
    card = """
format = 1
title = "Ask"
what = "Asks with the output on."
[sides.main]
title = "Board"
[[step]]
do = "on"
voltage_v = 2.0
limit_a = 0.2
[[step]]
do = "ask"
name = "where"
text = "Where is it warm?"
kind = "text"
timeout_s = 60
powered = true
"""
    with (
        SimulatedSupply(board1="leak-only") as sim,
        running({"psu": Bench(sim.resource, 5.0, "benchd-sim")}, folder=tmp_path) as daemon,
    ):
        daemon.until_guarded()
        (tmp_path / "data" / "procedures").mkdir()
        (tmp_path / "data" / "procedures" / "ask.toml").write_text(card, "utf-8")
        master, slave = pty.openpty()
        words = ["procedure", "run", "ask", "--on", "psu/1", "--yes", "--data-dir", str(tmp_path / "data")]
        terminal = subprocess.Popen([sys.executable, "-m", "benchd", *words], stdin=slave, stdout=slave, stderr=slave)
        try:
            assert until_shown(master, terminal, "Where is it warm?")
            assert sim.truth(1).output is True
            interrupted(master, terminal)
            assert terminal.wait(30) == 1
            assert sim.truth(1).output is False
            assert [run["outcome"] for run in daemon.call("GET", "runs")["runs"]] == ["stopped"]
        finally:
            terminal.kill()
            terminal.wait()
            os.close(master)
            os.close(slave)
