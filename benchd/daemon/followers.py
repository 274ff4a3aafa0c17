"""Starts the log's followers that the settings ask for, and keeps them going."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Any

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.settings import Influx, Mqtt, SettingsError, secret
from benchd.store.writer import LogWriter

if TYPE_CHECKING:
    from benchd.store.mqtt_broker import Broker

log = logging.getLogger("benchd")

AGAIN_S = 30.0
"""A follower that failed by a fault of ours is started again after this, s."""


def follow(bench: Bench, core: Core, writer: LogWriter) -> list[asyncio.Task[Any]]:
    """One task for each follower, running. Raises SettingsError when a file with a secret cannot be read."""
    tasks: list[asyncio.Task[Any]] = []
    if (influx := core.settings.influxdb) is not None:
        tasks.append(_influxdb(influx, core, writer))
    if (mqtt := core.settings.mqtt) is not None:
        tasks.append(_mqtt(mqtt, bench, core, writer))
    return tasks


def _influxdb(influx: Influx, core: Core, writer: LogWriter) -> asyncio.Task[Any]:
    from benchd.store.follower import Kept
    from benchd.store.influx import InfluxFollower
    from benchd.store.influx_post import Target

    def token() -> str:
        try:
            return secret(influx.token, influx.token_file, "influxdb.token_file")
        except SettingsError as e:
            raise Kept(str(e)) from None

    secret(influx.token, influx.token_file, "influxdb.token_file")  # one that is not there is told at the start
    target = Target(influx.url, influx.bucket, influx.org, token, influx.write_path, influx.gzip)
    follower = InfluxFollower(
        writer.path, writer, bench=core.settings.bench, target=target, batch_lines=influx.batch_lines,
        batch_age_s=influx.batch_age_s,
    )  # fmt: skip
    core.followers["influxdb"] = follower.health
    return asyncio.create_task(kept_up(core, "influxdb", follower.run), name="influxdb follower")


def _mqtt(mqtt: Mqtt, bench: Bench, core: Core, writer: LogWriter) -> asyncio.Task[Any]:
    from benchd.daemon.mqtt_commands import MqttCommands
    from benchd.store.mqtt import MqttFollower

    follower = MqttFollower(
        writer.path, writer, bench=core.settings.bench, broker=broker_of(mqtt), outputs=tuple(core.watches),
        discovery=mqtt.discovery, discovery_prefix=mqtt.discovery_prefix,
        carry=MqttCommands(bench, mqtt.commands).carry_out, alarm=core.alarm,
    )  # fmt: skip
    core.followers["mqtt"] = follower.health
    core.on_live, core.on_state = follower.publish_live, follower.publish_state
    for watch in core.watches.values():  # what the broker has kept of each is of an earlier time
        core.state_changed(watch)
    return asyncio.create_task(kept_up(core, "mqtt", follower.run), name="mqtt follower")


def broker_of(mqtt: Mqtt, by_options: bool = False) -> Broker:
    """What the settings say of the broker, or the options of a command. Raises SettingsError when the file with the
    password cannot be read now."""
    from benchd.store.mqtt_broker import Broker

    def password() -> str:
        given = "--mqtt-password-file" if by_options else "mqtt.password_file"
        return secret(mqtt.password, mqtt.password_file, given)

    password()
    return Broker(
        mqtt.host, mqtt.port, mqtt.user, password, mqtt.protocol, mqtt.tls, mqtt.tls_ca_file, mqtt.tls_cert_file,
        mqtt.tls_key_file, by_options,
    )  # fmt: skip


async def kept_up(
    core: Core,
    name: str,
    run: Callable[[], Awaitable[None]],
    sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
) -> None:
    """Run a follower until cancelled, and again after a fault nobody foresaw: its cursor in the log says from where."""
    while True:
        try:
            await run()
        except Exception as e:
            log.exception("the %s follower failed", name)
            core.alarm(f"{name}: the follower failed and is tried again in {AGAIN_S:.0f} s; nothing is lost: {e!r}")
        await sleep(AGAIN_S)
