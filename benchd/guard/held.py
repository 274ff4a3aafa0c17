"""What the guard needs of a supply that it holds. Types only: real ones are in `opening.py`, fakes in the tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchd.guard.arrays import Array
from benchd.guard.rules import Resolution
from benchd.guard.wire import Met
from benchd.reading import Reading, SenseAt
from benchd.supplies.adjusting import Drift
from benchd.supplies.off import OffOutcome
from benchd.supplies.pace import Pace


class GuardedSupply(Protocol):
    """What the guard needs of `benchd.supplies.supply.Supply`; a fake in the tests has the same."""

    between: Callable[[], None]

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
        """Returns what the supply protects by itself now, for people."""
        ...

    def check_settings(self, channel: int, voltage_v: float, limit_a: float) -> None: ...
    def adjust(self, channel: int, voltage_v: float, limit_a: float) -> None: ...
    def drift(self, channel: int) -> Drift | None: ...
    def tripped(self, channel: int) -> list[str]: ...
    def tells_trips(self, channel: int) -> bool: ...
    def output_on(self, channel: int) -> None: ...
    def send_off(self, channel: int) -> None: ...
    def off_at_once(self) -> None: ...
    def output_state(self, channel: int) -> bool: ...
    def read(self, channel: int) -> Reading: ...
    def errors(self) -> list[tuple[int, str]]: ...
    def earlier_errors(self) -> list[tuple[int, str]]: ...


class Opened(Protocol):
    """A supply that is open and locked, with what the guard wants to know of it (see `opening.py`)."""

    @property
    def supply(self) -> GuardedSupply: ...
    @property
    def identity(self) -> str: ...
    @property
    def met(self) -> Met:
        """Who answers, by which profile, and the consent that takes."""
        ...

    @property
    def protects_over_voltage(self) -> bool:
        """True: the supply has an over-voltage protection of its own that `prepare` can set."""
        ...

    @property
    def pace(self) -> Pace:
        """How long it takes for things."""
        ...

    def arrays(self) -> dict[int, Array]:
        """The arrays of readings that its channels have, by channel number."""
        ...

    def resolution(self, channel: int) -> Resolution: ...
    def confirm_off(self, channel: int, deadline_s: float) -> OffOutcome: ...
    def reconnect(self) -> str: ...
    def news(self) -> str:
        """A sentence that the operator must see, once; empty where there is none."""
        ...

    def close(self) -> None: ...
