"""Plans, cards, checklists and supplies, edited on the page and written back to their files."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core


class FilesDesk:
    """Implements `benchd.web.files_port.FilesPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
