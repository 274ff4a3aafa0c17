"""A supply in memory with a load on it, for the sampler's tests: what it does wrong is set by attributes."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from benchd.guard.arrays import Array
from benchd.guard.rules import Resolution
from benchd.guard.sampler import SupplyThread
from benchd.guard.wire import ChannelConfig, Met, Report, SupplyConfig
from benchd.reading import Flag, Mode, OutputState, Reading, SenseAt
from benchd.supplies.adjusting import Drift
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkLost, ReplyLate, SupplyError
from benchd.supplies.off import OffOutcome
from benchd.supplies.pace import Pace


class FakeSupply:
    """Two channels; each draws `load_a[channel]` at its set voltage, or is shorted."""

    def __init__(self) -> None:
        self.on = {1: False, 2: False}
        self.set_v = {1: 0.0, 2: 0.0}
        self.limit_a = {1: 0.0, 2: 0.0}
        self.load_a = {1: 0.1, 2: 0.1}
        self.fed_v = {1: 0.0, 2: 0.0}
        """What another source holds at its terminals while it is off."""
        self.shorted: set[int] = set()
        self.deaf = False
        """OFF is ignored."""
        self.late = False
        """No query is answered in time."""
        self.lost = False
        self.refuses = ""
        self.most_v = 30.0
        """Its range."""
        self.wont_start = False
        self.blocked: threading.Event | None = None
        """Reading waits for this event."""
        self.earlier: list[tuple[int, str]] = []
        self.queue: list[tuple[int, str]] = []
        self.calls: list[tuple[str, int]] = []
        self.on_prepare: Callable[[], None] = lambda: None
        self.on_adjust: Callable[[], None] = lambda: None
        self.dead_but_says_on: set[int] = set()
        self.drifted: Drift | None = None
        self.own_trips: list[str] = []
        self.tells = True
        self.second: tuple[float | None, float | None] = (None, None)
        self.between: Callable[[], None] = lambda: None

    def _exchange(self, what: str, channel: int) -> None:
        self.calls.append((what, channel))
        if self.lost:
            raise LinkLost("fake", "closed by the other side")
        if self.late:
            raise ReplyLate("fake", "no reply", what)

    def prepare(
        self,
        channel: int,
        voltage_v: float,
        limit_a: float,
        over_voltage_v: float | None = None,
        over_current_delay_s: float | None = None,
        watchdog_s: float | None = None,
        sense: SenseAt = "",
    ) -> tuple[str, ...]:
        self._exchange("prepare", channel)
        self.on_prepare()
        self.between()
        if self.refuses:
            raise SupplyError(self.refuses)
        self.on[channel] = False
        self.set_v[channel], self.limit_a[channel] = voltage_v, limit_a
        self.second = (over_current_delay_s, watchdog_s)
        return ("over-current after a while",) if over_current_delay_s is not None else ()

    def check_settings(self, channel: int, voltage_v: float, limit_a: float) -> None:
        if voltage_v > self.most_v:
            raise SupplyError(f"asked for a voltage of {voltage_v} V; allowed 0 to {self.most_v} V. Nothing was sent")

    def adjust(self, channel: int, voltage_v: float, limit_a: float) -> None:
        self._exchange("adjust", channel)
        self.on_adjust()
        self.between()
        if self.refuses:
            raise SupplyError(self.refuses)
        self.set_v[channel], self.limit_a[channel] = voltage_v, limit_a

    def drift(self, channel: int) -> Drift | None:
        self._exchange("drift", channel)
        return self.drifted

    def tripped(self, channel: int) -> list[str]:
        self._exchange("tripped", channel)
        return self.own_trips

    def tells_trips(self, channel: int) -> bool:
        return self.tells

    def output_on(self, channel: int) -> None:
        self._exchange("output_on", channel)
        self.on[channel] = True
        if self.wont_start:
            raise SupplyError("asked OUTP ON, came back 0")

    def send_off(self, channel: int) -> None:
        self.calls.append(("send_off", channel))
        if self.lost:
            raise LinkLost("fake", "closed by the other side")
        if not self.deaf:
            self.on[channel] = False

    def off_at_once(self) -> None:
        for channel in self.on:
            self.send_off(channel)

    def output_state(self, channel: int) -> bool:
        self._exchange("output_state", channel)
        return self.on[channel]

    def read(self, channel: int) -> Reading:
        self._exchange("read", channel)
        if self.blocked is not None:
            self.blocked.wait(10)
        time.sleep(0.0005)
        if not self.on[channel] or channel in self.dead_but_says_on:
            voltage, current, mode = self.fed_v[channel], 0.0, Mode.OFF
        elif channel in self.shorted:
            voltage, current, mode = 0.2 * self.limit_a[channel], self.limit_a[channel], Mode.CC
        else:
            voltage, current, mode = self.set_v[channel], self.load_a[channel], Mode.CV
        return Reading(now_ns(), voltage, current, mode, Flag.NONE, 250_000)

    def earlier_errors(self) -> list[tuple[int, str]]:
        found, self.earlier = self.earlier, []
        return found

    def errors(self) -> list[tuple[int, str]]:
        self._exchange("errors", 0)
        found, self.queue = self.queue, []
        return found


class FakeOpened:
    """The fake as `opening.OpenSupply` would hand it over."""

    identity = "fake"
    met = Met("fake", "fake", "simulated", (), "", "", "", "", "")
    protects_over_voltage = False

    def __init__(self, supply: FakeSupply) -> None:
        self.supply = supply
        self.closed = False

    pace = Pace(0.0, 0.0, 0.5)

    def arrays(self) -> dict[int, Array]:
        return {}

    def resolution(self, channel: int) -> Resolution:
        return Resolution()

    def confirm_off(self, channel: int, deadline_s: float) -> OffOutcome:
        supply = self.supply
        readings: list[Reading] = []
        try:
            for _ in range(3):
                if not supply.output_state(channel):
                    readings.append(supply.read(channel))
                    return OffOutcome(OutputState.OFF, now_ns(), "0.0 mA", readings)
                supply.send_off(channel)
                supply.between()
        except (LinkLost, ReplyLate) as error:
            return OffOutcome(OutputState.UNKNOWN, None, str(error), readings)
        return OffOutcome(OutputState.UNKNOWN, None, "still on", readings)

    def reconnect(self) -> str:
        self.supply.calls.append(("reconnect", 0))
        if self.supply.lost:
            raise LinkLost("fake", "refused")
        return self.identity

    def news(self) -> str:
        return ""

    def close(self) -> None:
        self.closed = True


class Bench:
    """A `SupplyThread` on a fake supply, with what it reported. Ends the thread on leaving."""

    def __init__(
        self,
        supply: FakeSupply | None = None,
        channels: tuple[int, ...] = (1, 2),
        rearm_pause_s: float = 0.0,
        rearm_per_minute: int = 60,
        **options: object,
    ) -> None:
        self.fake = supply or FakeSupply()
        self.opened = FakeOpened(self.fake)
        self.reports: list[Report] = []
        config = SupplyConfig(
            "bench",
            "fake",
            "fake",
            tuple(ChannelConfig(number, 20.0, 3.0) for number in channels),
            reading_interval_s=0.002,
            **options,  # type: ignore[arg-type]
        )
        self.open_errors: list[Exception] = []
        self.thread = SupplyThread(
            config,
            self._open,
            self.reports.append,
            rearm_pause_s=rearm_pause_s,
            rearm_per_minute=rearm_per_minute,
        )

    def _open(self, config: SupplyConfig) -> FakeOpened:
        if self.open_errors:
            raise self.open_errors.pop(0)
        return self.opened

    def __enter__(self) -> Bench:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        from benchd.guard.waiting import End

        if self.fake.blocked is not None:
            self.fake.blocked.set()
        self.thread.post(End())
        self.thread.join(5)
        assert not self.thread.is_alive()

    def of(self, kind: type) -> list:
        return [report for report in self.reports if isinstance(report, kind)]

    def wait(self, what: Callable[[], object], within_s: float = 5.0) -> object:
        """Poll until `what()` is true; its value."""
        deadline = time.monotonic() + within_s
        while not (value := what()):
            assert time.monotonic() < deadline, f"not within {within_s} s; reports: {self.reports}"
            time.sleep(0.002)
        return value
