"""What people ask of the bench: checked, passed to guard and log, answered or refused with a reason."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.guard.wire import LinkChanged
from benchd.jobs.job import Job
from benchd.reading import OutputState
from benchd.store.consent_rows import consented
from benchd.store.errors import LogDamaged, LogDown, LogError
from benchd.store.log import Log
from benchd.web.port import Refused
from tests.daemon.making import ACCURACY, THIN, FakeGuard, FakeWriter, S, off, on, past, readings


async def refused(awaitable: Any) -> tuple[str, str]:
    with pytest.raises(Refused) as caught:
        await awaitable
    return caught.value.code, caught.value.message


def board_of(core: Core) -> str:
    asked = core.watches["psu-a", 1].asked
    assert asked is not None
    return asked.board


async def test_power_on_asks_the_guard_for_the_plan_and_its_protections(bench: Bench, guard: FakeGuard) -> None:
    await bench.power_on("psu-a", 1, None)
    ((what, supply, channel, voltage_v, limit_a, rules),) = guard.asked
    assert (what, supply, channel, voltage_v, limit_a) == ("on", "psu-a", 1, 4.0, 2.0)
    assert (rules.over_voltage_v, rules.over_current_a) == (4.5, None)
    # The settings have ms and µF, the rules s and F.
    assert (rules.short_hold_s, rules.harmless_bulk_f, rules.stale_s) == (0.02, 0.002, 1.0)
    assert bench.view().channels[0].output == OutputState.ON


async def test_nobody_gets_beyond_the_envelope(bench: Bench, guard: FakeGuard) -> None:
    code, text = await refused(bench.power_on("psu-a", 1, "laptop"))
    assert code == "out-of-range"
    assert "asks for 19.0 V" in text
    assert "5.0 V" in text
    assert (await refused(bench.power_on("psu-a", 1, "none-such")))[0] == "out-of-range"
    assert guard.asked == []


async def test_what_is_not_there_is_not_found(bench: Bench, guard: FakeGuard) -> None:
    for asked in (bench.power_on("x", 1, None), bench.power_off("psu-a", 3), bench.rearm("x", 1),
                  bench.mark("psu-a", 9, "button"), bench.recent("x", 1, 5), bench.trace("none")):  # fmt: skip
        code, text = await refused(asked)
        assert code == "not-found"
        assert "psu-a/1, psu-a/2" in text or "trace" in text
    assert guard.asked == []


async def test_a_guard_that_refuses_leaves_the_plan_as_it_was(bench: Bench, guard: FakeGuard) -> None:
    guard.refuse = "the limit reads back 1.9 A instead of 2.0 A"
    assert await refused(bench.power_on("psu-a", 1, "small")) == ("wrong-state", guard.refuse)
    assert bench.view().channels[0].plan == "phone"
    for asked in (bench.power_off("psu-a", 1), bench.power_off(None, None), bench.rearm("psu-a", 1)):
        assert await refused(asked) == ("wrong-state", guard.refuse)


async def test_consent_is_asked_for_kept_and_sent_along(bench: Bench, core: Core, guard: FakeGuard, log: Log) -> None:
    guard.needs = "k1"
    assert (await refused(bench.consent("psu-a", "k1", "")))[0] == "link-down", "nobody was met yet"
    core.on_report(LinkChanged("psu-a", True, past(1), identity="x", met=THIN))
    assert any("psu-a: profile thin is unverified: consent is asked for" in w for w in bench.view().warnings)
    channel = bench.view().channels[1]
    assert (channel.model, channel.firmware, channel.profile, channel.trust) == (
        "Example X-1",
        "1.0",
        "thin",
        "unverified",
    )
    assert channel.consent_key == "k1"
    assert "Upside down." in channel.consent_text
    assert (await refused(bench.power_on("psu-a", 1, None)))[0] == "consent-needed"
    code, text = await refused(bench.consent("psu-a", "k0", ""))
    assert code == "wrong-state"
    assert "not what is there now (Example X-1 by profile thin)" in text
    await bench.consent("psu-a", "k1", "Ada")
    await bench.consent("psu-a", "k1", "Ada")
    await bench.power_on("psu-a", 1, None)
    assert bench.view().channels[0].consent_key == ""
    assert not [w for w in bench.view().warnings if "unverified" in w]
    (entry,) = log.journal(kinds=["consent"])
    assert (entry.supply, entry.payload["who"], entry.payload["profile"]) == ("psu-a", "Ada", "thin")
    assert "Upside down." in entry.payload["text"]
    assert consented(log) == {"k1"}


async def test_a_consent_counts_for_what_it_was_given_for(core: Core, guard: FakeGuard, log: Log) -> None:
    core = Core(core.settings, {("psu-a", n): ACCURACY for n in (1, 2)}, core.writer, None, {"k1"})
    core.guard = guard  # type: ignore[assignment]
    bench = Bench(core, log.path)
    core.on_report(LinkChanged("psu-a", True, past(1), met=THIN))
    assert bench.view().channels[0].consent_key == ""
    core.on_report(LinkChanged("psu-a", True, past(0), met=msgspec.structs.replace(THIN, model="X-2", consent="k2")))
    assert bench.view().channels[0].consent_key == "k2"
    await bench.power_on("psu-a", 1, None)
    assert guard.asked[-1][0] == "on"
    assert core.meetings.given("psu-a") == ""


async def test_a_profile_that_needs_no_consent_takes_none(bench: Bench, core: Core) -> None:
    core.on_report(LinkChanged("psu-a", True, past(1), met=msgspec.structs.replace(THIN, trust="used", consent="")))
    code, text = await refused(bench.consent("psu-a", "k1", ""))
    assert (code, text) == ("wrong-state", "supply psu-a: profile thin is used; it needs no consent")
    assert (await refused(bench.consent("psu-b", "k1", "")))[0] == "not-found"
    assert not [w for w in bench.view().warnings if "unverified" in w]


async def test_on_while_on_is_refused_and_off_is_always_passed_on(bench: Bench, guard: FakeGuard) -> None:
    await bench.power_on("psu-a", 1, None)
    assert (await refused(bench.power_on("psu-a", 1, None)))[0] == "wrong-state"
    await bench.power_off("psu-a", 1)
    await bench.power_off("psu-a", 1)
    await bench.power_off(None, None)
    assert [a[0] for a in guard.asked] == ["on", "off", "off", "off"]


async def test_without_a_guard_the_link_is_down(core: Core, log: Log) -> None:
    bench = Bench(core, log.path)
    assert (await refused(bench.power_on("psu-a", 1, None)))[0] == "link-down"
    assert (await refused(bench.power_off(None, None)))[0] == "link-down"


async def test_the_board_of_the_job_on_the_bench_goes_with_the_trace(bench: Bench, core: Core, log: Log) -> None:
    log.add_job(Job("R-1", board="pellor-p3"))
    await bench.choose_job("R-1")
    await bench.power_on("psu-a", 1, None)
    assert board_of(core) == "pellor-p3"
    await bench.power_off("psu-a", 1)
    await bench.choose_job(None)
    await bench.power_on("psu-a", 1, None)
    assert board_of(core) == ""


async def test_a_log_that_is_down_does_not_keep_power_from_anyone(core: Core, guard: FakeGuard, tmp_path: Path) -> None:
    bench = Bench(core, tmp_path / "gone" / "benchd.sqlite")
    core.job = "R-1"
    await bench.power_on("psu-a", 1, None)
    assert bench.view().channels[0].output == OutputState.ON
    await bench.power_off(None, None)
    assert (await refused(bench.jobs()))[0] == "log-down"


async def test_marks_belong_to_an_output_that_is_on(bench: Bench, core: Core) -> None:
    assert (await refused(bench.mark("psu-a", 1, "button")))[0] == "wrong-state"
    await bench.power_on("psu-a", 1, None)
    code, text = await refused(bench.mark("psu-a", 1, "lunch"))
    assert code == "out-of-range"
    assert "connected, button, boot-end, removed" in text
    await bench.mark("psu-a", 1, "button")
    assert core.watches["psu-a", 1].open is not None


async def test_jobs_are_taken_in_once_and_chosen_only_when_there(bench: Bench, log: Log) -> None:
    made = await bench.create_job(Job("R-1", device="phone"))
    assert made.created_ns > 0
    assert (await refused(bench.create_job(Job("R-1"))))[0] == "wrong-state"
    assert (await refused(bench.create_job(Job("R 1"))))[0] == "out-of-range"
    assert (await refused(bench.choose_job("R-2")))[0] == "not-found"
    assert bench.view().job is None
    await bench.choose_job("R-1")
    assert bench.view().job == "R-1"
    assert log.current_job() == "R-1"
    assert [e.kind for e in await bench.journal("R-1", 10)] == ["job-created", "job-chosen"]


async def test_two_pages_that_take_in_the_same_job_at_once(
    bench: Bench, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both have seen that it is not there; the second one is told that it is, not that the log is broken."""
    monkeypatch.setattr(bench, "read", unseen)
    log.add_job(Job("R-1"))
    assert (await refused(bench.create_job(Job("R-1"))))[0] == "wrong-state"


async def unseen(_ask: Any) -> None:
    return None


@pytest.mark.parametrize("fault", [LogDown("the disk is full"), LogDamaged("the file is damaged")])
async def test_a_write_that_fails_is_told_as_such(
    bench: Bench, writer: FakeWriter, monkeypatch: pytest.MonkeyPatch, fault: LogError
) -> None:
    def fails(*_: object) -> None:
        raise fault

    monkeypatch.setattr(Log, "add_job", fails)
    assert await refused(bench.create_job(Job("R-1"))) == ("log-down", str(fault))


async def test_notes_need_a_job_and_say_by_whom(bench: Bench, log: Log) -> None:
    assert (await refused(bench.note(None, "seen")))[0] == "wrong-state"
    assert (await refused(bench.note("R-9", "seen")))[0] == "not-found"
    await bench.create_job(Job("R-1"))
    await bench.choose_job("R-1", "Ada")
    noted = await bench.note(None, "seen", "Ada, page")
    assert (noted.job, noted.payload) == ("R-1", {"text": "seen", "by": "Ada, page"})
    assert log.journal(kinds=["job-chosen"])[-1].payload == {"job": "R-1", "before": None, "by": "Ada"}
    await bench.choose_job(None)
    gone = await bench.forget_job("R-1", "Ada")
    assert log.journal(job=gone.job, kinds=["forgotten"])[-1].payload["by"] == "Ada"


async def test_recent_readings_are_those_of_the_last_seconds(bench: Bench, core: Core) -> None:
    t = past(10)
    core.on_report(on(t_ns=t))
    core.on_report(readings(t, [0.1] * 1000))
    found = await bench.recent("psu-a", 1, 5.0)
    assert 400 <= len(found) <= 500
    assert len(await bench.recent("psu-a", 2, 5.0)) == 0


async def test_a_filed_trace_comes_with_its_readings(bench: Bench, core: Core, log: Log) -> None:
    t = past(20)
    core.on_report(on(t_ns=t))
    for block in (readings(t, [0.0, 0.0001] * 100), readings(t + 2 * S, [0.06] * 500)):
        core.on_report(block)
        log.add_block(block)
    core.on_report(off(t_ns=t + 7 * S))
    await core.all_filed()
    ((listed),) = await bench.traces(None, 10)
    row, samples = await bench.trace(listed.id)
    assert row == listed
    assert len(samples) == row.readings == 700
