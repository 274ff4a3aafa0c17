"""When what a server took is settled there: a server that is killed may lose what it took last.

VictoriaMetrics answers before the data is on its disk (a kill -9 loses up to its `-inmemoryDataFlushInterval`, 5 s
by its documentation; tried with 1.79.5), and any server may lose its newest writes with the power. So a cursor is
stored only when some time has passed and the server is still the same run of the program; after a restart the
follower goes back to the stored cursor and sends again what came after it. The points are the same ones.

Which run it is, the server tells with the usual metric `process_start_time_seconds` (Prometheus' client library
guidelines, "Standard and runtime collectors"). One that does not tell is held to have been restarted after each time
that it was away.
"""

from __future__ import annotations

import time
from collections.abc import Awaitable, Callable

SETTLE_S = 20.0
"""Four times the longest that VictoriaMetrics keeps data in memory only, if left at its default."""

Ask = Callable[[], Awaitable[float | None]]
"""When the server's program was started, s since the epoch; None: it does not say. Raises Kept when it is away."""


class ServerRun:
    """Which run of its program a server is, for all streams that go to it."""

    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._asked = self._away = False
        self._started: float | None = None
        self._restarts = 0

    def was_away(self) -> None:
        """It did not answer, or something in between did: it may be another run of it by now."""
        self._away = True

    async def restarts(self, sure: bool = False) -> int:
        """How often it was restarted so far, as far as noticed. It is asked when it was away, and to be `sure`.

        Raises Kept.
        """
        if self._asked and not (self._away or sure):
            return self._restarts
        started = await self._ask()
        first, before, was_away = not self._asked, self._started, self._away
        self._asked, self._started, self._away = True, started, False
        if not first and (was_away if started is None or before is None else started != before):
            self._restarts += 1
        return self._restarts


class Settling:
    """What one stream has at the server, and since when."""

    def __init__(
        self, server: ServerRun, after_s: float = SETTLE_S, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.server, self._after_s, self._clock = server, after_s, clock
        self._restarts: int | None = None
        self._mark: tuple[float, int] | None = None
        """All up to this seq is settled at this time, if the server is the same then."""

    def took(self, seq: int) -> None:
        """It took everything up to here."""
        if self._mark is None:
            self._mark = (self._clock() + self._after_s, seq)

    @property
    def due_in_s(self) -> float | None:
        """Until the next `settled` is worth while; None: nothing waits for it."""
        return None if self._mark is None else max(0.0, self._mark[0] - self._clock())

    async def lost_nothing(self, sure: bool = False) -> bool:
        """Before sending: False when it may have lost what is not settled; said once. Raises Kept."""
        before, self._restarts = self._restarts, await self.server.restarts(sure)
        if before in (None, self._restarts):
            return True
        self._mark = None
        return False

    async def settled(self, newest: int) -> int | None:
        """The seq up to which all is settled by now, `newest` being what it took last; None: it may have lost it.

        Only when due. Raises Kept.
        """
        assert self._mark is not None
        _, seq = self._mark
        if not await self.lost_nothing(sure=True):
            return None
        self._mark = None
        if newest > seq:
            self.took(newest)
        return seq
