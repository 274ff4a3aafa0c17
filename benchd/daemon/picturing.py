"""Pictures of filed traces, for the API."""

from __future__ import annotations

import asyncio
from pathlib import Path

from benchd.daemon.comparing import Comparing
from benchd.daemon.core import Core
from benchd.store.log import Log, TraceRow
from benchd.store.reference_rows import band_for
from benchd.traces.band import Band
from benchd.traces.cards import Shelf
from benchd.traces.picture_look import Kind
from benchd.traces.trace import Trace
from benchd.web.port import Refused


class Picturing(Comparing):
    """The part of `BenchPort` that draws."""

    def __init__(self, core: Core, log_path: Path) -> None:
        super().__init__(core, log_path)
        # The plot library keeps its settings for the whole process; and pictures, one after the other, leave the
        # threads that everything else is read in.
        self._drawing = asyncio.Lock()

    async def picture(self, trace: str, kind: Kind) -> bytes:
        """See `BenchPort.picture`."""

        def look(db: Log) -> tuple[TraceRow, Trace, Band | None]:
            row, whole = db.trace(trace), db.whole_trace(trace)
            if row is None or whole is None:
                raise Refused("not-found", f"trace {trace!r} is not in the log")
            return row, whole, band_for(db, row, self._bands)

        # Read when it is its turn: a hundred that wait need no memory for their readings.
        async with self._drawing:
            found = await self.read(look)
            # The cards too are read in the thread, not in the event loop.
            return await asyncio.to_thread(lambda: drawn(*found, kind, self._core.cards.shelf()))


def drawn(row: TraceRow, trace: Trace, band: Band | None, kind: Kind, cards: Shelf | None = None) -> bytes:
    """The picture of a filed trace as a file's content, with its finding as read today by these cards; `band`: of its
    board's references. For any thread."""
    from benchd.traces.divergence import first_divergence
    from benchd.traces.filed import read_anew
    from benchd.traces.picture import Pictured, scene
    from benchd.traces.picture_draw import picture
    from benchd.traces.signatures import read_trace

    now = read_trace(trace, cards, band)
    told = read_anew(row.finding, now.signature, now.confidence, band)
    pictured = Pictured(row.id, trace, now, f"job {row.job}" if row.job else "", told)
    divergence = first_divergence(trace, band) if band is not None else None
    return picture(scene(pictured.title, [pictured], band, divergence), kind)
