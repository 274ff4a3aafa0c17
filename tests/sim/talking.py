"""Talks to a simulated family without a process: bytes in, bytes out, and a clock that only moves when told to."""

from __future__ import annotations

from benchd.sim.dialects import FAMILIES
from benchd.sim.dialects.base import Dialect, Setup
from benchd.sim.rig import Arrival


class Talk:
    """`say` gives all that the supply sends back. No noise, unless asked for."""

    def __init__(self, family: str, model: str | None = None, serial: str | None = None) -> None:
        self.supply: Dialect = FAMILIES[family](model, serial, Setup(noise_v=0.0, noise_a=0.0))
        self.now_s = 0.0
        self.client = 1
        self._input = bytearray()

    def say(self, sent: bytes) -> bytes:
        self._input += sent
        self.supply.arrival = Arrival(client=self.client)
        replies: list[bytes] = []
        while (message := self.supply.cut(self._input)) is not None:
            replies += self.supply.hear(message, self.now_s).replies
        return b"".join(replies)

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def board(self, kind: str, place: int = 0) -> None:
        self.supply.attach(place, kind, self.now_s)
