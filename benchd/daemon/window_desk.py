"""Parts of a trace at the width of a screen: zoom to the reading, no spike lost."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core


class WindowDesk:
    """Implements `benchd.web.window_port.WindowPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
