"""A customer's data taken out while the daemon runs: when it may be, and what the log is like afterwards."""

from __future__ import annotations

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.watch import OpenTrace
from benchd.jobs.job import Job
from benchd.store.errors import LogDown
from benchd.store.log import Log
from benchd.traces.trace import Conditions
from benchd.web.port import Refused
from tests.daemon.making import FakeGuard, FakeWriter, on

OWNER = "Mrs Invented, 0123456789"


@pytest.fixture
def taken_in(log: Log) -> Log:
    log.add_job(Job("R-1042", "a blue phone", "demo-a", OWNER))
    log.add_entry("note", job="R-1042", payload={"text": f"called {OWNER}"})
    return log


async def test_it_is_gone_from_the_file_and_told(bench: Bench, core: Core, guard: FakeGuard, taken_in: Log) -> None:
    told = []
    core.on_event = lambda kind, payload: told.append((kind, payload))
    core.watches["psu-a", 1].last_closed = OpenTrace("t", "psu-a", 1, "R-1042", 1, Conditions())
    done = await bench.forget_job("R-1042")
    assert (done.notes, done.traces, done.left) == (1, 0, "")
    assert told == [("job", {"forgotten": done.job})]
    assert core.watches["psu-a", 1].last_closed is None
    files = [file.read_bytes() for file in taken_in.path.parent.glob("*.sqlite*")]
    assert not any(word.encode() in content for content in files for word in (OWNER, "R-1042", "a blue phone"))
    assert [j.id for j in await bench.jobs()] == [done.job]
    with pytest.raises(Refused, match="'R-1042' is not in the log") as no:
        await bench.forget_job("R-1042")
    assert no.value.code == "not-found"


async def test_not_while_an_output_is_on_or_the_job_is_on_the_bench(
    bench: Bench, core: Core, guard: FakeGuard, taken_in: Log
) -> None:
    await bench.choose_job("R-1042")
    with pytest.raises(Refused, match="R-1042 is on the bench: take it off first") as no:
        await bench.forget_job("R-1042")
    assert no.value.code == "wrong-state"
    await bench.choose_job(None)
    core.on_report(on())
    with pytest.raises(Refused, match="psu-a/1 is on: switch it off first") as no:
        await bench.forget_job("R-1042")
    assert no.value.code == "wrong-state"
    assert taken_in.job("R-1042") is not None


async def test_its_last_readings_are_waited_for_or_they_would_bring_the_id_back(
    bench: Bench, writer: FakeWriter, guard: FakeGuard, taken_in: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    monkeypatch.setattr(writer, "waits", lambda job: asked.append(job) or len(asked) < 3)
    await bench.forget_job("R-1042")
    assert asked == ["R-1042"] * 3
    taken_in.add_job(Job("R-1043"))
    monkeypatch.setattr(writer, "waits", lambda job: True)
    monkeypatch.setattr("benchd.daemon.records.WRITTEN_S", 0.01)
    with pytest.raises(Refused, match="readings of R-1043 are not in the log yet") as no:
        await bench.forget_job("R-1043")
    assert no.value.code == "log-down"
    assert taken_in.job("R-1043") is not None


async def test_a_file_that_cannot_be_written_anew_is_told(
    bench: Bench, writer: FakeWriter, guard: FakeGuard, taken_in: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_room(log: Log) -> None:
        raise LogDown("90 MB must be free")

    monkeypatch.setattr("benchd.daemon.records.compact", no_room)
    done = await bench.forget_job("R-1042")
    assert done.left.endswith("could not be written anew: 90 MB must be free")
    assert taken_in.job("R-1042") is None
