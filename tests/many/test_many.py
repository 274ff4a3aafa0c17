"""Three benches, one server, one broker: nothing gets mixed up. Twenty: `python -m tests.many 20`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.many.room import Ears, check_broker, check_victoria, everywhere, room, settings
from tests.running import until
from tests.services import Mosquitto, VictoriaMetrics


@pytest.mark.needs_mosquitto
@pytest.mark.needs_victoria
def test_three_benches_stay_apart(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker, VictoriaMetrics(tmp_path / "server") as database:
        ears = Ears(broker.port)
        try:
            with room(3, tmp_path, settings(broker, database)) as places:
                everywhere(places, lambda place: place.trip())
                everywhere(places, lambda place: place.power_up())
                # Any of them tells of all, each with what is its own.
                for looker in places[:2]:
                    view = looker.daemon.call("GET", "benches")
                    seen = {b["bench"]: (b["standing"], b["job"], b["outputs"][0]["output"]) for b in view["benches"]}
                    assert seen == {place.name: ("online", place.job, "on") for place in places}
                volts = {b["bench"]: b["outputs"][0]["voltage_v"] for b in view["benches"]}
                assert volts == {place.name: pytest.approx(place.volts, abs=0.015) for place in places}
                everywhere(places, lambda place: place.put_down())
                places[1].daemon.process.kill()  # no goodbye: the broker says it, and nobody says off for it
                until(
                    lambda: places[0].daemon.call("GET", "benches")["benches"][1],
                    lambda b: b["standing"] == "away" and b["outputs"][0]["output"] == "unknown",
                    "the one that was killed, away",
                    30,
                )
            until(
                lambda: {k: v for k, v in ears.newest.items() if k.endswith("/availability")},
                lambda said: set(said.values()) == {b"offline"},
                "three farewells",
            )
            states = {k: json.loads(v)["output"] for k, v in ears.newest.items() if k.endswith("/state")}
            assert states == {f"benchd/{place.name}/s/1/state": "off" for place in places}
            assert check_broker(places, ears) >= 9  # each: a trip, and two traces
            until(lambda: check_victoria(places, database), bool, "every reading")
        finally:
            ears.close()
