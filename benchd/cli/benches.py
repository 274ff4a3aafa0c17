"""`benchd benches`: all benches of a broker on one page, or once in the terminal."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.daemon.benches import Listening
    from benchd.settings import Mqtt
    from benchd.web.benches_view import BenchSeen, OutputSeen


class Protocol(Enum):
    """Versions of MQTT."""

    FIVE = "5"
    THREE = "3.1.1"


def benches(
    host: Annotated[str, typer.Option("--mqtt-host", help="The broker; without it [mqtt] of the settings.")] = "",
    mqtt_port: Annotated[int, typer.Option(min=1, max=65535, help="Its port.")] = 1883,
    mqtt_user: Annotated[str, typer.Option(help="Who listens.")] = "",
    mqtt_password_file: Annotated[str, typer.Option(help="File with the password.")] = "",
    mqtt_protocol: Annotated[Protocol, typer.Option(help="Version of MQTT.")] = Protocol.FIVE,
    mqtt_tls: Annotated[bool, typer.Option("--mqtt-tls", help="Speak TLS.")] = False,
    mqtt_ca_file: Annotated[str, typer.Option(help="Whose certificates are trusted; without it the system's.")] = "",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 8426,
    once: Annotated[bool, typer.Option("--once", help="Print what is heard within two seconds, and end.")] = False,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All benches of a broker on one page; needs no supply. Example: benchd benches --mqtt-host 192.0.2.7

    The page only looks. It listens on loopback, like that of a bench. A running bench with [mqtt] has it at /benches.
    """
    import asyncio

    from benchd.settings import SettingsError
    from benchd.web.server import CannotListen

    if host:
        values: dict[str, Any] = {
            "host": host, "port": mqtt_port, "user": mqtt_user, "password_file": mqtt_password_file,
            "protocol": mqtt_protocol.value, "tls": mqtt_tls, "tls_ca_file": mqtt_ca_file,
        }  # fmt: skip
        mqtt = _given(values)
    else:
        mqtt = _set(config)
    with out.errors(SettingsError, CannotListen):
        listening = _listening(mqtt, bool(host), once)
        asyncio.run(_once(listening, json_) if once else _serve(listening, port, json_))


def _given(values: dict[str, Any]) -> Mqtt:
    """The broker of the options; ends the command when they do not go together."""
    from pydantic import ValidationError

    from benchd.checked import faults
    from benchd.settings import Mqtt

    try:
        return Mqtt(**values)
    except ValidationError as e:
        out.fail("\n".join(f"--mqtt-…: {fault.text}" for fault in faults(e, Mqtt)), 2)


def _set(config: Path | None) -> Mqtt:
    mqtt = out.settings(config).mqtt
    if mqtt is None:
        out.fail(f"{out.config_path(config)} has no [mqtt]; --mqtt-host names the broker where all benches meet", 2)
    return mqtt


def _listening(mqtt: Mqtt, by_options: bool, once: bool) -> Listening:
    from benchd.daemon.benches import Listening
    from benchd.daemon.followers import broker_of

    broker = broker_of(mqtt, by_options)
    # Once: what is not heard is said at the end, and no more.
    return Listening(broker, tell=lambda text: None) if once else Listening(broker, always=True)


async def _serve(listening: Listening, port: int, as_json: bool) -> None:
    import asyncio
    import signal

    from benchd.web.benches_app import create_benches_app
    from benchd.web.server import serve

    def ready(url: str) -> None:
        out.emit({"event": "ready", "url": url}, f"all benches: the page is at {url}", as_json)

    page = asyncio.create_task(serve(create_benches_app(listening), "127.0.0.1", port, ready), name="page")
    ears = asyncio.create_task(listening.run(), name="all benches")
    stop = asyncio.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    stopped = asyncio.create_task(stop.wait(), name="stop")
    done, rest = await asyncio.wait({page, ears, stopped}, return_when=asyncio.FIRST_COMPLETED)
    for task in rest:
        task.cancel()
    await asyncio.gather(*rest, return_exceptions=True)
    for task in done - {stopped}:
        task.result()


async def _once(listening: Listening, as_json: bool) -> None:
    import asyncio
    import contextlib

    import msgspec

    ears = asyncio.create_task(listening.run(), name="all benches")
    try:
        view = await listening.now()
    finally:
        ears.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await ears
    if not view.heard:
        out.fail(f"the benches are not heard: {view.text}")
    if view.text:
        typer.echo(view.text, err=True)
    if not view.benches and not as_json:
        typer.echo(f"{view.broker}: no bench was heard")
    for bench in view.benches:
        out.emit(msgspec.to_builtins(bench), "\n".join(_lines(bench)), as_json)


def _lines(bench: BenchSeen) -> list[str]:
    head = f"{bench.bench}  {bench.job or 'no job'}" + (f"  {bench.text}" if bench.text else "")
    return [head, *(f"    {one.supply}/{one.channel}  {_output(one, bench.text)}" for one in bench.outputs)]


def _output(one: OutputSeen, told: str) -> str:
    words: list[str] = [one.output]
    if one.latched:
        words.append(f"TRIPPED ({one.trip.rule if one.trip is not None else 'reason not known'})")
    if one.output != "unknown" and one.voltage_v is not None and one.current_a is not None:
        words.append(f"{one.voltage_v:z.3f} V {one.current_a:z.3f} A")
    if one.output == "unknown" and one.doubt != told:
        words.append(one.doubt)
    if one.output == "unknown" and one.last in ("on", "off"):
        words.append(f"last known: {one.last}")
    return "  ".join(words)
