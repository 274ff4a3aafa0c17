"""Commands over MQTT: off always, the others where the settings allow it (`mqtt.commands`).

    benchd/<bench>/do/<supply>/<channel>/off      {"id": "a1"}; switches off whatever the payload is
    benchd/<bench>/do/<supply>/<channel>/on       {"id": "a2", "plan": "phone-cell", "voltage_v": 3.8, "limit_a": 0.5}
    benchd/<bench>/do/job                         {"id": "a3", "job": "R-1042"}
    benchd/<bench>/done/<id>                      the answer

All of them are in MQTT.md. They go through the bench like everybody's, with the same limits. `not_after_ns` (ns since
the epoch) may stand in every payload: an order that was held up on its way and arrives later is not carried out; off
is. A retained message is not carried out: the broker would give the order again at each connect (with MQTT 5 an off
that is published retained while we listen is). An id that comes again is answered again and carried out once (MQTT's
QoS 1 may deliver twice); off is carried out each time. Without a usable id the answer goes to `done/-`.
"""

from __future__ import annotations

import logging
import re
import time
from collections import OrderedDict
from collections.abc import Callable

import msgspec

from benchd.reading import OutputState
from benchd.store.mqtt import Command
from benchd.store.mqtt_payloads import DECODE_ORDER, PLAIN_ORDER, Answer, JobOrder, OnOrder, Order
from benchd.store.mqtt_topics import BENCH_WORDS, OUTPUT_WORDS
from benchd.web.port import BenchPort, Refused

log = logging.getLogger("benchd")

ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
NO_ID = "-"
LONGEST_PAYLOAD = 4096
REMEMBERED = 200
"""Ids of commands that are carried out no second time."""


# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_ANY = msgspec.json.Decoder()


class MqttCommands:
    """`enabled`: more than off. Lives in the event loop. `clock`: ns since the epoch."""

    def __init__(self, bench: BenchPort, enabled: bool, clock: Callable[[], int] = time.time_ns) -> None:
        self._bench = bench
        self._enabled = enabled
        self._clock = clock
        self._answered: OrderedDict[str, Answer | None] = OrderedDict()
        """The answers given, by id; None while it is being carried out."""

    async def carry_out(self, command: Command) -> Answer:
        """What was asked for, unless it cannot be; see the text above. Raises nothing but cancellation."""
        id_ = _id_of(command.payload)
        once = id_ != NO_ID and command.word != "off" and not command.retained
        if once and id_ in self._answered:
            kept = self._answered[id_] or _answer(command, id_, "wrong-state", "this id is being carried out already")
            return self._with_output(kept)  # as it is now
        if once:
            self._remember(id_, None)
        try:
            await self._carry_out(command)
            answer = _answer(command, id_)
        except Refused as e:
            answer = _answer(command, id_, e.code, e.message)
        except Exception as e:  # who waits for an answer hears of it whatever it was
            log.exception("mqtt: %s %s failed", command.word, _where(command))
            answer = _answer(command, id_, "failed", f"it failed by a fault of the daemon: {e!r}")
        answer = self._with_output(answer)
        if once:
            self._remember(id_, answer)
        return answer

    async def _carry_out(self, command: Command) -> None:
        where = _where(command)
        words = BENCH_WORDS if command.supply is None else OUTPUT_WORDS
        if command.retained:
            raise Refused("wrong-state", f"{command.word} for {where} came as a retained message, which may be of any "
                          "age: it is not carried out; clear the topic and publish without retain")  # fmt: skip
        if command.word not in words:
            raise Refused("not-found", f"{command.word!r} is no command for {where}; there are: {', '.join(words)}")
        if command.channel is not None and not re.fullmatch(r"[0-9]{1,2}", command.channel):
            raise Refused("not-found", f"{command.channel!r} is no channel number")
        supply, channel = command.supply, None if command.channel is None else int(command.channel)
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
        if isinstance(asked, JobOrder):
            await self._bench.choose_job(asked.job)
        elif supply is not None and channel is not None:
            await self._for_output(command.word, supply, channel, asked)

    async def _for_output(self, word: str, supply: str, channel: int, asked: Order) -> None:
        if isinstance(asked, OnOrder):
            await self._bench.power_on(
                supply, channel, asked.plan, voltage_v=asked.voltage_v, limit_a=asked.limit_a, by="mqtt"
            )
        elif word == "rearm":
            await self._bench.rearm(supply, channel, by="mqtt")
        elif word == "next":
            await self._bench.advance(supply, channel, by="mqtt")
        elif word == "button":
            await self._bench.mark(supply, channel, "button")
        else:
            raise AssertionError(word)

    def _remember(self, id_: str, answer: Answer | None) -> None:
        self._answered[id_] = answer
        while len(self._answered) > REMEMBERED:
            self._answered.popitem(last=False)

    def _with_output(self, answer: Answer) -> Answer:
        views = self._bench.view().channels
        whole = answer.supply is None
        found = {c.output for c in views if whole or (c.supply, c.channel) == (answer.supply, answer.channel)}
        output = OutputState.UNKNOWN
        if len(found) == 1:
            (output,) = found
        elif OutputState.ON in found:
            output = OutputState.ON
        return msgspec.structs.replace(answer, output=str(output))


def _where(command: Command) -> str:
    return "the bench" if command.supply is None else f"{command.supply}/{command.channel}"


def _answer(command: Command, id_: str, code: str = "", error: str = "") -> Answer:
    given = command.channel
    channel = int(given) if given is not None and re.fullmatch(r"[0-9]{1,2}", given) else given
    return Answer(id_, not error, command.word, command.supply, channel, "unknown", code, error)


def _id_of(payload: bytes) -> str:
    """The id where the payload has one that can be a level of a topic, else NO_ID."""
    try:
        found = _ANY.decode(payload) if len(payload) <= LONGEST_PAYLOAD else None
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError):
        return NO_ID
    id_ = found.get("id") if isinstance(found, dict) else None
    return id_ if isinstance(id_, str) and ID.fullmatch(id_) else NO_ID


def _decoded(command: Command) -> Order:
    """The payload. Raises Refused."""
    example = '{"id": "a1", "job": "R-1042"}' if command.word == "job" else '{"id": "a1"}'
    try:
        if len(command.payload) > LONGEST_PAYLOAD:
            raise ValueError(f"{len(command.payload)} bytes, allowed are {LONGEST_PAYLOAD}")
        found = DECODE_ORDER.get(command.word, PLAIN_ORDER).decode(command.payload)
    except (ValueError, RecursionError) as e:  # msgspec's errors are ValueErrors
        raise Refused("out-of-range", f"payload of {command.word}: {e}; an example: {example}") from None
    if not ID.fullmatch(found.id):
        raise Refused("out-of-range", f"id {found.id!r:.80}: allowed are 1 to 64 letters, digits, '.', '_', '-', "
                      "beginning with a letter or digit")  # fmt: skip
    return found
