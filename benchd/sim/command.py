"""The command line of the simulated supply. The first line on stdout is a JSON object that says where to connect."""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from collections.abc import Sequence

from benchd.sim.bench import Readout
from benchd.sim.board import KINDS
from benchd.sim.connection import Terminal
from benchd.sim.dialects import FAMILIES
from benchd.sim.dialects.base import Setup
from benchd.sim.instrument import Instrument
from benchd.sim.rig import Rig
from benchd.sim.server import Server

OWN = "benchd-sim"
"""The family that no maker sells: the supply of this package."""


def arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchd sim",
        description="A simulated supply with boards on its leads: the two-channel one of this package, or one that "
        "speaks as a family of real supplies does.",
        epilog="Boards: "
        + "; ".join(f"{kind.name}: {kind.tells}" for kind in KINDS.values())
        + ". Hands at channel n, as commands on the control port that the first line names (and for "
        f'{OWN} on its own port as well): SIMn:BOARD "clean" clips a board on (NONE takes it off), SIMn:BUTTon '
        "presses its button.",
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default %(default)s)")
    parser.add_argument("--port", type=int, default=0, help="TCP port, 0 for any free one (default)")
    parser.add_argument("--pty", action="store_true", help="serve on a pseudo terminal as well, like a serial port")
    parser.add_argument(
        "--family", default=OWN, choices=[OWN, *FAMILIES], metavar="NAME", help="whose language (default %(default)s)"
    )
    parser.add_argument("--model", help="one of the family's models (default: its first)")
    parser.add_argument("--serial", help="serial number in the identification, where the family has one")
    parser.add_argument("--pace", type=_amount, default=1.0, help="factor on the family's own slowness, 0 for none")
    parser.add_argument("--list-families", action="store_true", help="list families and their models, and end")
    parser.add_argument("--latency-ms", type=_amount, default=0.0, help="processing time of a query")
    parser.add_argument("--interval-ms", type=_interval, default=1.0, help="readings refresh this often (default 1)")
    parser.add_argument("--noise-v", type=_amount, help="rms noise of voltage readings in V")
    parser.add_argument("--noise-a", type=_amount, help="rms noise of current readings in A")
    parser.add_argument("--lead-ohm", type=_positive, default=0.05, help="both leads together, in ohms")
    parser.add_argument("--resolution-a", type=_positive, help="step of current readings in A")
    parser.add_argument("--seed", type=int, default=1, help="for noise and load texture")
    parser.add_argument("--board1", choices=KINDS, default="none", help="board on channel 1 (default %(default)s)")
    parser.add_argument("--board2", choices=KINDS, default="none", help="board on channel 2 (default %(default)s)")
    parser.add_argument("--end-with-parent", action="store_true", help="end when the starting process has ended")
    parser.add_argument("--json", action="store_true", help="nothing but the JSON line on stdout")
    return parser


def _amount(text: str) -> float:
    return _between(text, 0.0, 60_000.0)


def _positive(text: str) -> float:
    return _between(text, 1e-6, 1000.0)


def _interval(text: str) -> float:
    return _between(text, 0.1, 60_000.0)


def _between(text: str, lowest: float, highest: float) -> float:
    value = float(text)
    if not lowest <= value <= highest:
        raise argparse.ArgumentTypeError(f"{text} is not between {lowest:g} and {highest:g}")
    return value


def main(argv: Sequence[str] | None = None) -> int:
    """Serve until SIGTERM or SIGINT. Returns the exit status: 0, or 1 when the port cannot be had."""
    parser = arguments()
    options = parser.parse_args(argv)
    if options.list_families:
        _list_families(options.json)
        return 0
    parent = os.getppid()
    try:
        rig = _own(options) if options.family == OWN else _family(options)
    except ValueError as error:
        parser.error(str(error))
    rig.attach(0, options.board1, 0.0)
    if len(rig.channels) > 1:
        rig.attach(1, options.board2, 0.0)
    elif options.board2 != "none":
        parser.error(f"--board2 {options.board2}: this supply has one output")
    terminal = Terminal() if options.pty else None
    try:
        server = Server(rig, options.host, options.port, terminal, options.pace)
    except (OSError, OverflowError) as error:
        print(f"cannot listen on {options.host} port {options.port}: {error}", file=sys.stderr)
        return 1
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, server.stop)
    _say_ready(server, terminal, options)
    _wake_precisely()
    server.run(parent if options.end_with_parent else None)
    return 0


def _own(options: argparse.Namespace) -> Rig:
    if options.model not in (None, Instrument.model):
        raise ValueError(f"--model {options.model}: {OWN} has only {Instrument.model}")
    usual = Readout()
    return Instrument(
        seed=options.seed,
        version=_version(),
        lead_ohm=options.lead_ohm,
        latency_s=options.latency_ms / 1000,
        readout=Readout(
            interval_s=options.interval_ms / 1000,
            resolution_a=usual.resolution_a if options.resolution_a is None else options.resolution_a,
            noise_v=usual.noise_v if options.noise_v is None else options.noise_v,
            noise_a=usual.noise_a if options.noise_a is None else options.noise_a,
        ),
        **({} if options.serial is None else {"serial": options.serial}),
    )


def _family(options: argparse.Namespace) -> Rig:
    setup = Setup(
        seed=options.seed,
        lead_ohm=options.lead_ohm,
        latency_s=options.latency_ms / 1000,
        interval_s=options.interval_ms / 1000,
        noise_v=options.noise_v,
        noise_a=options.noise_a,
        resolution_a=options.resolution_a,
    )
    return FAMILIES[options.family](options.model, options.serial, setup)


def _list_families(as_json: bool) -> None:
    found = {OWN: [Instrument.model], **{name: list(family.models) for name, family in FAMILIES.items()}}
    if as_json:
        print(json.dumps(found))
        return
    for name, models in found.items():
        print(f"{name}: {', '.join(models)}")


def _say_ready(server: Server, terminal: Terminal | None, options: argparse.Namespace) -> None:
    path = terminal.path if terminal else None
    resource = f"TCPIP0::{server.host}::{server.port}::SOCKET"
    ready = {"event": "ready", "resource": resource, "port": server.port, "pty": path, "control": server.control_port}
    print(json.dumps(ready), flush=True)
    if options.json:
        return
    print(f"Simulated supply at {resource}" + (f" and {path}" if path else ""), flush=True)
    print(f"Channel 1: {options.board1}, channel 2: {options.board2}. Ctrl-C ends it.", flush=True)


def _wake_precisely() -> None:
    """Ask Linux to end waits on time: by default it gathers those that end within 50 µs of each other (proc(5))."""
    try:
        with open("/proc/self/timerslack_ns", "w") as slack:
            slack.write("1")
    except OSError:
        return  # replies come some 50 µs later then, nothing else


def _version() -> str:
    import benchd

    return benchd.__version__
