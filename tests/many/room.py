"""A room of benches: each a daemon with a simulated supply, a name, a job and a voltage of its own; one server, one
broker."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import time
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho

from benchd.store.log import Log
from tests.running import REARM_SOON, Bench, Running, start, until
from tests.services import Influxd, Mosquitto, VictoriaMetrics
from tests.simulated import SimulatedSupply

BOARDS = ("low-stall", "mid-stall", "clean", "loop", "leak")
AT_ONCE = 4
REPLY_MS = 2000.0
"""Patience with a reply: twenty simulated supplies want their share of the machine as well."""
PATIENCE_S = 120.0
"""No figure: twenty daemons may share two cores with others."""


@dataclasses.dataclass
class Place:
    """One bench of the room."""

    name: str
    job: str
    volts: float
    board: str
    sim: SimulatedSupply
    daemon: Running
    last_ns: int = 1 << 62
    """Newest reading that is looked at: readings go on until the daemon ends, and its followers end with it."""

    def trip(self) -> None:
        """A short on the leads, switched on: a trip, a trace, a finding."""
        self.daemon.call("POST", "jobs", {"id": self.job, "device": f"private-{self.name}"})
        self.daemon.call("PUT", "bench/job", {"job": self.job})
        self.sim.board(1, "dead-short")
        self._switched_on({}, lambda: self.daemon.channel("s")["latched"])
        self.daemon.until("s", output="off", latched=True, within_s=PATIENCE_S)
        self.daemon.rearm("s")

    def power_up(self) -> None:
        """On, with this bench's own voltage and board."""
        self.sim.board(1, self.board)
        self._switched_on({"voltage_v": self.volts}, lambda: self.daemon.channel("s")["output"] == "on")
        self.sim.button(1)

    def _switched_on(self, asked: dict[str, Any], good: Callable[[], bool]) -> None:
        """Where the machine is so busy that a guard is taken for gone, it is asked again."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            with contextlib.suppress(OSError, TimeoutError):
                self.daemon.call("POST", "supplies/s/channels/1/on", asked)
                until(good, bool, f"{self.name} as asked", 5)
                return
            time.sleep(0.1)
        raise TimeoutError(f"{self.name} was asked {asked} for {PATIENCE_S} s")

    def put_down(self) -> None:
        """Off, and wait until both traces are filed and every follower has all of it."""
        self.daemon.off("s")
        path = f"traces?job={self.job}"
        until(lambda: self.daemon.call("GET", path)["traces"], lambda t: len(t) >= 2, "two traces", PATIENCE_S)
        self.last_ns = max(self.readings())
        until(self.followers, lambda fs: all(f["state"] == "ok" and f["backlog"] == 0 for f in fs), "sent", PATIENCE_S)

    def followers(self) -> list[dict[str, Any]]:
        return list(self.daemon.call("GET", "bench")["followers"].values())

    def readings(self) -> dict[int, tuple[float, float]]:
        """What its log holds: t in ns → V, A."""
        with Log.open(self.daemon.log_file, read_only=True) as log:
            kept = log.samples("s", 1, 0, self.last_ns + 1)
        rows = zip(kept.t_ns.tolist(), kept.voltage_v.tolist(), kept.current_a.tolist(), strict=True)
        return {t: (v, a) for t, v, a in rows}

    def events(self) -> tuple[str, list[tuple[int, str]]]:
        """The log's own id; number and kind of what has to go out."""
        with Log.open(self.daemon.log_file, read_only=True) as log:
            return log.log_id, [(e.seq, e.kind) for e in log.entries_after(0, 10_000, ("trip", "trace", "finding"))]


@contextlib.contextmanager
def room(count: int, folder: Path, extra: str, interval_ms: float = 20.0) -> Iterator[list[Place]]:
    """So many benches, guarded and off; each ended by its own id."""
    with contextlib.ExitStack() as undo, ThreadPoolExecutor(2) as pool:
        sims = [undo.enter_context(SimulatedSupply(board1="none")) for _ in range(count)]

        def begin(n: int) -> Place:
            name, sim = f"bench-{n:02}", sims[n]
            place = folder / name
            place.mkdir()
            supplies = {"s": Bench(sim.resource, interval_ms, "benchd-sim", timeout_ms=REPLY_MS)}
            more = REARM_SOON + "[capture]\nsettle_s = 1.0\n" + extra
            daemon = start(supplies, place, more, f"stale_ms = {5 * REPLY_MS}", bench=name)
            undo.callback(daemon.end)
            return Place(name, f"R-{1000 + n}", round(3.3 + 0.03 * n, 2), BOARDS[n % len(BOARDS)], sim, daemon)

        places = list(pool.map(begin, range(count)))
        for place in places:
            until(lambda: place.daemon.call("GET", "bench"), _off, f"{place.name} guarded and off", PATIENCE_S)  # noqa: B023
        yield places


def _off(bench: dict[str, Any]) -> bool:
    return bench["guard"] == "alive" and all(c["link_up"] and c["output"] == "off" for c in bench["channels"])


def everywhere(places: list[Place], act: Callable[[Place], object]) -> None:
    """Do it on every bench, some at a time."""
    with ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(act, places))


class Ears:
    """All that the broker hands out, by topic; on a session of its own. Repeats of an event are dropped by its id."""

    def __init__(self, port: int) -> None:
        self.newest: dict[str, bytes] = {}
        self.events: dict[str, tuple[str, dict[str, Any]]] = {}
        self.count = 0
        self.stray: list[str] = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("benchd/#", 1)
        self._client.loop_start()

    def _take(self, client: Any, userdata: Any, message: paho.MQTTMessage) -> None:
        self.count += 1
        self.newest[message.topic] = message.payload
        if b"private-" in message.payload:
            self.stray.append(message.topic)
        if message.topic.endswith(("/trip", "/finding")):
            event = json.loads(message.payload)
            self.events[event["id"]] = (message.topic, event)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def check_broker(places: list[Place], ears: Ears) -> int:
    """Each bench's events came under its own name, with its own job, each once by id; the number of them all."""
    total = 0
    for place in places:
        log_id, kept = place.events()
        mine = {id_: e for id_, (topic, e) in ears.events.items() if topic.startswith(f"benchd/{place.name}/s/1/")}
        assert set(mine) == {f"{log_id}-{seq}" for seq, _ in kept}, place.name
        assert {e["kind"] for e in mine.values()} >= {"trip", "trace"}
        assert {e["job"] for e in mine.values()} == {place.job}
        total += len(mine)
    assert len(ears.events) == total
    assert ears.stray == []
    return total


def check_victoria(places: list[Place], database: VictoriaMetrics) -> int:
    """Each bench's readings are there under its name, every time, with the value of its log; the number of them all.

    The server keeps whole milliseconds: of two readings in one, it keeps either.
    """
    total = 0
    names = {s["bench"] for s in database.series("supply_reading_voltage")}
    assert names == {place.name for place in places}
    for place in places:
        kept: dict[int, set[float]] = {}
        for t_ns, (volts, _) in place.readings().items():
            kept.setdefault(t_ns // 1_000_000, set()).add(volts)
        match = f'supply_reading_voltage{{bench="{place.name}"}}'
        assert {s.get("job") for s in database.series(match)} <= {place.job, None}
        found = {(t, volts) for t, volts in exported(database, match) if t <= max(kept)}
        assert {t for t, _ in found} == set(kept), place.name
        assert all(volts in kept[t] for t, volts in found), place.name
        total += len(found)
    return total


def exported(database: VictoriaMetrics, match: str) -> set[tuple[int, float]]:
    """t in ms and value of every point of every series that matches."""
    asked = urllib.parse.urlencode({"match[]": match, "start": 0})
    with urllib.request.urlopen(f"{database.url}/api/v1/export?{asked}", timeout=60) as answer:
        rows = [json.loads(line) for line in answer.read().splitlines()]
    return {pair for row in rows for pair in zip(row["timestamps"], row["values"], strict=True)}


def check_influxd(places: list[Place], database: Influxd, name: str) -> int:
    """Each bench's readings are there under its name, every ns, with the value of its log; the number of them all."""
    total = 0
    for place in places:
        kept = place.readings()
        question = (
            f"SELECT voltage, current FROM supply_reading WHERE bench = '{place.name}' AND time <= {place.last_ns}"
        )
        rows = database.query(name, question)
        assert {r["time"]: (r["voltage"], r["current"]) for r in rows} == kept, place.name
        jobs = database.query(name, f"SHOW TAG VALUES WITH KEY = job WHERE bench = '{place.name}'")
        assert {row["value"] for row in jobs} == {place.job}
        total += len(rows)
    names = database.query(name, "SHOW TAG VALUES WITH KEY = bench")
    assert {row["value"] for row in names} == {place.name for place in places}
    return total


def settings(broker: Mosquitto, database: VictoriaMetrics | Influxd) -> str:
    """The settings that all benches of the room share."""
    path = 'write_path = "v1"\n' if isinstance(database, Influxd) else ""
    return (
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n[influxdb]\nurl = "{database.url}"\nbucket = "room"\n{path}'
    )
