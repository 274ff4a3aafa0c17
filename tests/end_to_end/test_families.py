"""Every second family in one daemon, all at once: power on, a board boots, a short, a lost link.

Each family by itself is in tests/supplies. The supplies are simulated by threads of this process, each at its family's
own pace, on the interface that its profile knows; the electrical model's truth decides, not what the daemon says.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from benchd.supplies.pace import Pace
from tests.families import USUAL, Model, Served, profile_of, serving
from tests.running import Running, start, until

VOLTS, AMPS = 4.0, 1.0
PATIENCE_S = 30.0
LONG_S = 3.0
STALE_MS = 5000
"""The slowest family reads once a second and rests for seconds meanwhile."""


class Placed(NamedTuple):
    """A supply of the bench: its name in the settings, and what stands behind it."""

    name: str
    served: Served
    outputs: tuple[int, ...]


LOOK_S = 0.1
"""The bench is looked at this often, by all threads together: each on its own would be a load of another kind."""


class Shop:
    """A daemon and its supplies."""

    def __init__(self, daemon: Running, supplies: list[Placed]) -> None:
        self.daemon = daemon
        self.supplies = supplies
        self._looking = threading.Lock()
        self._looked_s = 0.0
        self._seen: list[dict[str, Any]] = []

    def channel(self, name: str, number: int = 1) -> dict[str, Any]:
        """How a channel stands, not long ago."""
        with self._looking:
            if time.monotonic() > self._looked_s + LOOK_S:
                self._seen = self.daemon.call("GET", "bench")["channels"]
                self._looked_s = time.monotonic()
            return next(each for each in self._seen if (each["supply"], each["channel"]) == (name, number))

    def until(self, name: str, good: Callable[[dict[str, Any]], bool], what: str) -> dict[str, Any]:
        """Wait until output 1 of a supply stands so."""
        ends = time.monotonic() + PATIENCE_S
        while not good(seen := self.channel(name)):
            assert time.monotonic() < ends, f"{name}: waited {PATIENCE_S} s for {what}; seen: {seen}"
            time.sleep(LOOK_S)
        return seen

    def again(self, name: str) -> None:
        """Re-arm, and on; a fresh trip has to rest before it may be re-armed."""
        ends = time.monotonic() + PATIENCE_S
        while self.channel(name)["latched"]:
            assert time.monotonic() < ends, f"{name} cannot be re-armed"
            with contextlib.suppress(OSError):
                self.daemon.call("POST", f"supplies/{name}/channels/1/rearm", {})
            time.sleep(2 * LOOK_S)
        self.on(name)

    def on(self, name: str, number: int = 1) -> None:
        """Switch on. A supply may lose what comes too early, or answer late, on a busy machine: then a second time."""
        served = next(each.served for each in self.supplies if each.name == name)
        try:
            self.daemon.on(name, number)
        except OSError as error:
            if "no reply" not in str(error):
                raise
            assert not served.truth(number).output
            self.daemon.on(name, number)

    def everywhere(self, act: Callable[[Placed], None], supplies: list[Placed] | None = None) -> None:
        """The same at all supplies at once; the first error is raised when all are done."""
        chosen = self.supplies if supplies is None else supplies
        with ThreadPoolExecutor(len(chosen)) as threads:
            done = [threads.submit(act, each) for each in chosen]
        for each in done:
            each.result()


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    folder: Path = tmp_path_factory.mktemp("families")
    with contextlib.ExitStack() as undo:
        supplies = [placed(undo.enter_context(serving(model, pace=1.0)), model) for model in USUAL[::2]]
        began = time.monotonic()
        daemon = start({}, folder, extra=settings(supplies))
        undo.callback(daemon.end)
        guarded(daemon)
        print(f"{len(supplies)} supplies are guarded {time.monotonic() - began:.1f} s after the daemon was started")
        consent(daemon)
        yield Shop(daemon, supplies)


def placed(served: Served, model: Model) -> Placed:
    """On two outputs where the family switches them one by one."""
    profile = profile_of(model)
    two = profile.channels.switch == "each" and len(served.dialect.outputs) > 1
    return Placed(model.family, served, profile.channel_numbers[: 2 if two else 1])


def settings(supplies: list[Placed]) -> str:
    text = f'[[plan]]\nname = "board"\nvoltage_v = {VOLTS}\nlimit_a = {AMPS}\nstale_ms = {STALE_MS}\n'
    for each in supplies:
        text += f'[[supply]]\nname = "{each.name}"\nresource = "{each.served.resource}"\nprofile = "{each.name}"\n'
        text += "reading_interval_ms = 50\n"
        for number in each.outputs:
            text += (
                f'[[supply.channel]]\nnumber = {number}\nmax_voltage_v = 5.0\nmax_limit_a = {AMPS}\nplan = "board"\n'
            )
    return text


def guarded(daemon: Running) -> None:
    """Wait until every output is confirmed off."""
    until(lambda: astray(daemon), lambda channels: not channels, "every output off", PATIENCE_S)


def astray(daemon: Running) -> list[str]:
    """The outputs that are not off."""
    time.sleep(LOOK_S)
    return [
        f"{each['supply']} {each['channel']}: {each['output']} {each['link_text']}"
        for each in daemon.call("GET", "bench")["channels"]
        if not each["link_up"] or each["output"] != "off"
    ]


def consent(daemon: Running) -> None:
    """To every profile that is not verified."""
    for channel in daemon.call("GET", "bench")["channels"]:
        if channel["consent_key"]:
            body = {"key": channel["consent_key"], "who": "a test"}
            daemon.call("POST", f"supplies/{channel['supply']}/consent", body)


def test_a_board_boots_and_its_trace_is_filed_under_the_job(shop: Shop) -> None:
    daemon = shop.daemon
    daemon.call("POST", "jobs", {"id": "R-1", "device": "test device", "board": "test-board"})
    daemon.call("PUT", "bench/job", {"job": "R-1"})

    def boot(each: Placed) -> None:
        each.served.tell("SIM1:BOARD low-stall")
        shop.on(each.name)
        assert each.served.truth(1).output
        shop.until(each.name, lambda seen: abs((seen["voltage_v"] or 0.0) - VOLTS) < 0.2, "4 V")
        each.served.tell("SIM1:BUTTON")
        shop.until(each.name, lambda seen: (seen["current_a"] or 0.0) > 0.03, "a current")
        time.sleep(2.0)
        daemon.off(each.name)
        assert not each.served.truth(1).output

    shop.everywhere(boot)
    rows = until(
        lambda: daemon.call("GET", "traces?job=R-1&limit=100")["traces"],
        lambda rows: {row["supply"] for row in rows} == {each.name for each in shop.supplies},
        "a trace of every supply",
    )
    assert all(row["channel"] == 1 for row in rows)


def test_a_dead_short_trips_and_the_other_output_stays_on(shop: Shop) -> None:
    daemon = shop.daemon

    def short(each: Placed) -> None:
        other = len(each.outputs) > 1 and pace(each).prepare_s < LONG_S
        if other:
            each.served.tell(f"SIM{each.outputs[1]}:BOARD leak-only")
            shop.on(each.name, each.outputs[1])
        each.served.tell("SIM1:BOARD dead-short")
        shop.on(each.name)
        seen = shop.until(each.name, lambda seen: seen["latched"] and seen["output"] == "off", "a trip")
        assert not each.served.truth(1).output, each.name
        assert seen["trip"]["rule"] in ("short", "over-current"), seen
        assert seen["trip"]["off_confirmed"], seen
        # Joule's law: the limit squared, 0.2 ohms, and as long as the slowest family needs to tell and to act.
        assert 0 < seen["trip"]["let_through_j"] < AMPS**2 * 0.25 * 10, seen
        if other:
            assert each.served.truth(each.outputs[1]).output, each.name
            assert shop.channel(each.name, each.outputs[1])["output"] == "on"
            daemon.off(each.name, each.outputs[1])
            assert not each.served.truth(each.outputs[1]).output, each.name
        each.served.tell("SIM1:BOARD NONE")

    shop.everywhere(short)


def test_a_supply_that_is_lost_while_on_is_unknown_and_is_switched_off_first_thing(shop: Shop) -> None:
    """On a network its port is closed; on a serial line it says nothing any more, and OFF may still arrive."""
    daemon = shop.daemon

    def lose(each: Placed) -> None:
        shop.again(each.name)
        assert each.served.truth(1).output
        # While it was being switched on it was `unknown` as well, and what is looked at here lags a little.
        shop.until(each.name, lambda seen: seen["output"] == "on", "on")
        each.served.tell("SIM:FAULT SILENT,1000000" if each.served.serial else "SIM:FAULT CLOSE")
        if each.served.serial:
            shop.until(each.name, lambda seen: seen["output"] == "unknown", "unknown")
        else:
            shop.until(each.name, lambda seen: seen["output"] == "unknown" and not seen["link_up"], "unknown, no link")
            assert each.served.truth(1).output
        before = each.served.offs()
        each.served.tell("SIM:FAULT NONE")
        shop.until(each.name, lambda seen: seen["link_up"] and seen["output"] == "off", "off")
        assert not each.served.truth(1).output, each.name
        if not each.served.serial:
            until(each.served.offs, lambda offs: offs > before, f"{each.name}: OFF")
            assert each.served.said_before_off(before) == 0, f"{each.name}: something was asked before OFF"

    shop.everywhere(lose, brisk(shop))
    kinds = {entry["kind"] for entry in daemon.call("GET", "journal?limit=500")["entries"]}
    assert "link" in kinds or "trip" in kinds


def test_one_dead_and_one_hanging_supply_do_not_slow_the_others(shop: Shop) -> None:
    daemon = shop.daemon
    quick = [each for each in shop.supplies if not each.served.serial and pace(each).round_s < 0.05]
    dead, hanging, *others = quick

    def rates() -> dict[str, float]:
        time.sleep(1.5)
        return {each.name: daemon.channel(each.name)["rate_per_s"] for each in others}

    alone = rates()
    dead.served.tell("SIM:FAULT CLOSE")
    hanging.served.tell("SIM:FAULT SILENT,1000000")
    try:
        daemon.until(dead.name, link_up=False)
        beside = rates()
    finally:
        dead.served.tell("SIM:FAULT NONE")
        hanging.served.tell("SIM:FAULT NONE")
    print({name: f"{alone[name]:.1f} -> {beside[name]:.1f} readings/s" for name in alone})
    assert all(beside[name] > 0.6 * alone[name] for name in alone), (alone, beside)
    guarded(daemon)


def brisk(shop: Shop) -> list[Placed]:
    """Without those that take many seconds for one power-on: they have shown by now that they are waited for."""
    return [each for each in shop.supplies if pace(each).prepare_s < LONG_S]


def pace(each: Placed) -> Pace:
    return Pace.of(profile_of(each.served.model), len(each.outputs), each.served.serial)


def test_the_daemon_ends_with_every_output_off(shop: Shop) -> None:
    def leave_on(each: Placed) -> None:
        shop.again(each.name)
        assert each.served.truth(1).output

    shop.everywhere(leave_on, brisk(shop))
    assert shop.daemon.end() == 0, shop.daemon.errors()[-3000:]
    assert [each.name for each in shop.supplies if each.served.truth(1).output] == []
