"""Sessions, codes and rates by a clock that is passed in; streams that end with their session; the page by TLS."""

from __future__ import annotations

import asyncio
import contextlib
import json
import ssl
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.types import Message, Receive, Scope, Send
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from benchd import tokens
from benchd.web.access import Access
from benchd.web.app import create_app
from benchd.web.caller import Caller, Role
from benchd.web.gate import CLOSE_SIGN_IN, Gate
from benchd.web.pairing import LIFE_S, MOST, Pairings
from benchd.web.rates import MOST_KEYS, Rates
from benchd.web.server import serve
from benchd.web.sessions import MOST_OF_ONE, S, Session, Sessions
from benchd.web.tls import BadCertificate, Tls
from tests.store.certificates import Authority
from tests.web.conftest import served
from tests.web.fake import FakeBench

ANN = Caller("ann", Role.OPERATOR)
BEN = Caller("ben", Role.VIEWER)
TOKENS = {tokens.hash_of("a"): ANN, tokens.hash_of("b"): BEN}


def test_sessions_are_kept_and_end_with_their_token_or_take_its_new_role() -> None:
    clock = [100]
    before = Sessions(1e-6, lambda: clock[0])
    cookies = [before.open(ANN, tokens.hash_of("a"))[1], before.open(BEN, tokens.hash_of("b"))[1],
               before.open(Caller("phone", Role.VIEWER), "")[1]]  # fmt: skip
    text = before.as_text()
    assert not any(cookie in text for cookie in cookies)
    after = Sessions(1e-6, lambda: clock[0])
    after.take_text(text, [(tokens.hash_of("a"), Caller("ann", Role.VIEWER))])
    found = [after.find(cookie) for cookie in cookies]
    assert found[0] is not None
    assert found[0].caller == Caller("ann", Role.VIEWER)
    assert found[1] is None
    assert found[2] is not None
    assert found[2].caller == Caller("phone", Role.VIEWER)
    assert after.left_s(found[0]) == 1e-6


def test_sessions_that_were_to_last_longer_than_the_settings_now_say_are_over() -> None:
    before, after = Sessions(10, lambda: 0), Sessions(9, lambda: 0)
    _, cookie = before.open(ANN, "")
    after.take_text(before.as_text(), [])
    assert after.find(cookie) is None


json_values = st.recursive(
    st.none() | st.integers() | st.text(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(["format", "sessions", "hash", "id"]), inner)
    ),
    max_leaves=6,
)


@given(
    st.text(max_size=30)
    | json_values.map(json.dumps)
    | json_values.map(lambda v: json.dumps({"format": 1, "sessions": [v]}))
)
def test_a_file_of_any_content_lets_nobody_in(text: str) -> None:
    sessions = Sessions(10)
    with contextlib.suppress(ValueError):
        sessions.take_text(text, [])
    assert sessions.present() == []


def test_one_name_has_so_many_sessions_and_crowds_nobody_else_out() -> None:
    clock = [0]
    sessions = Sessions(100, lambda: clock[0])
    anns, _ = sessions.open(ANN, "")
    first: Session | None = None
    for clock[0] in range(1, MOST_OF_ONE + 2):
        opened, _ = sessions.open(BEN, "")
        first = first or opened
    assert first is not None
    assert first.ended.is_set()
    assert len([each for each in sessions.present() if each.caller == BEN]) == MOST_OF_ONE
    assert anns in sessions.present()


def test_a_code_is_good_once_within_its_time_and_however_it_is_typed() -> None:
    clock = [0.0]
    pairings = Pairings(lambda: clock[0])
    codes = [pairings.new(ANN) for _ in range(3)]
    assert all(len(code) == 11 and code[5] == "-" for code in codes)
    assert pairings.take(f" {codes[0].lower().replace('-', ' ')} ") == ANN
    assert pairings.take(codes[0]) is None
    clock[0] = LIFE_S - 0.001
    assert pairings.take(codes[1]) == ANN
    clock[0] = LIFE_S
    assert pairings.take(codes[2]) is None
    assert pairings.take("") is None


def test_the_oldest_code_goes_when_there_are_too_many() -> None:
    pairings = Pairings(lambda: 0.0)
    first, *rest = [pairings.new(ANN) for _ in range(MOST + 1)]
    assert pairings.take(first) is None
    assert all(pairings.take(code) == ANN for code in rest)


@given(st.lists(st.floats(0, 5), max_size=60))
def test_no_more_than_the_rate_ever_goes(pauses: list[float]) -> None:
    now, done = 0.0, 0
    rates = Rates(3, 0.5, lambda: now)
    for pause in pauses:
        now += pause
        wait_s = rates.take("a")
        done += not wait_s
        assert 0 <= wait_s <= 2
        assert done <= 3 + 0.5 * now + 1e-9
    now += 2
    assert rates.take("a") == 0.0  # whoever waits as told may go on


def test_rates_forget_whom_nobody_hears_of_and_a_clock_that_goes_back_gives_nothing() -> None:
    now = [10.0]
    rates = Rates(1, 1, lambda: now[0])
    assert rates.take("a") == 0.0
    now[0] = 0.0
    assert rates.take("a") == 1.0
    for each in range(2 * MOST_KEYS):
        rates.take(str(each))
    assert len(rates._left) == MOST_KEYS


async def heard_out(page: ClientConnection) -> None:
    while True:
        await page.recv()


async def test_a_stream_ends_when_the_time_of_its_session_is_over() -> None:
    clock = [0]
    told: list[Any] = []
    access = Access(TOKENS, Sessions(3600, lambda: clock[0]))
    _, secret = access.sessions.open(ANN, "")
    clock[0] = 3600 * S - S // 100  # a hundredth of a second is left of it

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "websocket.accept"})
        try:
            await asyncio.Event().wait()
        finally:
            told.append("the stream was ended")

    async def send(message: Message) -> None:
        told.append(message)

    headers = [(b"host", b"localhost"), (b"cookie", f"benchd-8425={secret}".encode())]
    scope = {"type": "websocket", "scheme": "ws", "path": "/api/v1/live", "headers": headers,
             "server": ("127.0.0.1", 8425), "client": ("192.0.2.77", 50000)}  # fmt: skip
    async with asyncio.timeout(20):
        await Gate(app, access)(scope, None, send)  # type: ignore[arg-type]
    assert told == [
        {"type": "websocket.accept"}, "the stream was ended",
        {"type": "websocket.close", "code": CLOSE_SIGN_IN, "reason": "sign-in"},
    ]  # fmt: skip


async def test_a_stream_ends_with_its_session_and_a_stranger_gets_none(
    bench: FakeBench, caplog: pytest.LogCaptureFixture
) -> None:
    access = Access(TOKENS, Sessions(3600, lambda: 0))
    session, secret = access.sessions.open(ANN, "")
    async with served(bench, access=access) as url, asyncio.timeout(20):
        where, port = url.replace("http", "ws") + "api/v1/live", url.rsplit(":", 1)[1].rstrip("/")

        def cookie(secret: str) -> dict[str, str]:
            return {"Cookie": f"benchd-{port}={secret}"}

        for headers in ({}, cookie("x"), {"Authorization": "Bearer x"}):
            with pytest.raises(InvalidStatus) as refused:
                await connect(where, additional_headers=headers)
            assert refused.value.response.status_code == 401
        async with connect(where, additional_headers=cookie(secret)) as page:
            assert json.loads(await page.recv())["type"] == "bench"
            access.sessions.end(session)
            with pytest.raises(ConnectionClosed) as closed:
                await heard_out(page)
            assert closed.value.rcvd is not None
            assert (closed.value.rcvd.code, closed.value.rcvd.reason) == (CLOSE_SIGN_IN, "sign-in")
    assert bench._clients == set()
    assert [each.levelname for each in caplog.records if each.levelname == "ERROR"] == []


async def test_the_page_by_tls(bench: FakeBench, tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    tls = Tls(*authority.signed("bench"))
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(serve(create_app(bench, bench_name="north"), "127.0.0.1", 0, ready.set_result, tls))
    try:
        url = await ready
        assert url.startswith("https://127.0.0.1:")
        trusting = ssl.create_default_context(cafile=str(authority.file))
        async with connect(url.replace("https", "wss") + "api/v1/live", ssl=trusting) as page:
            assert json.loads(await page.recv())["type"] == "bench"
    finally:
        task.cancel()
        await asyncio.wait({task}, timeout=10)
    other = authority.signed("other")
    for cert, key in ((tls.cert, other[1]), (tls.key, tls.cert), (tmp_path / "none.pem", tls.key), (tmp_path, tls.key)):
        with pytest.raises(BadCertificate, match=r"web\.tls_cert_file = .* cannot be used: .*wanted are a certificate"):
            Tls(cert, key).checked()
