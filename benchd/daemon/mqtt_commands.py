"""Commands over MQTT: off always, on, re-arm and next stage where the settings allow it (`mqtt.commands`).

    benchd/<bench>/do/<supply>/<channel>/off      {"id": "a1"}; switches off whatever the payload is
    benchd/<bench>/do/<supply>/<channel>/on       {"id": "a2", "plan": "phone-cell", "voltage_v": 3.8, "limit_a": 0.5}
    benchd/<bench>/do/<supply>/<channel>/rearm    {"id": "a3"}
    benchd/<bench>/do/<supply>/<channel>/next     {"id": "a4"}
    benchd/<bench>/done/<id>                      {"id", "ok", "word", "supply", "channel", "output", "code", "error"}

They go through the bench like everybody's, with the same limits. `not_after_ns` (ns since the epoch) may stand in every
payload: an order that was held up on its way and arrives later is not carried out; off is. A retained message is never
carried out: the broker would give the order again at each connect. An id that comes again is answered again and carried
out once (MQTT's QoS 1 may deliver twice); off is carried out each time. Without a usable id the answer goes to
`done/-`.
"""

from __future__ import annotations

import logging
import re
import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Annotated, Any

import msgspec

from benchd.reading import OutputState
from benchd.store.mqtt import Command, Done
from benchd.web.port import BenchPort, Refused

log = logging.getLogger("benchd")

WORDS = ("off", "on", "rearm", "next")
ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
NO_ID = "-"
LONGEST_PAYLOAD = 4096
REMEMBERED = 200
"""Ids of commands that are carried out no second time."""


class _Payload(msgspec.Struct, forbid_unknown_fields=True):
    id: str
    not_after_ns: int | None = None


class _OnPayload(_Payload, forbid_unknown_fields=True):
    plan: str | None = None
    voltage_v: Annotated[float, msgspec.Meta(gt=0)] | None = None
    limit_a: Annotated[float, msgspec.Meta(gt=0)] | None = None


# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_PLAIN = msgspec.json.Decoder(_Payload)
_ON = msgspec.json.Decoder(_OnPayload)
_ANY = msgspec.json.Decoder()


class MqttCommands:
    """`enabled`: more than off. Lives in the event loop. `clock`: ns since the epoch."""

    def __init__(self, bench: BenchPort, enabled: bool, clock: Callable[[], int] = time.time_ns) -> None:
        self._bench = bench
        self._enabled = enabled
        self._clock = clock
        self._answered: OrderedDict[str, dict[str, Any] | None] = OrderedDict()
        """The answers given, by id; None while it is being carried out."""

    async def carry_out(self, command: Command) -> Done:
        """What was asked for, unless it cannot be; see the text above. Raises nothing but cancellation."""
        id_ = _id_of(command.payload)
        once = id_ != NO_ID and command.word != "off" and not command.retained
        if once and id_ in self._answered:
            kept = self._answered[id_] or _answer(command, id_, "wrong-state", "this id is being carried out already")
            return Done(id_, kept | {"output": self._output(kept["supply"], kept["channel"])})  # as it is now
        if once:
            self._remember(id_, None)
        try:
            await self._carry_out(command)
            answer = _answer(command, id_)
        except Refused as e:
            answer = _answer(command, id_, e.code, e.message)
        except Exception as e:  # who waits for an answer hears of it whatever it was
            log.exception("mqtt: %s %s/%s failed", command.word, command.supply, command.channel)
            answer = _answer(command, id_, "failed", f"it failed by a fault of the daemon: {e!r}")
        answer["output"] = self._output(command.supply, answer["channel"])
        if once:
            self._remember(id_, answer)
        return Done(id_, answer)

    async def _carry_out(self, command: Command) -> None:
        where = f"{command.supply}/{command.channel}"
        if command.retained:
            raise Refused("wrong-state", f"{command.word} for {where} came as a retained message, which may be of any "
                          "age: it is not carried out; clear the topic and publish without retain")  # fmt: skip
        if command.word not in WORDS:
            raise Refused("not-found", f"{command.word!r} is no command; there are: {', '.join(WORDS)}")
        if not re.fullmatch(r"[0-9]{1,2}", command.channel):
            raise Refused("not-found", f"{command.channel!r} is no channel number")
        supply, channel = command.supply, int(command.channel)
        if command.word == "off":
            await self._bench.power_off(supply, channel)
            return
        if not self._enabled:
            raise Refused("not-allowed", f"{command.word} for {where}: the settings allow only off over MQTT; "
                          "`commands = true` in [mqtt] allows the rest")  # fmt: skip
        if command.crowded:
            raise Refused("wrong-state", "too many commands at once; ask again")
        asked = _decoded(command)
        if asked.not_after_ns is not None and not self._clock() <= asked.not_after_ns:
            late_s = (self._clock() - asked.not_after_ns) / 1e9
            raise Refused("wrong-state", f"{command.word} for {where} came {late_s:.1f} s after its not_after_ns")
        match asked:
            case _OnPayload():
                await self._bench.power_on(
                    supply, channel, asked.plan, voltage_v=asked.voltage_v, limit_a=asked.limit_a, by="mqtt"
                )
            case _ if command.word == "rearm":
                await self._bench.rearm(supply, channel, by="mqtt")
            case _:
                await self._bench.advance(supply, channel, by="mqtt")

    def _remember(self, id_: str, answer: dict[str, Any] | None) -> None:
        self._answered[id_] = answer
        while len(self._answered) > REMEMBERED:
            self._answered.popitem(last=False)

    def _output(self, supply: str, channel: int | str) -> str:
        views = self._bench.view().channels
        found = [c.output for c in views if (c.supply, c.channel) == (supply, channel)]
        return str(found[0] if found else OutputState.UNKNOWN)


def _answer(command: Command, id_: str, code: str = "", error: str = "") -> dict[str, Any]:
    channel = int(command.channel) if re.fullmatch(r"[0-9]{1,2}", command.channel) else command.channel
    return {
        "id": id_,
        "ok": not error,
        "word": command.word,
        "supply": command.supply,
        "channel": channel,
        "output": "unknown",
        "code": code,
        "error": error,
    }


def _id_of(payload: bytes) -> str:
    """The id where the payload has one that can be a level of a topic, else NO_ID."""
    try:
        found = _ANY.decode(payload) if len(payload) <= LONGEST_PAYLOAD else None
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        return NO_ID
    id_ = found.get("id") if isinstance(found, dict) else None
    return id_ if isinstance(id_, str) and ID.fullmatch(id_) else NO_ID


def _decoded(command: Command) -> _Payload:
    """The payload. Raises Refused."""
    example = '{"id": "a1"}'
    try:
        if len(command.payload) > LONGEST_PAYLOAD:
            raise ValueError(f"{len(command.payload)} bytes, allowed are {LONGEST_PAYLOAD}")
        found: _Payload = (_ON if command.word == "on" else _PLAIN).decode(command.payload)
    except (ValueError, RecursionError) as e:  # msgspec's errors are ValueErrors
        raise Refused("out-of-range", f"payload of {command.word}: {e}; an example: {example}") from None
    if not ID.fullmatch(found.id):
        raise Refused("out-of-range", f"id {found.id!r:.80}: allowed are 1 to 64 letters, digits, '.', '_', '-', "
                      "beginning with a letter or digit")  # fmt: skip
    return found
