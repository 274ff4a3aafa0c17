"""The live stream and the server, over real sockets."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import time
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from starlette.websockets import WebSocket
from websockets.asyncio.client import ClientConnection, connect
from websockets.exceptions import ConnectionClosed, InvalidStatus

from benchd.web.live import pump
from benchd.web.port import Refused
from benchd.web.server import CannotListen, PortTaken, open_socket, serve
from tests.web.conftest import served
from tests.web.fake import FakeBench

PATIENCE_S = 10.0


def live_url(url: str) -> str:
    return url.replace("http", "ws", 1) + "api/v1/live"


async def message(page: ClientConnection, kind: str) -> dict[str, Any]:
    """The next message of this type."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            got: dict[str, Any] = json.loads(await page.recv())
            if got["type"] == kind:
                return got


async def until(condition: Any) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for happens in the server, which has no event for it
            await asyncio.sleep(0.01)


async def test_a_page_is_told_how_things_stand_and_then_what_changes(bench: FakeBench) -> None:
    async with served(bench) as url, connect(live_url(url)) as page:
        first = await message(page, "bench")
        assert first["bench"] == "north"
        assert [c["output"] for c in first["channels"]] == ["off", "off"]
        await bench.power_on("lab", 2, "phone")
        assert [c["output"] for c in (await message(page, "bench"))["channels"]] == ["off", "on"]
        samples = {
            "type": "samples",
            "supply": "lab",
            "channel": 1,
            "t0_ns": 1,
            "t_ms": [0],
            "v": [4.0],
            "i": [float("nan")],
        }
        bench.send(samples)
        assert await message(page, "samples") == samples | {"i": [None]}


async def test_a_quiet_bench_still_beats(bench: FakeBench) -> None:
    async with served(bench) as url, connect(live_url(url)) as page:
        assert await message(page, "beat") == {"type": "beat"}


async def test_a_page_that_goes_leaves_nothing_behind(bench: FakeBench) -> None:
    async with served(bench) as url:
        async with connect(live_url(url)) as page, connect(live_url(url)) as other:
            await message(page, "bench")
            await message(other, "bench")
            assert bench.clients == 2
        await until(lambda: bench.clients == 0)
    left = {t.get_name() for t in asyncio.all_tasks() if t.get_name().startswith("live:")}
    assert left == set()


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Host": "evil.example", "Origin": "http://evil.example"}],
)
async def test_a_page_from_elsewhere_hears_nothing(bench: FakeBench, headers: dict[str, str]) -> None:
    async with served(bench) as url:
        status, body = await refused_upgrade(url, headers)
        assert status == 403
        assert json.loads(body)["error"]["code"] in ("wrong-origin", "wrong-host")
    assert bench.clients == 0


async def refused_upgrade(url: str, headers: dict[str, str]) -> tuple[int, bytes]:
    """Ask for a WebSocket by hand, with the headers given, and read the answer."""
    port = httpx.URL(url).port
    everything = {
        "Host": f"127.0.0.1:{port}", "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
        # The sample nonce of RFC 6455 section 1.2.
        "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
    } | headers  # fmt: skip
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        lines = ["GET /api/v1/live HTTP/1.1", *(f"{k}: {v}" for k, v in everything.items()), "", ""]
        writer.write("\r\n".join(lines).encode())
        async with asyncio.timeout(PATIENCE_S):
            head = await reader.readuntil(b"\r\n\r\n")
            length = next(
                int(line.split(b":")[1]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length")
            )
            return int(head.split()[1]), await reader.readexactly(length)
    finally:
        writer.close()
        await writer.wait_closed()


async def test_the_bench_s_own_page_hears(bench: FakeBench) -> None:
    async with served(bench) as url, connect(live_url(url), origin=url.rstrip("/")) as page:  # type: ignore[arg-type]
        await message(page, "bench")


async def test_there_is_one_live_address(bench: FakeBench) -> None:
    async with served(bench) as url:
        with pytest.raises(InvalidStatus):
            await connect(live_url(url) + "r")


async def test_a_page_that_sends_too_much_is_closed(bench: FakeBench) -> None:
    async with served(bench) as url, connect(live_url(url)) as page:
        await message(page, "bench")
        await page.send("x" * 100_000)
        # RFC 6455 section 7.4.1: 1009, message too big.
        with pytest.raises(ConnectionClosed) as closed:
            await message(page, "never")
        assert closed.value.sent or closed.value.rcvd
        assert (closed.value.rcvd or closed.value.sent).code == 1009  # type: ignore[union-attr]


async def test_a_bench_that_cannot_serve_says_try_again_later(bench: FakeBench) -> None:
    async def none() -> AsyncIterator[dict[str, Any]]:
        raise Refused("link-down", "starting")
        yield {}

    bench.live = none  # type: ignore[method-assign]
    async with served(bench) as url, connect(live_url(url)) as page:
        with pytest.raises(ConnectionClosed) as closed:
            await message(page, "never")
        assert closed.value.rcvd is not None
        assert closed.value.rcvd.code == 1013


class StalledSocket:
    """A WebSocket whose network takes nothing."""

    def __init__(self) -> None:
        self.sends = 0

    async def accept(self) -> None: ...

    async def receive(self) -> dict[str, Any]:
        await asyncio.Event().wait()
        raise AssertionError

    async def send_text(self, text: str) -> None:
        self.sends += 1
        await asyncio.Event().wait()

    async def close(self, code: int = 1000) -> None: ...


async def test_a_page_that_takes_nothing_is_given_up(bench: FakeBench) -> None:
    stalled = StalledSocket()
    socket_: WebSocket = stalled  # type: ignore[assignment]
    async with asyncio.timeout(PATIENCE_S):
        await pump(socket_, bench, beat_s=0.01, send_s=0.05)
    assert (stalled.sends, bench.clients) == (1, 0)


# ---- the server


async def test_a_taken_port_is_named_with_what_to_do(bench: FakeBench) -> None:
    with contextlib.closing(open_socket("127.0.0.1", 0)) as held:
        port = held.getsockname()[1]
        with pytest.raises(PortTaken) as e:
            async with served(bench, port=port):
                pass
    assert str(e.value) == (
        f"127.0.0.1 port {port}: another program listens there already (perhaps another benchd); end it, or choose "
        "another port ([web] port in the settings, --port of the demo; 0 takes a free one)"
    )


@pytest.mark.parametrize("host", ["192.0.2.1", "no-such-host.invalid"])
def test_an_address_that_is_not_ours(host: str) -> None:
    # 192.0.2.0/24 is never assigned (RFC 5737), .invalid never resolves (RFC 6761).
    with pytest.raises(CannotListen, match=f"^{host} port 0: "):
        open_socket(host, 0)


async def test_it_ends_quickly_with_pages_open_and_frees_the_port(bench: FakeBench) -> None:
    started = time.monotonic()
    async with served(bench) as url:
        pages = [await connect(live_url(url)) for _ in range(3)]
        for page in pages:
            await message(page, "bench")
    # Three seconds is the limit by design; the machine may be busy.
    assert time.monotonic() - started < 8
    for page in pages:
        await page.close()
    with contextlib.closing(open_socket("127.0.0.1", httpx.URL(url).port or 0)):
        pass
    assert bench.clients == 0


async def test_signals_stay_with_the_daemon(bench: FakeBench) -> None:
    import signal

    before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    async with served(bench):
        assert {n: signal.getsignal(n) for n in before} == before


async def test_ipv6_loopback(bench: FakeBench) -> None:
    if not socket.has_ipv6:
        pytest.skip("no IPv6 here")
    try:
        open_socket("::1", 0).close()
    except CannotListen as e:
        pytest.skip(str(e))
    from benchd.web.app import create_app

    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(serve(create_app(bench, bench_name="north"), "::1", 0, ready.set_result))
    try:
        async with asyncio.timeout(PATIENCE_S), httpx.AsyncClient() as client:
            url = await ready
            assert url.startswith("http://[::1]:")
            assert (await client.get(url + "api/v1/bench")).status_code == 200
    finally:
        task.cancel()
        await asyncio.wait({task})
