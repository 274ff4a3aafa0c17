"""Requests made up from the API's own description, at a whole bench with every desk: no answer is a fault of ours."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import APIOperation, Case, GenerationMode
from starlette.applications import Starlette

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.desks import desks_of
from benchd.web.access import Access
from benchd.web.app import create_app

EACH = int(os.environ.get("BENCHD_REQUESTS", "2"))
"""Requests of an operation and kind: as it is described, and not as it is described. Making them up takes most of the
time, so that 2 take some 9 s; by hand `BENCHD_REQUESTS=20 pytest tests/daemon/test_any_request.py` asks more."""


@pytest.fixture
def ask(core: Core, bench: Bench) -> Iterator[Callable[..., httpx.Response]]:
    """One request to the bench, whose tasks go on between them."""
    access = Access(None)
    access.changes.take = lambda key: 0.0  # type: ignore[method-assign]
    loop = asyncio.new_event_loop()

    async def made() -> Starlette:
        return create_app(bench, bench_name="left", desks=desks_of(core, bench), access=access)

    app = loop.run_until_complete(made())
    client = httpx.AsyncClient(
        transport=httpx.ASGITransport(app, raise_app_exceptions=False), base_url="http://localhost", timeout=20
    )

    def asked(method: str, url: str, **more: Any) -> httpx.Response:
        return loop.run_until_complete(client.request(method, url, **more))

    yield asked
    loop.run_until_complete(client.aclose())
    for task in asyncio.all_tasks(loop):
        task.cancel()
    loop.run_until_complete(loop.shutdown_default_executor())
    loop.close()


def operations(description: dict[str, Any]) -> list[APIOperation]:
    schema = schemathesis.openapi.from_dict(description)
    return [found.ok() for found in schema.get_all_operations()]


@pytest.mark.timeout(0 if EACH > 2 else 120)
def test_no_request_whatever_is_a_fault_of_ours(
    ask: Callable[..., httpx.Response], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.CRITICAL, "schemathesis")
    faults: dict[str, str] = {}
    done: dict[str, int] = {}
    for operation in operations(ask("GET", "/api/v1/openapi.json").json()):
        for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
            for case, status in sent(ask, operation, mode):
                done[operation.label] = done.get(operation.label, 0) + 1
                # 503: a follower, a broker or a supply is away, as it may be.
                if status >= 500 and status != 503:
                    faults[operation.label] = f"{status} for {case.as_curl_command()}"
    assert faults == {}
    assert len(done) > 40
    assert sum(done.values()) > 3 * len(done)


def sent(ask: Callable[..., httpx.Response], operation: APIOperation, mode: GenerationMode) -> list[tuple[Case, int]]:
    """Requests of one operation, the same ones each time, and how each was answered."""
    answers: list[tuple[Case, int]] = []

    @seed(7)
    @settings(
        max_examples=EACH, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(generation_mode=mode))
    def each(case: Case) -> None:
        answers.append((case, send(ask, case).status_code))

    # Of some there is no request that is not as described.
    with contextlib.suppress(Unsatisfiable) if mode is GenerationMode.NEGATIVE else contextlib.nullcontext():
        each()
    return answers


def send(ask: Callable[..., httpx.Response], case: Case) -> httpx.Response:
    """A made-up request, as HTTP can say it."""
    told = case.as_transport_kwargs(base_url="http://localhost/api/v1")
    more = {key: told[key] for key in ("headers", "params", "json") if told.get(key) is not None}
    if told.get("data") is not None:
        more["content"] = told["data"] if isinstance(told["data"], bytes | str) else str(told["data"])
    return ask(told["method"], told["url"], **more)
