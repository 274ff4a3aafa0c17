"""Taking devices in, searching jobs, states of a repair, photos, labels."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core


class RecordDesk:
    """Implements `benchd.web.record_port.RecordPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
