"""Health figures, the alarms that they lead to, and the promise that comes of them."""

from __future__ import annotations

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.health import HealthBook
from benchd.daemon.known import Known
from benchd.daemon.promise import Pace
from benchd.store.log import Log
from tests.daemon.making import FakeGuard, S, health, off, on, past, settings

T0 = 1_700_000_000 * S


def test_the_worst_of_a_minute_and_no_longer() -> None:
    book = HealthBook()
    assert book.told() is None
    book.take(health(T0 + S, worst_ms=40.0), T0, 1.0)
    book.take(health(T0 + 2 * S), T0, 1.0)
    told = book.told()
    assert told is not None
    assert (told["worst_ms"], told["worst_minute_ms"], told["interval_ms"]) == (22.0, 40.0, 20.0)
    assert book.pace() == Pace(0.02, 0.04, 0.002)
    book.take(health(T0 + 61 * S), T0, 1.0)
    assert book.pace() == Pace(0.02, 0.022, 0.002)


def test_what_reaches_back_before_the_settings_is_no_measure() -> None:
    """While settings are written nothing is read, and that is no pace of the supply's."""
    book = HealthBook()
    assert book.take(health(T0, worst_ms=900.0), T0 - S // 2, 1.0) == []
    assert book.pace() is None
    assert book.take(health(T0, worst_ms=900.0), T0 - 2 * S, 1.0) != []


def test_off_is_a_measure_but_no_reason_for_alarm() -> None:
    book = HealthBook()
    assert book.take(health(T0, worst_ms=900.0, overrun_ms=400.0), T0 - 2 * S, None) == []
    assert book.pace() == Pace(0.02, 0.9, 0.002, held_up=True)


@pytest.mark.parametrize(
    ("worst_ms", "overrun_ms", "said"),
    [(22.0, 50.0, []), (22.0, 51.0, ["51 ms late because this computer was busy"]), (501.0, 1.0, ["501 ms passed"])],
)
def test_an_alarm_once_a_power_on(worst_ms: float, overrun_ms: float, said: list[str]) -> None:
    book = HealthBook()
    first = book.take(health(T0, worst_ms=worst_ms, overrun_ms=overrun_ms), T0 - 9 * S, 1.0)
    assert [part in text for part, text in zip(said, first, strict=True)] == [True] * len(said)
    assert book.take(health(T0 + S, worst_ms=worst_ms, overrun_ms=overrun_ms), T0 - 9 * S, 1.0) == []
    book.power_on()
    again = book.take(health(T0 + 2 * S, worst_ms=worst_ms, overrun_ms=overrun_ms), T0 - 9 * S, 1.0)
    assert len(again) == len(said)


def test_a_half_of_what_is_stale_is_an_alarm_with_both_figures() -> None:
    (text,) = HealthBook().take(health(T0, worst_ms=260.0), T0 - 9 * S, 0.5)
    assert text.startswith("psu-a/1: 260 ms passed from one reading to the next; one that is missed after 500 ms ")


def expect(core: Core) -> None:
    (supply,) = core.settings.supply
    core.expect(Known(core.settings.supply).expected(supply, core.settings.interval_ms(supply)))


async def test_the_promise_is_the_profiles_until_it_was_measured(bench: Bench, core: Core, guard: FakeGuard) -> None:
    expect(core)
    before = core.view().channels[0].promise
    assert before is not None
    assert before["text"].startswith("by its profile this supply gives about ")
    assert (before["limit_a"], before["asked_ms"], before["kept"]) == (2.0, None, True)
    await bench.power_on("psu-a", 1, "staged")
    core.on_report(health(past(-5)))
    now = core.view().channels[0].promise
    assert now is not None
    assert now["text"].startswith("this supply gives 50 readings/s at its slowest lately: a short is cut within ")
    assert (now["asked_ms"], now["kept"]) == (100.0, True)
    assert core.view().channels[1].promise == before, "the other one was not read yet"


async def test_a_promise_that_cannot_be_kept_is_said_and_written_down_once(
    bench: Bench, core: Core, guard: FakeGuard, log: Log
) -> None:
    expect(core)
    await bench.power_on("psu-a", 1, "staged")
    for seconds in (5, 6):
        core.on_report(health(past(-seconds), interval_ms=120.0, worst_ms=130.0))
    (warning,) = [w for w in core.view().warnings if "readings/s" in w]
    assert warning.startswith(
        "psu-a/1: this supply gives 8.33 readings/s at its slowest lately: a short is cut within "
    )
    assert "Plan 'staged' asks for 100 ms, which cannot be kept" in warning
    (entry,) = log.journal(kinds=["promise"])
    assert (entry.payload["asked_ms"], entry.payload["kept"]) == (100.0, False)
    core.on_report(off())
    assert not [w for w in core.view().warnings if "readings/s" in w], "of what is on"


async def test_the_plans_figure_is_meant_for_the_limit_of_its_boot(
    bench: Bench, core: Core, guard: FakeGuard, log: Log
) -> None:
    """With a tenth of the limit a capacitor rises a tenth as fast, and a short is told from it that much later."""
    expect(core)
    await bench.power_on("psu-a", 1, "staged")
    core.on_report(on(limit_a=0.2, stage="hold"))
    core.on_report(health(past(-5)))
    told = core.view().channels[0].promise
    assert told is not None
    assert (told["limit_a"], told["asked_ms"], told["kept"]) == (0.2, None, True)
    assert log.journal(kinds=["promise"]) == []


def test_slow_families_are_expected_to_be_slow() -> None:
    made = settings()
    (supply,) = made.supply
    quick = Known([supply]).expected(supply, 1.0)["psu-a", 1]
    assert Known([supply]).expected(supply, 500.0)["psu-a", 1].pace.interval_s == 0.5, "as the settings want it"
    assert quick.pace.interval_s == quick.pace.longest_s < 0.2
    assert not quick.pace.measured
    slow = supply.model_copy(update={"profile": "korad-ka3005p"})
    assert Known([slow]).expected(slow, 1.0)["psu-a", 1].pace.interval_s > quick.pace.interval_s
