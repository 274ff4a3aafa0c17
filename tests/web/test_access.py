"""Who is let in, and what each may do: every way in, by every kind of caller."""

from __future__ import annotations

import itertools
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest
from starlette.applications import Starlette
from starlette.routing import Mount

from benchd import tokens
from benchd.web.access import Access
from benchd.web.app import create_app
from benchd.web.caller import Caller, Role
from benchd.web.desks import Desks
from benchd.web.rights import Need, body_limit, need_of
from benchd.web.sessions import LATE_OFF_NS, S, Sessions
from tests.web.fake import START_NS, FakeBench, make_samples

V1 = "/api/v1"
TOKEN = {Role.OPERATOR: "benchd_operator_token", Role.VIEWER: "benchd_viewer_token"}
CALLERS = {tokens.hash_of(text): Caller(f"the {role}", role) for role, text in TOKEN.items()}
ORIGIN = {"Origin": "http://localhost:8425"}
LIFE_S = 3600.0


class Clock:
    """Of the bench, ns since the epoch."""

    def __init__(self) -> None:
        self.ns = START_NS

    def __call__(self) -> int:
        return self.ns


class Watched:
    """Stands for every desk: whatever is asked of it, it was reached."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def __getattr__(self, name: str) -> Any:
        self.asked.append(name)
        raise AssertionError(f"{name} was asked of a desk")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def told() -> list[dict[str, Any]]:
    """What the journal was told."""
    return []


@pytest.fixture
def kept() -> list[str]:
    """What was kept of the sessions."""
    return []


@pytest.fixture
def access(clock: Clock, told: list[dict[str, Any]], kept: list[str]) -> Access:
    return Access(
        CALLERS, Sessions(LIFE_S, clock), local_secret="secret of this run", tell=told.append, keep=kept.append,
        addresses=lambda: ["http://192.0.2.5:8425/"],
    )  # fmt: skip


@pytest.fixture
def desk() -> Watched:
    return Watched()


@pytest.fixture
def app(bench: FakeBench, access: Access, desk: Watched) -> Starlette:
    desks = Desks(records=desk, steps=desk, reports=desk, windows=desk, files=desk, procedures=desk)
    made = create_app(bench, bench_name="north", access=access, desks=desks)
    desk.asked.clear()  # what making the routes looked at
    return made


def client(app: Starlette, peer: str = "192.0.2.77", base: str = "http://localhost:8425") -> httpx.AsyncClient:
    return httpx.AsyncClient(
        transport=httpx.ASGITransport(app, raise_app_exceptions=False, client=(peer, 50000)), base_url=base
    )


@pytest.fixture
async def web(app: Starlette) -> AsyncIterator[httpx.AsyncClient]:
    """A browser in the network."""
    async with client(app) as found:
        yield found


def by(role: Role) -> dict[str, str]:
    return {"Authorization": f"Bearer {TOKEN[role]}"}


def code_of(answer: httpx.Response) -> tuple[int, str]:
    return answer.status_code, answer.json()["error"]["code"]


def every_way(app: Starlette) -> list[tuple[str, str]]:
    """Method and path of each operation that the API describes, with something for each parameter."""
    mount = next(route for route in app.routes if isinstance(route, Mount) and route.path == V1)
    paths = mount.app.openapi()["paths"]  # type: ignore[attr-defined]
    ways = [(method.upper(), path) for path, operations in paths.items() for method in operations]
    assert len(ways) > 40
    return [(m, V1 + "/".join("1" if part.startswith("{") else part for part in p.split("/"))) for m, p in ways]


def is_off(path: str) -> bool:
    return path in (f"{V1}/off", f"{V1}/supplies/1/channels/1/off", f"{V1}/runs/1/stop")


async def test_nothing_answers_a_stranger(
    web: httpx.AsyncClient, app: Starlette, bench: FakeBench, desk: Watched
) -> None:
    for method, path in [*every_way(app), ("GET", "/metrics"), ("GET", f"{V1}/openapi.json"), ("GET", f"{V1}/x.html")]:
        if path == f"{V1}/sign-in":
            continue
        answer = await web.request(method, path, headers=ORIGIN)
        assert code_of(answer) == (401, "sign-in"), (method, path)
        assert answer.headers["www-authenticate"] == "Bearer"
    assert (bench.asked, desk.asked) == ([], [])


async def test_a_viewer_changes_nothing_but_to_off(
    web: httpx.AsyncClient, app: Starlette, bench: FakeBench, desk: Watched
) -> None:
    changing = [
        (m, p)
        for m, p in every_way(app)
        if m not in ("GET", "HEAD") and p.split("/")[-1] not in ("sign-in", "sign-out")
    ]
    assert len(changing) > 15
    for method, path in changing:
        answer = await web.request(method, path, headers=by(Role.VIEWER) | ORIGIN)
        if is_off(path):
            # 404: there is no supply of this name. 500: the desk was reached, and is none.
            assert answer.status_code in (200, 404, 500), path
        else:
            assert code_of(answer) == (403, "not-allowed"), (method, path)
    assert ({what[0] for what in bench.asked}, desk.asked) == ({"off"}, ["stop"])


async def test_another_page_changes_nothing_not_even_by_an_operators_cookie(
    web: httpx.AsyncClient, app: Starlette, bench: FakeBench, desk: Watched
) -> None:
    await web.post(f"{V1}/sign-in", json={"token": TOKEN[Role.OPERATOR]}, headers=ORIGIN)
    for (method, path), origin in itertools.product(every_way(app), ("http://evil.example", "null")):
        if method not in ("GET", "HEAD"):
            answer = await web.request(method, path, headers={"Origin": origin})
            assert code_of(answer) == (403, "wrong-origin"), (method, path)
    assert (bench.asked, desk.asked) == ([], [])
    assert (await web.get(f"{V1}/me")).json()["role"] == "operator"


async def test_the_journal_gets_the_name_of_who_has_signed_in(app: Starlette, bench: FakeBench) -> None:
    bench.job = "R-1"
    bench.file("T1", "R-1", make_samples(START_NS, 3, 50))
    async with client(app, peer="127.0.0.1") as web:
        for shown, name in ((TOKEN[Role.OPERATOR], "the operator"), ("secret of this run", "")):
            shows = {"Authorization": f"Bearer {shown}"}
            noted = await web.post(f"{V1}/journal", json={"text": "seen"}, headers=shows)
            assert noted.json()["payload"].get("by", "") == name
            asked = {"kind": "button", "at_s": None, "by": "command-line"}
            await web.post(f"{V1}/traces/T1/marks", json=asked, headers=shows)
            await web.post(f"{V1}/supplies/lab/channels/1/on", json={"by": "command-line"}, headers=shows)
    faces = ["the operator, command-line", "command-line"]
    assert [each[-1] for each in bench.asked if each[0] == "mark-trace"] == faces
    assert [each[-1] for each in bench.asked if each[0] == "on"] == faces


def test_what_no_way_is_known_for_needs_an_operator() -> None:
    one = f"{V1}/supplies/a/channels/1"
    for method, path in [
        ("POST", "/"), ("POST", "/main.js"), ("PUT", f"{V1}/off"), ("POST", f"{V1}/off/"), ("POST", f"{V1}/off\n"),
        ("DELETE", f"{one}/off"), ("POST", f"{V1}/supplies/a/b/channels/1/off"), ("POST", f"{one}/on"),
        ("POST", f"{one}/off/on"), ("BREW", f"{V1}/bench"), ("GET", f"{V1}/settings/files"), ("HEAD", f"{V1}/settings"),
        ("GET", f"{V1}/settings/a\nb"), ("GET", f"{V1}/sessions"),
    ]:  # fmt: skip
        assert need_of(method, path) is Need.CHANGE, (method, path)
    for path in ("/", "/main.js", "/sign-in", "/shared/api.js", "/icon.svg", "/benches"):
        assert need_of("GET", path) is Need.NOBODY
    for path in ("/metrics", f"{V1}/bench", f"{V1}/main.js", "/elsewhere", "/daemon.json"):
        assert need_of("GET", path) is Need.LOOK


def test_how_large_each_may_be() -> None:
    assert body_limit(f"{V1}/jobs/R-1/photos") == 12 * 1024 * 1024
    assert body_limit(f"{V1}/settings/files/plan/a") == 256 * 1024
    for path in (f"{V1}/jobs", f"{V1}/jobs/a/b/photos", f"{V1}/jobs/R-1/photos/1", f"{V1}/settings", "/"):
        assert body_limit(path) == 64 * 1024


async def test_who_signs_in_gets_a_cookie_that_no_script_and_no_other_page_can_use(
    web: httpx.AsyncClient, told: list[dict[str, Any]], kept: list[str]
) -> None:
    answer = await web.post(f"{V1}/sign-in", json={"token": TOKEN[Role.VIEWER]}, headers=ORIGIN)
    life_ns = round(LIFE_S * S)
    assert answer.json() == {
        "name": "the viewer", "role": "viewer", "since_ns": START_NS, "until_ns": START_NS + life_ns,
        "can": {"look": True, "off": True, "change": False},
        "note": "Not encrypted: everybody on this network can read along. Set tls_cert_file and tls_key_file in [web].",
    }  # fmt: skip
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("benchd-8425=")
    assert sorted(cookie.split("; ")[1:]) == ["HttpOnly", f"Max-Age={LIFE_S:.0f}", "Path=/", "SameSite=strict"]
    assert (await web.get(f"{V1}/me")).json() == answer.json()
    secret = cookie.partition("=")[2].partition(";")[0]
    assert secret not in kept[-1]
    assert TOKEN[Role.VIEWER] not in kept[-1]
    assert told == [{"what": "signed-in", "name": "the viewer", "role": "viewer", "from": "192.0.2.77"}]
    out = await web.post(f"{V1}/sign-out", headers=ORIGIN)
    assert out.json() == {"signed_out": True}
    assert code_of(await web.get(f"{V1}/me", headers={"Cookie": f"benchd-8425={secret}"})) == (401, "sign-in")
    assert told[-1]["what"] == "signed-out"


async def test_under_tls_the_cookie_never_goes_out_in_the_clear(app: Starlette) -> None:
    async with client(app, base="https://localhost") as web:
        answer = await web.post(f"{V1}/sign-in", json={"token": TOKEN[Role.VIEWER]})
        assert answer.headers["set-cookie"].startswith("__Host-benchd-")
        assert "; Secure" in answer.headers["set-cookie"]
        assert answer.json()["note"] == ""


async def test_a_wrong_token_is_let_in_nowhere_and_told_to_the_journal(
    web: httpx.AsyncClient, told: list[dict[str, Any]]
) -> None:
    right = TOKEN[Role.OPERATOR]
    for shown in ({"token": right[:-1]}, {"token": f"{right} "}, {"token": tokens.hash_of(right)},
                  {"code": "ABCDE-FGHJK"}, {"token": "secret of this run"}):  # fmt: skip
        told.clear()
        answer = await web.post(f"{V1}/sign-in", json=shown)
        assert code_of(answer) == (401, "sign-in"), shown
        assert "set-cookie" not in answer.headers
        assert told == [{"what": "refused", "name": next(iter(shown)), "role": "", "from": "192.0.2.77"}]


async def test_what_is_no_sign_in_is_refused_without_saying_it_again(web: httpx.AsyncClient) -> None:
    for body in ("{}", '{"token": ""}', '{"token": "hidden", "code": "x"}', f'{{"token": "{"hidden" * 200}"}}',
                 '{"token": 5}', '{"word": "hidden"}', '{"token": "hidden\\ud800"}', "hidden", ""):  # fmt: skip
        answer = await web.post(f"{V1}/sign-in", content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code == 400, body
        assert "hidden" not in answer.text


async def test_no_other_header_lets_in(web: httpx.AsyncClient) -> None:
    right = TOKEN[Role.OPERATOR]
    for header in ("", "Bearer", "Bearer ", "Basic YTpi", "Bearer x", f"Bearer {right}x", f"Token {right}", right,
                   "Bearer secret of this run"):  # fmt: skip
        assert (await web.post(f"{V1}/off", headers={"Authorization": header})).status_code == 401, header


async def test_the_secret_of_a_command_is_good_on_this_machine_alone(app: Starlette) -> None:
    asked = {"Authorization": "Bearer secret of this run"}
    for peer, status in (("127.0.0.1", 200), ("::1", 200), ("192.0.2.77", 401)):
        async with client(app, peer) as web:
            assert (await web.get(f"{V1}/me", headers=asked)).status_code == status
    async with client(app, "192.0.2.5", "http://192.0.2.5:8425") as web:  # a bench on that address alone asks itself
        assert (await web.get(f"{V1}/me", headers=asked)).json()["name"] == "command line"


async def test_guessing_soon_waits_and_keeps_nobody_else_out(
    web: httpx.AsyncClient, app: Starlette, told: list[Any]
) -> None:
    for _ in range(10):
        assert (await web.get(f"{V1}/me", headers={"Authorization": "Bearer wrong"})).status_code == 401
    for asked in (
        web.get(f"{V1}/me", headers={"Authorization": "Bearer wrong"}),
        web.post(f"{V1}/sign-in", json={"code": "x"}),
    ):
        answer = await asked
        assert code_of(answer) == (429, "too-often")
        assert 1 <= int(answer.headers["retry-after"]) <= 7
    assert len(told) == 10
    assert (await web.post(f"{V1}/off", headers=by(Role.VIEWER))).status_code == 200  # who is known is no guesser
    async with client(app, "192.0.2.78") as other:
        assert (await other.post(f"{V1}/sign-in", json={"token": TOKEN[Role.VIEWER]})).status_code == 200


async def test_too_many_changes_wait_and_off_never_does(web: httpx.AsyncClient, access: Access) -> None:
    access.changes.take = lambda key: 1.5  # type: ignore[method-assign]
    assert code_of(await web.post(f"{V1}/journal", json={"text": "x"}, headers=by(Role.OPERATOR))) == (429, "too-often")
    for role in Role:
        assert (await web.post(f"{V1}/off", headers=by(role))).status_code == 200
    assert (await web.get(f"{V1}/bench", headers=by(Role.OPERATOR))).status_code == 200


async def test_when_its_time_is_over_a_session_can_still_switch_off_for_a_day(
    web: httpx.AsyncClient, clock: Clock, bench: FakeBench
) -> None:
    await web.post(f"{V1}/sign-in", json={"token": TOKEN[Role.OPERATOR]})
    clock.ns += round(LIFE_S * S)
    assert "the time of this session is over" in (await web.get(f"{V1}/me")).json()["error"]["message"]
    assert (await web.post(f"{V1}/supplies/psu-a/channels/1/on", json={})).status_code == 401
    assert (await web.post(f"{V1}/off", headers=ORIGIN)).status_code == 200
    assert bench.asked == [("off", None, None)]
    clock.ns += LATE_OFF_NS
    assert (await web.post(f"{V1}/off", headers=ORIGIN)).status_code == 401


async def test_a_phone_comes_in_by_its_code_once(
    web: httpx.AsyncClient, app: Starlette, told: list[dict[str, Any]]
) -> None:
    made = (
        await web.post(f"{V1}/pairings", json={"name": "tablet", "role": "operator"}, headers=by(Role.OPERATOR))
    ).json()
    assert made == {"code": made["code"], "seconds": 300, "addresses": ["http://192.0.2.5:8425/"], "role": "operator"}
    async with client(app, "192.0.2.78") as phone:
        answer = await phone.post(f"{V1}/sign-in", json={"code": made["code"].replace("-", " ").lower()})
        assert (answer.json()["name"], answer.json()["role"]) == ("tablet", "operator")
        assert code_of(await phone.post(f"{V1}/sign-in", json={"code": made["code"]})) == (401, "sign-in")
        (row,) = (await web.get(f"{V1}/sessions", headers=by(Role.OPERATOR))).json()["sessions"]
        assert (row["name"], row["paired"]) == ("tablet", True)
        assert (await web.delete(f"{V1}/sessions/{row['id']}", headers=by(Role.OPERATOR))).json() == row
        assert (await phone.get(f"{V1}/me")).status_code == 401
    assert [each["what"] for each in told] == ["paired", "refused", "signed-out"]
    assert (await web.delete(f"{V1}/sessions/{row['id']}", headers=by(Role.OPERATOR))).status_code == 404


async def test_where_no_token_is_named_everybody_here_is_an_operator_and_no_phone_is_let_in(
    http: httpx.AsyncClient,
) -> None:
    me = (await http.get(f"{V1}/me", headers={"Authorization": "Bearer of long ago", "Cookie": "benchd-8425=x"})).json()
    assert (me["name"], me["role"], me["until_ns"]) == ("this machine", "operator", None)
    assert code_of(await http.post(f"{V1}/sign-in", json={"token": "x"})) == (409, "wrong-state")
    assert "nobody needs to sign in here" in (await http.post(f"{V1}/pairings")).json()["error"]["message"]
    assert (await http.post(f"{V1}/sign-out")).json() == {"signed_out": False}


async def test_the_bench_is_called_by_the_address_where_it_is_asked(app: Starlette) -> None:
    async with client(app, base="http://192.0.2.5:8425") as web:
        assert (await web.get("/")).status_code == 200
        assert (await web.get("/", headers={"Host": "192.0.2.6:8425"})).json()["error"]["code"] == "wrong-host"
