"""Describes the outputs to home-automation hubs, in the openly documented form that many of them read.

Retained at `<prefix>/<component>/benchd_<bench>/<supply>_<channel>_<what>/config`; the keys are from memory of public
documentation (MQTT discovery). Numbers, output, latch, and a button that switches off. None that switches on: a
hub's rules would do so with nobody at the bench.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import msgspec

from benchd import __version__
from benchd.store.mqtt_topics import TOPICS

Output = tuple[str, int]
"""Name of the supply, number of the channel."""

STALE_S = 15
"""A number that is older is not shown any more: there are none while the supply does not answer."""


class Availability(msgspec.Struct):
    """When what is shown holds."""

    topic: str
    payload_available: str = "online"
    payload_not_available: str = "offline"


class Device(msgspec.Struct):
    """What the hub puts together: one output."""

    identifiers: list[str]
    name: str
    sw_version: str = __version__


class Entity(msgspec.Struct, omit_defaults=True):
    """One thing that the hub shows, with the keys that its documentation names."""

    name: str
    unique_id: str
    availability: list[Availability]
    device: Device
    state_topic: str = ""
    value_template: str = ""
    unit_of_measurement: str = ""
    device_class: str = ""
    state_class: str = ""
    options: list[str] = []
    expire_after: int = 0
    """s"""
    suggested_display_precision: int = 0
    command_topic: str = ""
    payload_press: str = ""
    qos: int = 0


def configs(prefix: str, bench: str, outputs: Iterable[Output]) -> dict[str, bytes]:
    """Topic → payload, for each output of a bench."""
    return {
        f"{prefix}/{component}/{_node(bench)}/{what}/config": msgspec.json.encode(entity)
        for supply, channel in outputs
        for component, what, entity in _entities(bench, supply, channel)
    }


def old_filter(prefix: str, bench: str) -> str:
    """Subscribed to, it brings what a bench has described earlier."""
    return f"{prefix}/+/{_node(bench)}/+/config"


def is_config(prefix: str, bench: str, topic: str) -> bool:
    """A topic that `old_filter` brings."""
    levels = topic.removeprefix(f"{prefix}/").split("/")
    return topic.startswith(f"{prefix}/") and levels[1:2] == [_node(bench)] and levels[3:] == ["config"]


def _node(bench: str) -> str:
    # '_' cannot stand in a name of the settings, so no two benches or outputs have one id together.
    return f"benchd_{bench}"


def _entities(bench: str, supply: str, channel: int) -> Iterable[tuple[str, str, Entity]]:
    of: dict[str, str | int] = {"bench": bench, "supply": supply, "channel": channel}
    device = Device([f"{_node(bench)}_{supply}_{channel}"], f"{bench}: {supply} {channel}")
    available = [Availability(TOPICS["availability"].of(bench=bench))]

    def made(component: str, what: str, name: str, **more: Any) -> tuple[str, str, Entity]:
        place = f"{supply}_{channel}_{what}"
        return component, place, Entity(name, f"{_node(bench)}_{place}", available, device, **more)

    for quantity, unit, key in (
        ("voltage", "V", "voltage_v"),
        ("current", "A", "current_a"),
        ("power", "W", "power_w"),
    ):
        yield made(
            "sensor", quantity, quantity.capitalize(), state_topic=TOPICS["reading"].of(**of),
            value_template=f"{{{{ value_json.{key} }}}}", unit_of_measurement=unit, device_class=quantity,
            state_class="measurement", expire_after=STALE_S, suggested_display_precision=3,
        )  # fmt: skip
    state = TOPICS["state"].of(**of)
    yield made(
        "sensor", "output", "Output", state_topic=state, value_template="{{ value_json.output }}",
        device_class="enum", options=["off", "on", "unknown"], qos=1,
    )  # fmt: skip
    yield made(
        "binary_sensor", "latch", "Tripped", state_topic=state, device_class="problem", qos=1,
        value_template="{{ 'ON' if value_json.latched else 'OFF' }}",
    )  # fmt: skip
    yield made(
        "button", "off", "Off", command_topic=TOPICS["command"].of(**of, word="off"), qos=1,
        payload_press='{"id": "hub"}',
    )  # fmt: skip
