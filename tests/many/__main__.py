"""A room of benches on this machine, into one server and one broker: what stays apart, and what it costs.

    python -m tests.many 20                       twenty daemons with simulated supplies, VictoriaMetrics, mosquitto
    python -m tests.many 20 --server influxd      the v1 write path instead
    python -m tests.many 20 --seconds 60 --rate 50

Each bench trips on a short, is re-armed and powers a board up; then all run for so long, while it is measured. Ends
with status 1 at the first thing that does not agree; prints one JSON object with the figures.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import psutil

from tests.many.room import (
    Ears,
    Place,
    check_broker,
    check_influxd,
    check_victoria,
    everywhere,
    room,
    settings,
)
from tests.running import until
from tests.services import Influxd, Mosquitto, Service, VictoriaMetrics


class Load:
    """Processor time and memory of processes over a while."""

    def __init__(self, pids: list[int]) -> None:
        self._all = [p for pid in pids for p in (psutil.Process(pid), *psutil.Process(pid).children(recursive=True))]
        self._began, self._cpu_s = time.monotonic(), self._spent()

    def _spent(self) -> float:
        return sum(t.user + t.system for t in (p.cpu_times() for p in self._all))

    def figures(self) -> tuple[float, float]:
        """Percent of one core; MB of memory that is theirs alone."""
        percent = 100 * (self._spent() - self._cpu_s) / (time.monotonic() - self._began)
        return round(percent, 2), round(sum(p.memory_full_info().uss for p in self._all) / 1e6, 1)


def lags(database: Service, places: list[Place]) -> list[float]:
    """How old the newest point of each bench at the server is, s."""
    if isinstance(database, VictoriaMetrics):
        asked = urllib.parse.urlencode({"query": "max(tlast_over_time(supply_reading_voltage[1m])) by (bench)"})
        with urllib.request.urlopen(f"{database.url}/api/v1/query?{asked}", timeout=10) as answer:
            found = json.load(answer)["data"]["result"]
        return [time.time() - float(one["value"][1]) for one in found]
    assert isinstance(database, Influxd)
    newest = [database.query("room", f"SELECT last(voltage) FROM supply_reading WHERE bench = '{p.name}'")
              for p in places]  # fmt: skip
    return [time.time() - rows[0]["time"] / 1e9 for rows in newest if rows]


def measure(places: list[Place], database: Service, broker: Mosquitto, ears: Ears, seconds: float) -> dict[str, Any]:
    """Everything is on: what it takes."""
    assert database.process is not None
    assert broker.process is not None
    daemons = [Load([place.daemon.process.pid]) for place in places]
    server, post = Load([database.process.pid]), Load([broker.process.pid])
    readings, messages, began = [len(p.readings()) for p in places], ears.count, time.monotonic()
    seen: list[float] = []
    end = began + seconds
    while time.monotonic() < end:
        seen += lags(database, places)
        time.sleep(1)
    took = time.monotonic() - began
    per_bench = [load.figures() for load in daemons]
    fresh = sum(len(p.readings()) for p in places) - sum(readings)
    server_cpu, server_mb = server.figures()
    broker_cpu, broker_mb = post.figures()
    return {
        "readings_per_s": round(fresh / took, 1),
        "messages_per_s": round((ears.count - messages) / took, 1),
        "lag_p50_s": round(statistics.median(seen), 2),
        "lag_max_s": round(max(seen), 2),
        "daemon_cpu_percent": round(statistics.mean(cpu for cpu, _ in per_bench), 2),
        "daemon_mb": round(statistics.mean(mb for _, mb in per_bench), 1),
        "all_daemons_cpu_percent": round(sum(cpu for cpu, _ in per_bench), 1),
        "all_daemons_mb": round(sum(mb for _, mb in per_bench), 1),
        "server_cpu_percent": server_cpu,
        "server_mb": server_mb,
        "broker_cpu_percent": broker_cpu,
        "broker_mb": broker_mb,
        "load_average": round(os.getloadavg()[0], 1),
    }


def run(count: int, kind: str, seconds: float, rate: float, folder: Path) -> dict[str, Any]:
    """The whole room; raises AssertionError when something does not agree."""
    database: VictoriaMetrics | Influxd
    database = VictoriaMetrics(folder / "server") if kind == "victoria" else Influxd(folder / "server")
    with Mosquitto(folder / "broker") as broker, database:
        if isinstance(database, Influxd):
            asked = urllib.parse.urlencode({"q": "CREATE DATABASE room"}).encode()
            urllib.request.urlopen(f"{database.url}/query", asked, timeout=10).close()
        ears = Ears(broker.port)
        with room(count, folder, settings(broker, database), 1000 / rate) as places:
            everywhere(places, lambda place: place.trip())
            everywhere(places, lambda place: place.power_up())
            view = places[0].daemon.call("GET", "benches")
            seen = {b["bench"]: (b["standing"], b["job"], b["outputs"][0]["output"]) for b in view["benches"]}
            assert seen == {place.name: ("online", place.job, "on") for place in places}, seen
            figures = measure(places, database, broker, ears, seconds)
            everywhere(places, lambda place: place.put_down())
        until(lambda: sum(v == b"offline" for v in ears.newest.values()), lambda n: n == count, "farewells", 60)
        figures["events"] = check_broker(places, ears)
        assert figures["events"] >= 3 * count
        ears.close()
        if isinstance(database, Influxd):
            figures["points_compared"] = check_influxd(places, database, "room")
        else:
            figures["points_compared"] = check_victoria(places, database)
    return figures


def main() -> None:
    """See the top of the file."""
    parser = argparse.ArgumentParser(prog="python -m tests.many", description="A room of benches, measured.")
    parser.add_argument("benches", type=int)
    parser.add_argument("--server", choices=("victoria", "influxd"), default="victoria")
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=50.0, help="readings/s of each bench")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        figures = run(given.benches, given.server, given.seconds, given.rate, Path(folder))
    print(json.dumps({"name": "many", "benches": given.benches, "server": given.server, "figures": figures}))


if __name__ == "__main__":
    main()
