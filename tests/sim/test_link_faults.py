"""Faults of whole connections: black hole, reply storm, power lost and back."""

from __future__ import annotations

import os
import select
import socket
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from tests.running import until
from tests.sim.test_server import Client
from tests.simulated import SimulatedSupply

SILENCE_S = 0.3
"""So long nothing must come."""


@pytest.fixture
def supply() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(pty=True) as running:
        yield running


@pytest.fixture
def client(supply: SimulatedSupply) -> Iterator[Client]:
    with closing(Client(supply.port)) as opened:
        yield opened


def test_in_a_black_hole_connections_stay_open_and_silent(supply: SimulatedSupply, client: Client) -> None:
    client.send("INST:NSEL 1;:VOLT 4;:OUTP ON")
    assert client.ask("*OPC?") == "1"
    supply.fault("BLACKHOLE")
    client.send("OUTP OFF;*OPC?")
    assert client.line(SILENCE_S) is None
    with closing(Client(supply.port)) as late:  # accepted, and as silent
        late.send("*OPC?")
        assert late.line(SILENCE_S) is None
        assert supply.truth(1).output
        supply.fault("NONE")
        assert late.line() == b"1"
    assert client.line() == b"1"  # what was sent meanwhile is carried out now
    assert not supply.truth(1).output


def test_a_black_hole_swallows_replies_that_were_under_way_and_terminals_too(
    supply: SimulatedSupply, client: Client
) -> None:
    assert supply.pty is not None
    descriptor = os.open(supply.pty, os.O_RDWR | os.O_NOCTTY)
    try:
        supply.fault("LATE", 0.1)
        client.send("VOLT?")
        supply.fault("BLACKHOLE")
        os.write(descriptor, b"*OPC?\n")
        assert client.line(SILENCE_S) is None
        assert not select.select([descriptor], [], [], 0.0)[0]
        supply.fault("NONE")
        assert select.select([descriptor], [], [], 5.0)[0]
        assert os.read(descriptor, 100) == b"1\n"
        assert client.line(0.0) is None
    finally:
        os.close(descriptor)


def test_who_made_the_black_hole_is_still_heard(supply: SimulatedSupply, client: Client) -> None:
    client.send("SIM:FAULT BLACKHOLE")
    assert client.ask("*OPC?") == "1"
    with closing(Client(supply.port)) as other:
        other.send("*OPC?")
        assert other.line(SILENCE_S) is None


def test_a_reply_storm_comes_at_its_rate_until_it_is_ended(supply: SimulatedSupply, client: Client) -> None:
    begun_s = time.monotonic()
    supply.fault("STORM", 2000)
    lines = 0
    while lines < 500:
        assert client.line() == b"+1.23400E+00"
        lines += 1
    took_s = time.monotonic() - begun_s
    # 500 lines at 2000 per second take 0.25 s; those of a tick of 0.25 s may come at once. A busy machine takes longer.
    assert took_s < 5.0
    assert supply.truth(1).output is False  # the control port has none
    supply.fault("NONE")
    while client.line(SILENCE_S) is not None:
        pass
    assert client.ask("*OPC?") == "1"


def test_a_client_that_does_not_read_the_storm_is_kept(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("STORM", 1e5)
    time.sleep(0.3)
    assert supply.truth(1).output is False
    client.send("INST:NSEL 1;:VOLT 4;:OUTP ON")
    until(lambda: supply.truth(1).output, bool, "the order to be carried out")


def test_power_lost_and_back(supply: SimulatedSupply, client: Client) -> None:
    client.send("VOLT 4;:CURR 1;:OUTP ON;:OUTP:PROT:WDOG ON")
    assert client.ask("*OPC?") == "1"
    assert supply.truth(1).output
    asked_s = time.monotonic()
    supply.fault("POWERCYCLE", 1.0)
    assert not supply.truth(1).output
    with pytest.raises(ConnectionError):
        client.line()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", supply.port), timeout=5.0)
    until(lambda: _is_open(supply.port), bool, "the port to be open again")
    assert time.monotonic() - asked_s >= 1.0
    with closing(Client(supply.port)) as fresh:
        assert fresh.ask("VOLT?;:CURR?;:OUTP?;:OUTP:PROT:WDOG?;:SYST:ERR?") == '0.000;0.100;0;0;0,"No error"'


def _is_open(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=5.0).close()
    except ConnectionRefusedError:
        return False
    return True


def test_power_lost_loses_what_a_terminal_sends(supply: SimulatedSupply) -> None:
    assert supply.pty is not None
    descriptor = os.open(supply.pty, os.O_RDWR | os.O_NOCTTY)
    try:
        supply.fault("POWERCYCLE", 0.3)
        os.write(descriptor, b"VOLT 5;*OPC?\n")
        assert not select.select([descriptor], [], [], SILENCE_S)[0]
        supply.fault("NONE")  # brings the port back, if it was not yet
        assert supply.query("VOLT?") == "0.000"
        os.write(descriptor, b"*OPC?\n")
        assert select.select([descriptor], [], [], 5.0)[0]
        assert os.read(descriptor, 100) == b"1\n"
    finally:
        os.close(descriptor)


@pytest.mark.parametrize("family", ["keysight-e36300", "rs-ngx", "rigol-dp800"])
def test_families_lose_power_and_ignore_orders_too(family: str) -> None:
    switch = {"keysight-e36300": "OUTP {},(@1)", "rs-ngx": "OUTP {}", "rigol-dp800": ":OUTP CH1,{}"}[family]
    with SimulatedSupply(family=family, pace=0) as supply:
        supply.command(switch.format("ON"))
        assert supply.truth(1).output
        supply.fault("IGNORE", 1)
        supply.command(switch.format("OFF"))
        assert supply.truth(1).output
        supply.command(switch.format("OFF"))
        assert not supply.truth(1).output
        supply.command(switch.format("ON"))
        supply.fault("POWERCYCLE", 0)
        assert not supply.truth(1).output
