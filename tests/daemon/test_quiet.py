"""Quiet hours: nothing goes on, and what is on and not made for it goes off."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.quiet import QuietHours, quiet_refusal
from benchd.store.log import Log
from benchd.web.port import Refused
from tests.daemon.making import ACCURACY, FakeGuard, FakeWriter, settings

HOURS = "22:00-06:30"
ZONE = timezone(timedelta(hours=2))


class Clock:
    """The clock on the wall, which somebody may set."""

    def __init__(self, at: str) -> None:
        self.at = at

    def __call__(self) -> datetime:
        hour, minute = map(int, self.at.split(":"))
        return datetime(2026, 3, 5, hour, minute, tzinfo=ZONE)


@pytest.fixture
def core(writer: FakeWriter, tmp_path: Path) -> Core:
    made = settings(data_dir=str(tmp_path), guard={"quiet_hours": HOURS})
    return Core(made, {("psu-a", n): ACCURACY for n in (1, 2)}, writer, None)  # type: ignore[arg-type]


@pytest.fixture
def clock() -> Clock:
    return Clock("21:59")


@pytest.fixture
def bench(core: Core, guard: FakeGuard, log: Log, clock: Clock) -> Bench:
    return Bench(core, log.path, clock)


def test_the_refusal_says_what_time_it_is_and_when_it_ends() -> None:
    assert quiet_refusal(HOURS, Clock("23:10")()) == (
        "it is 23:10 and quiet hours are 22:00-06:30: nothing is switched on before 06:30 "
        "(guard.quiet_hours in the settings)"
    )
    assert quiet_refusal(HOURS, Clock("06:29")()) != ""
    assert quiet_refusal(HOURS, Clock("06:30")()) == quiet_refusal("", Clock("23:10")()) == ""


async def test_nothing_goes_on_before_the_end(bench: Bench, guard: FakeGuard, clock: Clock) -> None:
    clock.at = "22:00"
    with pytest.raises(Refused, match="psu-a/1: it is 22:00 and quiet hours") as caught:
        await bench.power_on("psu-a", 1, "soak")
    assert caught.value.code == "wrong-state"
    assert guard.asked == []
    clock.at = "06:30"
    await bench.power_on("psu-a", 1, None)
    assert guard.asked[-1][0] == "on"


async def test_at_the_beginning_all_but_a_soak_goes_off(
    bench: Bench, core: Core, guard: FakeGuard, log: Log, clock: Clock
) -> None:
    quiet = QuietHours(core, clock)
    await bench.power_on("psu-a", 1, None)
    await bench.power_on("psu-a", 2, "soak")
    await quiet.look()
    assert [c.output for c in core.view().channels] == ["on", "on"]
    clock.at = "22:00"
    await quiet.look()
    await quiet.look()
    assert [c.output for c in core.view().channels] == ["off", "on"]
    assert guard.asked[-1] == ("off", "psu-a", 1), "and only once"
    (entry,) = log.journal(kinds=["quiet-hours"])
    assert (entry.channel, entry.payload["hours"]) == (1, HOURS)
    (warning,) = core.view().warnings
    assert "psu-a/1 was switched off: quiet hours (22:00-06:30) have begun" in warning
    assert "'phone'" in warning


async def test_an_off_that_fails_is_an_alarm_and_tried_again(
    bench: Bench, core: Core, guard: FakeGuard, clock: Clock
) -> None:
    await bench.power_on("psu-a", 1, None)
    clock.at = "23:00"
    guard.refuse = "the output reads back on"
    rounds: list[float] = []

    async def sleep(seconds: float) -> None:
        rounds.append(seconds)
        if len(rounds) == 2:
            guard.refuse = ""
        if len(rounds) == 3:
            raise asyncio.CancelledError

    with pytest.raises(asyncio.CancelledError):
        await QuietHours(core, clock).keep(sleep)
    assert [a[0] for a in guard.asked] == ["on", "off", "off", "off"]
    assert any("it is not off: the output reads back on" in w for w in core.view().warnings)
    assert core.view().channels[0].output == "off"


async def test_without_quiet_hours_nobody_looks(core: Core, guard: FakeGuard, writer: FakeWriter) -> None:
    plain = Core(settings(), {("psu-a", n): ACCURACY for n in (1, 2)}, writer, None)  # type: ignore[arg-type]
    await QuietHours(plain, Clock("23:00")).keep()
