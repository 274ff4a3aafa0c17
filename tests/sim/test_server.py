"""The supply as a process: real sockets, a real terminal, faults, and a clean end."""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import closing

import pytest

from tests.simulated import SimulatedSupply

PATIENCE_S = 5.0


class Client:
    """A plain socket and its lines."""

    def __init__(self, port: int) -> None:
        self.socket = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._pending = b""

    def send(self, text: str) -> None:
        self.socket.sendall(text.encode("latin-1") + b"\n")

    def line(self, timeout_s: float = PATIENCE_S) -> bytes | None:
        """The next line, None when there is none in time. Raises ConnectionError when the supply hangs up."""
        deadline_s = time.monotonic() + timeout_s
        while b"\n" not in self._pending:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0 or not select.select([self.socket], [], [], left_s)[0]:
                return None
            data = self.socket.recv(4096)
            if not data:
                raise ConnectionError("the supply hung up")
            self._pending += data
        line, self._pending = self._pending.split(b"\n", 1)
        return line

    def ask(self, text: str) -> str:
        self.send(text)
        line = self.line()
        assert line is not None, f"no reply to {text}"
        return line.decode("latin-1")

    def close(self) -> None:
        self.socket.close()


@pytest.fixture
def supply() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as running:
        yield running


@pytest.fixture
def client(supply: SimulatedSupply) -> Iterator[Client]:
    with closing(Client(supply.port)) as opened:
        yield opened


def test_helper_switches_on_and_sees_the_truth(supply: SimulatedSupply) -> None:
    supply.board(2, "leak-only")
    supply.command("INST:NSEL 2;:VOLT 4;:CURR 1;:OUTP ON")
    deadline_s = time.monotonic() + PATIENCE_S
    while supply.truth(2).board_v < 3.99 and time.monotonic() < deadline_s:
        pass
    truth = supply.truth(2)
    assert truth.output
    assert truth.voltage_v == pytest.approx(4.0, abs=0.001)
    assert truth.current_a == pytest.approx(0.045, abs=0.0005)
    supply.connect(2, False)
    supply.command("OUTP OFF")
    assert not supply.truth(2).output
    offs = supply.offs()
    assert len(offs) == 1
    assert 0 <= time.monotonic_ns() - offs[0] < PATIENCE_S * 1e9
    with pytest.raises(ValueError, match="-224"):
        supply.board(1, "brick")
    assert supply.query("SYST:ERR?") == '0,"No error"'


def test_clients_share_the_instrument_but_not_their_replies(supply: SimulatedSupply, client: Client) -> None:
    with closing(Client(supply.port)) as other:
        client.send("INST:NSEL 2")
        # Only an answer tells that a message was carried out: two connections have no order of their own.
        assert client.ask("*OPC?") == "1"
        other.send("INST:NSEL?")
        assert other.line() == b"2"
        assert client.line(0.02) is None


def test_messages_in_pieces_and_several_at_once(client: Client) -> None:
    client.socket.sendall(b"*OPC")
    client.socket.sendall(b"?\r\nSYST:VERS?\n\n*TST?\n")
    assert [client.line() for _ in range(3)] == [b"1", b"1999.0", b"0"]


def test_an_endless_message_is_an_overrun(client: Client) -> None:
    # SCPI-1999 vol. 2 §21.8: -363.
    client.socket.sendall(b"X" * 200_000 + b"\n")
    assert client.ask("SYST:ERR?") == '-363,"Input buffer overrun"'


def test_bytes_that_are_no_text_leave_an_error(client: Client) -> None:
    client.socket.sendall(bytes(byte for byte in range(256) if byte != 10) + b"\n")
    assert client.ask("*OPC?") == "1"
    assert client.ask("SYST:ERR:COUN?") == "1"


def test_latency_delays_a_reply_and_only_that(supply: SimulatedSupply, client: Client) -> None:
    supply.command("SIM:LAT 1.5")
    begin_s = time.monotonic()
    client.send("*OPC?")
    client.send("INST:NSEL 2")
    assert client.line(0.1) is None
    assert supply.query("SIM2:TRUTH?").startswith("0,")
    assert client.line() == b"1"
    assert time.monotonic() - begin_s >= 1.5


def test_garbage_never_looks_like_a_number(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("GARBAGE", 2)
    replies = []
    for _ in range(6):
        client.send("*OPC?")
        replies.append(client.line())
    assert replies[0::2] == [b"1"] * 3
    assert b"1" not in replies[1::2]
    supply.fault("NONE")
    assert [client.ask("*OPC?") for _ in range(4)] == ["1"] * 4


def test_late_reply_is_overtaken_but_arrives(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("LATE", 0.6)
    begin_s = time.monotonic()
    client.send("*IDN?")
    client.send("OUTP ON")
    assert client.ask("OUTP?") == "1"
    late = client.line()
    assert late is not None
    assert late.startswith(b"benchd,SIM-2")
    assert time.monotonic() - begin_s >= 0.6
    assert client.ask("*OPC?") == "1"


def test_late_reply_that_holds_the_others_up(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("LATE", 1.5, "HOLD")
    client.send("*IDN?")
    client.send("OUTP ON;:OUTP?")
    assert client.line(0.05) is None
    assert supply.truth(1).output
    assert (client.line() or b"").startswith(b"benchd,SIM-2")
    assert client.line() == b"1"


def test_split_reply_comes_in_two_pieces(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("SPLIT", 0.8)
    client.send("SYST:VERS?")
    first = client.socket.recv(100)
    second = client.socket.recv(100)
    assert (first, second) == (b"199", b"9.0\n")


def test_silence_lasts_as_long_as_asked(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("SILENT", 2)
    client.send("*IDN?")
    client.send("*IDN?")
    assert client.ask("*OPC?") == "1"


def test_deaf_supply_stays_on_and_logs_the_order(supply: SimulatedSupply, client: Client) -> None:
    client.send("VOLT 4;:OUTP ON")
    supply.fault("DEAF")
    assert client.ask("OUTP OFF;:OUTP?") == "1"
    assert supply.truth(1).output
    assert len(supply.offs()) == 1
    supply.fault("NONE")
    assert client.ask("OUTP OFF;:OUTP?") == "0"


def test_stuck_readings_hide_what_happens(supply: SimulatedSupply, client: Client) -> None:
    shown = client.ask("MEAS:VOLT?")
    supply.fault("STUCK")
    client.send("VOLT 4;:OUTP ON")
    deadline_s = time.monotonic() + PATIENCE_S
    while supply.truth(1).voltage_v < 3.9 and time.monotonic() < deadline_s:
        pass
    assert supply.truth(1).voltage_v == pytest.approx(4.0, abs=0.1)
    assert client.ask("MEAS:VOLT?") == shown


def test_extra_line_follows_a_reply(supply: SimulatedSupply, client: Client) -> None:
    supply.fault("EXTRA")
    assert client.ask("*OPC?") == "1"
    assert client.line() == b"+1.23400E+00"
    assert client.ask("*OPC?") == "1"
    assert client.line(0.02) is None


def test_closed_supply_drops_and_refuses_until_it_opens_again(supply: SimulatedSupply, client: Client) -> None:
    assert client.ask("*OPC?") == "1"
    supply.fault("CLOSE")
    with pytest.raises(ConnectionError):
        client.line()
    with pytest.raises(ConnectionRefusedError):
        Client(supply.port)
    supply.fault("NONE")
    deadline_s = time.monotonic() + PATIENCE_S
    again = None
    while again is None and time.monotonic() < deadline_s:
        try:
            again = Client(supply.port)
        except ConnectionRefusedError:
            continue
    assert again is not None
    with closing(again):
        assert again.ask("*OPC?") == "1"


def test_unknown_faults_are_refused(supply: SimulatedSupply) -> None:
    for wrong in (("NOISE",), ("LATE",), ("LATE", "soon"), ("SILENT", -1), ("LATE", 1, "LATER")):
        with pytest.raises(ValueError, match=r"-\d\d\d,"):
            supply.fault(*wrong)


def test_off_log_has_the_reply_before_each_order(supply: SimulatedSupply, client: Client) -> None:
    client.ask("*OPC?")
    before_ns = time.monotonic_ns()
    client.send("OUTP OFF")
    client.ask("*OPC?")
    count, off_ns = supply.query("SIM:LOG?").split(",")
    reply_ns = supply.query("SIM:LOG:REPLY?").split(",")[1]
    assert count == "1"
    assert int(reply_ns) <= before_ns <= int(off_ns)


def test_terminal_speaks_as_well() -> None:
    with SimulatedSupply(pty=True) as supply:
        assert supply.pty is not None
        descriptor = os.open(supply.pty, os.O_RDWR | os.O_NOCTTY)
        try:
            # Raw: nothing is echoed and no line end is changed.
            assert not termios.tcgetattr(descriptor)[3] & termios.ECHO
            os.write(descriptor, b"VOLT 3.3;VOLT?\r\n")
            assert select.select([descriptor], [], [], PATIENCE_S)[0]
            assert os.read(descriptor, 100) == b"3.300\n"
        finally:
            os.close(descriptor)
        assert supply.query("VOLT?") == "3.300"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_ends_cleanly_on_a_signal(number: int) -> None:
    with SimulatedSupply() as supply:
        supply.process.send_signal(number)
        assert supply.process.wait(PATIENCE_S) == 0


def test_ends_with_its_parent() -> None:
    start = (
        "import subprocess, sys; child = subprocess.Popen([sys.executable, '-m', 'benchd.sim', '--end-with-parent'],"
        " stdout=subprocess.PIPE, text=True); print(child.stdout.readline(), end='', flush=True); sys.stdin.read()"
    )
    parent = subprocess.Popen([sys.executable, "-c", start], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert parent.stdout is not None
        port = json.loads(parent.stdout.readline())["port"]
        with closing(Client(port)) as client:
            assert client.ask("*OPC?") == "1"
            parent.kill()
            parent.wait(PATIENCE_S)
            with pytest.raises(ConnectionError):
                client.line()
    finally:
        parent.kill()
        parent.wait(PATIENCE_S)
        for pipe in (parent.stdin, parent.stdout):
            assert pipe is not None
            pipe.close()


def test_a_port_that_is_taken_is_named(supply: SimulatedSupply) -> None:
    words = [sys.executable, "-m", "benchd.sim", "--port", str(supply.port)]
    ended = subprocess.run(words, capture_output=True, text=True, timeout=PATIENCE_S)
    assert ended.returncode == 1
    assert f"cannot listen on 127.0.0.1 port {supply.port}" in ended.stderr
    assert ended.stdout == ""


def test_bad_options_are_refused() -> None:
    for wrong in (["--interval-ms", "nan"], ["--lead-ohm", "0"], ["--board1", "brick"], ["--noise-a", "much"]):
        ended = subprocess.run(
            [sys.executable, "-m", "benchd.sim", *wrong], capture_output=True, text=True, timeout=PATIENCE_S
        )
        assert ended.returncode == 2
        assert wrong[0] in ended.stderr


def test_options_reach_the_model() -> None:
    with SimulatedSupply(board1="dead-short", lead_ohm=0.35, noise_v=0, noise_a=0, resolution_a=0.01) as supply:
        supply.command("VOLT 4;:CURR 0.5;:OUTP ON")
        deadline_s = time.monotonic() + PATIENCE_S
        # Ohm's law: 0.5 A into 0.15 Ω and 0.35 Ω of leads; a reading that still holds the switching-on does not count.
        settled = "+2.50000E-01;+5.00000E-01"
        while (seen := supply.query("MEAS:VOLT?;:MEAS:CURR?")) != settled and time.monotonic() < deadline_s:
            pass
        assert seen == settled
