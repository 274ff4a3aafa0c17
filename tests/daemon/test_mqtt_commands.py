"""Commands over MQTT, without a broker: what is carried out, what is refused, and what is answered."""

from __future__ import annotations

import asyncio
import json
from types import SimpleNamespace
from typing import Any, cast

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.daemon.mqtt_commands import MqttCommands
from benchd.store.mqtt import Command
from benchd.store.mqtt_payloads import Answer
from benchd.store.mqtt_topics import BENCH_WORDS, OUTPUT_WORDS
from benchd.web.port import BenchPort, Refused

T_NS = 1_767_323_045_000_000_000


class Asked:
    """A bench that keeps what it is asked, and refuses when told to."""

    def __init__(self) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self.refuse: Exception | None = None
        self.slow: asyncio.Event | None = None
        self.output = "off"

    def view(self) -> Any:
        return SimpleNamespace(channels=[SimpleNamespace(supply="psu", channel=1, output=self.output)])

    async def _take(self, *call: Any) -> None:
        self.calls.append(call)
        if self.refuse:
            raise self.refuse
        if self.slow:
            await self.slow.wait()

    async def power_on(self, supply: str, channel: int, plan: str | None, **more: Any) -> None:
        await self._take("on", supply, channel, plan, more)
        self.output = "on"

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        await self._take("off", supply, channel)
        self.output = "off"

    async def rearm(self, supply: str, channel: int, by: str = "") -> None:
        await self._take("rearm", supply, channel, by)

    async def advance(self, supply: str, channel: int, by: str = "") -> None:
        await self._take("next", supply, channel, by)

    async def mark(self, supply: str, channel: int, kind: str) -> None:
        await self._take("mark", supply, channel, kind)

    async def choose_job(self, job: str | None) -> None:
        await self._take("job", job)


@pytest.fixture
def bench() -> Asked:
    return Asked()


async def do(
    bench: Asked,
    word: str,
    payload: Any = None,
    *,
    enabled: bool = True,
    supply: str | None = "psu",
    channel: str | None = "1",
    retained: bool = False,
    crowded: bool = False,
    commands: MqttCommands | None = None,
) -> Answer:
    raw = payload if isinstance(payload, bytes) else json.dumps({"id": "a1"} | (payload or {})).encode()
    carrier = commands or MqttCommands(cast(BenchPort, bench), enabled, lambda: T_NS)
    return await carrier.carry_out(Command(supply, channel, word, raw, retained, crowded))


async def test_each_word_reaches_the_bench_as_mqtt(bench: Asked) -> None:
    done = await do(bench, "on", {"plan": "phone-cell", "voltage_v": 3.8, "limit_a": 1})
    assert done == Answer("a1", True, "on", "psu", 1, "on", "", "")
    for word in ("next", "off", "rearm", "button"):
        assert (await do(bench, word)).ok is True
    assert bench.calls == [
        ("on", "psu", 1, "phone-cell", {"voltage_v": 3.8, "limit_a": 1.0, "by": "mqtt"}),
        ("next", "psu", 1, "mqtt"),
        ("off", "psu", 1),
        ("rearm", "psu", 1, "mqtt"),
        ("mark", "psu", 1, "button"),
    ]


async def whole(bench: Asked, word: str, payload: Any = None, **more: Any) -> Answer:
    return await do(bench, word, payload, supply=None, channel=None, **more)


async def test_the_whole_bench_is_switched_off_and_gets_a_job(bench: Asked) -> None:
    bench.output = "on"
    assert await whole(bench, "off") == Answer("a1", True, "off", None, None, "off", "", "")
    assert (await whole(bench, "job", {"job": "R-1042"})).ok
    assert (await whole(bench, "job", {"job": None, "id": "a2"})).ok
    assert bench.calls == [("off", None, None), ("job", "R-1042"), ("job", None)]


async def test_no_job_is_chosen_by_what_names_none(bench: Asked) -> None:
    assert "job" in (await whole(bench, "job")).error
    assert "job" in (await whole(bench, "job", {"job": 5})).error
    assert (await whole(bench, "job", {"job": "R-1"}, enabled=False)).code == "not-allowed"
    assert "there are: off, job" in (await whole(bench, "on")).error
    assert "no command for psu/1" in (await do(bench, "job", {"job": "R-1"})).error
    bench.refuse = Refused("not-found", "job 'R-2' is not in the log; take it in first")
    assert (await whole(bench, "job", {"job": "R-2", "id": "a3"})).code == "not-found"
    assert [call[0] for call in bench.calls] == ["job"]


@pytest.mark.parametrize(
    ("outputs", "said"),
    [
        (["off", "off"], "off"),
        (["off", "on"], "on"),
        (["unknown", "on"], "on"),
        (["off", "unknown"], "unknown"),
        ([], "unknown"),
    ],
)
async def test_the_bench_is_off_only_when_every_output_is(bench: Asked, outputs: list[str], said: str) -> None:
    channels = [SimpleNamespace(supply="psu", channel=n, output=output) for n, output in enumerate(outputs)]
    bench.view = lambda: SimpleNamespace(channels=channels)  # type: ignore[method-assign]
    assert (await whole(bench, "job", {"job": None})).output == said


async def test_where_the_settings_do_not_allow_it_only_off_is_carried_out(bench: Asked) -> None:
    for word in ("on", "rearm", "next", "button"):
        done = await do(bench, word, enabled=False)
        assert (done.ok, done.code) == (False, "not-allowed")
        assert "commands = true" in done.error
    assert (await do(bench, "off", enabled=False)).ok is True
    assert bench.calls == [("off", "psu", 1)]


@pytest.mark.parametrize("payload", [b"", b"off!", b"\xff", b"[]", b'{"id": 5}', b'{"id": "a/b"}', b"[" * 3000])
async def test_off_is_carried_out_whatever_comes_with_it(bench: Asked, payload: bytes) -> None:
    done = await do(bench, "off", payload)
    assert (done.id, done.ok) == ("-", True)
    assert bench.calls == [("off", "psu", 1)]


async def test_off_is_carried_out_each_time_late_and_crowded(bench: Asked) -> None:
    commands = MqttCommands(cast(BenchPort, bench), True, lambda: T_NS)
    for _ in range(3):
        await do(bench, "off", {"not_after_ns": 1}, commands=commands, crowded=True)
    assert bench.calls == [("off", "psu", 1)] * 3


@pytest.mark.parametrize(
    ("word", "payload", "said"),
    [
        ("on", b"", "payload of on"),
        ("on", b"{", "payload of on"),
        ("on", b'{"id": "a1", "plam": "x"}', "plam"),
        ("on", b'{"id": "a1", "voltage_v": "4"}', "$.voltage_v"),
        ("on", b'{"id": "a1", "voltage_v": NaN}', "payload of on"),
        ("on", b'{"id": "a1", "voltage_v": 0}', "$.voltage_v"),
        ("on", b'{"id": "a1", "limit_a": -1}', "$.limit_a"),
        ("on", b'{"plan": "x"}', "id"),
        ("on", b'{"id": "a/b"}', "allowed are 1 to 64 letters"),
        ("on", b'{"id": "+"}', "allowed are 1 to 64 letters"),
        ("rearm", b'{"id": "a1", "plan": "x"}', "plan"),
        ("on", b'{"id": "' + b"a" * 5000 + b'"}', "allowed are 4096"),
        ("burn", b'{"id": "a1"}', "there are: off, on, next, rearm, button"),
    ],
)
async def test_what_cannot_be_read_is_answered_and_nothing_is_done(
    bench: Asked, word: str, payload: bytes, said: str
) -> None:
    done = await do(bench, word, payload)
    assert done.ok is False
    assert said in done.error
    assert bench.calls == []
    assert set(done.id) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@given(
    st.binary(max_size=300), st.text(max_size=20) | st.none(), st.sampled_from([*OUTPUT_WORDS, *BENCH_WORDS, "", "x"])
)
def test_no_payload_ends_it(payload: bytes, channel: str | None, word: str) -> None:
    bench = Asked()
    done = asyncio.run(do(bench, word, payload, supply=None if channel is None else "psu", channel=channel))
    msgspec.json.encode(done)
    assert not any(c in done.id for c in "/+#\0")
    assert [call[0] for call in bench.calls] in ([], [{"button": "mark"}.get(word, word)])


async def test_a_channel_that_is_no_number_is_refused(bench: Asked) -> None:
    assert "no channel number" in (await do(bench, "off", channel="one")).error


@pytest.mark.parametrize("word", ["on", "off", "rearm", "next"])
async def test_a_retained_message_is_never_carried_out(bench: Asked, word: str) -> None:
    done = await do(bench, word, retained=True)
    assert done.ok is False
    assert "retained" in done.error
    assert bench.calls == []


async def test_an_order_that_was_held_up_is_not_carried_out(bench: Asked) -> None:
    late = await do(bench, "on", {"not_after_ns": T_NS - 2_500_000_000})
    assert "came 2.5 s after its not_after_ns" in late.error
    assert bench.calls == []
    assert (await do(bench, "on", {"not_after_ns": T_NS})).ok is True


async def test_what_the_bench_refuses_is_answered_in_its_words(bench: Asked) -> None:
    bench.refuse = Refused("out-of-range", "9 V is above the plan's 4 V")
    done = await do(bench, "on", {"voltage_v": 9})
    assert (done.code, done.error) == ("out-of-range", "9 V is above the plan's 4 V")
    bench.refuse = RuntimeError("a mistake")
    assert "fault of the daemon" in (await do(bench, "off")).error


async def test_a_message_delivered_twice_switches_on_once(bench: Asked) -> None:
    commands = MqttCommands(cast(BenchPort, bench), True, lambda: T_NS)
    bench.slow = asyncio.Event()
    first = asyncio.create_task(do(bench, "on", commands=commands))
    await asyncio.sleep(0)
    assert "already" in (await do(bench, "on", commands=commands)).error
    bench.slow.set()
    answer = await first
    assert answer.ok is True
    assert await do(bench, "on", commands=commands) == answer
    assert len(bench.calls) == 1
    bench.output = "unknown"  # the answer is that of then, the output that of now
    assert await do(bench, "on", commands=commands) == msgspec.structs.replace(answer, output="unknown")
    await do(bench, "on", {"id": "a2"}, commands=commands)
    assert len(bench.calls) == 2


async def test_too_many_at_once_are_told_so(bench: Asked) -> None:
    assert "too many" in (await do(bench, "on", crowded=True)).error
    assert bench.calls == []


async def test_ids_are_not_remembered_without_end(bench: Asked) -> None:
    commands = MqttCommands(cast(BenchPort, bench), True, lambda: T_NS)
    for number in range(1000):
        await do(bench, "rearm", {"id": f"n{number}"}, commands=commands)
    assert len(commands._answered) == 200
