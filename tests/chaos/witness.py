"""Compares all the time what the daemon tells its pages with what the simulated supply really does."""

from __future__ import annotations

import contextlib
import json
import threading
import time
from typing import Any

from websockets.exceptions import ConnectionClosed, WebSocketException
from websockets.sync.client import ClientConnection, connect

from tests.simulated import SimulatedSupply

LOOK_S = 0.01


class Witness:
    """Watches channel 1 of one supply, in a thread of its own, as a page does that is open all the time.

    `told`: the output as the daemon said last; None when there is no daemon to say anything. `warnings`: what the page
    shows. `lies`: each time that the output was on while `off` was told, though nobody was just switching it on.
    """

    def __init__(self, sim: SimulatedSupply, supply: str) -> None:
        self._sim = sim
        self._supply = supply
        self._control = sim.another_control()
        self._url: str | None = None
        self._live: ClientConnection | None = None
        self._undo = contextlib.ExitStack()
        self.told: str | None = None
        self.warnings: list[str] = []
        self.lies: list[str] = []
        self.switching_on = False
        self.early_s = 0.0
        """The longest that `off` was still told while an output that was asked for was on already."""
        self._since_s: float | None = None
        self._counted = False
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="witness", daemon=True)
        self._thread.start()

    def follow(self, url: str | None) -> None:
        """Listen to the daemon at this address from now on; None: there is none."""
        self._url = url

    def alive(self) -> bool:
        """Whether it still watches."""
        return self._thread.is_alive()

    def close(self) -> None:
        """End the thread."""
        self._ended = True
        self._thread.join()
        self._control.close()

    def _run(self) -> None:
        followed = None
        try:
            while not self._ended:
                if self._url != followed:
                    self._hang_up()
                    followed = self._url
                self._look()
        finally:
            self._hang_up()

    def _look(self) -> None:
        before, asked_before = self.told, self.switching_on
        began_s = time.monotonic()
        on = self._sim.truth(1, self._control).output
        self._listen()
        if not (on and before == self.told == "off"):
            self._since_s, self._counted = None, False
            return
        if self._since_s is None:
            self._since_s = began_s
        if asked_before or self.switching_on:
            self.early_s = max(self.early_s, time.monotonic() - self._since_s)
        elif not self._counted:
            self._counted = True
            self.lies.append("`off` was told while the output was on")

    def _listen(self) -> None:
        """Take in what the daemon tells within LOOK_S."""
        if self._live is None and self._url is not None:
            with contextlib.suppress(OSError, WebSocketException, TimeoutError):
                address = self._url.replace("http", "ws", 1) + "/api/v1/live"
                live = connect(address, open_timeout=1, close_timeout=0.2, max_size=None)
                self._live = self._undo.enter_context(live)
        if self._live is None:
            time.sleep(LOOK_S)
            return
        ends_s = time.monotonic() + LOOK_S
        try:
            while (left_s := ends_s - time.monotonic()) > 0:
                self._take(json.loads(self._live.recv(left_s)))
        except TimeoutError:
            pass
        except ConnectionClosed:
            self._hang_up()

    def _hang_up(self) -> None:
        self.told = None
        self._live = None
        with contextlib.suppress(OSError, WebSocketException):
            self._undo.close()

    def _take(self, message: dict[str, Any]) -> None:
        if message["type"] == "bench":
            self.warnings = message["warnings"]
            found = [c["output"] for c in message["channels"] if (c["supply"], c["channel"]) == (self._supply, 1)]
            self.told = found[0]
        elif message["type"] == "event" and message["kind"] == "output":
            payload = message["payload"]
            if (payload["supply"], payload["channel"]) == (self._supply, 1):
                self.told = payload["output"]
