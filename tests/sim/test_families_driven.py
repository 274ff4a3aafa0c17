"""Every family's simulated supply, driven by the profile of the same name over a real link.

The two share no code and were written from the published facts apart from each other, so what they agree on was
understood the same way twice.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager

import pytest

from benchd.reading import Mode, OutputState
from benchd.sim.connection import Terminal
from benchd.sim.dialects import FAMILIES
from benchd.sim.dialects.base import Dialect, Setup
from benchd.sim.server import Server
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply
from tests.simulated import Lines

PATIENCE_S = 5.0
SET_V, SET_A = 4.0, 1.0


@contextmanager
def serving(family: str, model: str | None = None) -> Iterator[tuple[Dialect, str, Lines]]:
    """The supply, its resource (a socket where the profile knows one, else a serial port), and its control port."""
    supply = FAMILIES[family](model, None, Setup(noise_v=0.0, noise_a=0.0))
    serial = "tcp" not in load_profile(family).link.interfaces
    terminal = Terminal() if serial else None
    server = Server(supply, "127.0.0.1", 0, terminal, pace=1.0 if supply.loses_early else 0.0)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        resource = f"ASRL{terminal.path}::INSTR" if terminal else f"TCPIP0::127.0.0.1::{server.port}::SOCKET"
        with closing(Lines("127.0.0.1", server.control_port)) as control:
            yield supply, resource, control
    finally:
        server.stop()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def settled(supply: Supply, voltage_v: float, current_a: float, mode: Mode) -> bool:
    """Whether the readings come to this; what is still changing when it is looked at takes its time."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        reading = supply.read(1)
        close = abs(reading.voltage_v - voltage_v) < 0.11 and abs(reading.current_a - current_a) < 0.011
        if close and reading.mode is mode:
            return True
    return False


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_the_profile_drives_it(family: str) -> None:
    with serving(family) as (simulated, resource, control):
        control.ask("SIM1:BOARD leak-only;:SIM:ERROR?")
        with closing(Supply.open(family, resource, load_profile(family), (1,), 1.0)) as supply:
            supply.prepare(1, SET_V, SET_A)
            assert not simulated.channels[0].source.on
            supply.output_on(1)
            assert simulated.channels[0].source.on
            assert simulated.channels[0].source.voltage_v == pytest.approx(SET_V, abs=0.01)
            assert simulated.channels[0].source.limit_a == pytest.approx(SET_A, abs=0.01)
            # Ohm's law: the leak is 4.0/0.045 Ω. The coarsest current reading has steps of 10 mA.
            assert settled(supply, SET_V, 0.045, Mode.CV)
            control.ask("SIM1:BOARD dead-short;:SIM:ERROR?")
            # Ohm's law: 0.15 Ω, and 0.05 Ω of leads.
            assert settled(supply, SET_A * 0.2, SET_A, Mode.CC)
            supply.send_off(1)
            outcome = confirm_off(supply, 1, PATIENCE_S)
            assert outcome.state is OutputState.OFF, outcome.text
            assert not simulated.channels[0].source.on
            assert supply.output_state(1) is False
            assert supply.errors() == []
