"""What people ask of past traces: references, one trace beside another, the nearest; and bands for what is filed."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import msgspec

from benchd.daemon.core import Core
from benchd.daemon.records import Records
from benchd.store.descriptor_rows import described, keep_row, nearest_to, undescribed
from benchd.store.log import Log
from benchd.store.reference_rows import (
    Bands,
    Checked,
    Reference,
    ReferenceFault,
    band_for,
    check_reference,
    keep_reference,
    reference,
    references,
    remove_reference,
)
from benchd.traces.against import Against, against
from benchd.traces.align import curve_of
from benchd.traces.band import Band
from benchd.traces.comparison import Comparison, compare
from benchd.traces.features import extract
from benchd.traces.nearest import Row
from benchd.traces.trace import Mark
from benchd.web.port import BandView, Nearest, NearTrace, Refused

DESCRIBED_AT_ONCE = 50
"""So many traces that an earlier version filed are described for one search: a second or two."""


class Comparing(Records):
    """The part of `BenchPort` that compares traces. Reads and works in threads, writes through the log's writer."""

    def __init__(self, core: Core, log_path: Path) -> None:
        super().__init__(core, log_path)
        self._bands = Bands()

    async def references(self, board: str | None) -> list[Reference]:
        """See `BenchPort.references`."""
        return await self.read(lambda db: references(db, board))

    async def add_reference(self, trace: str, board: str, note: str, by: str = "") -> tuple[Reference, str]:
        """See `BenchPort.add_reference`."""

        def check(db: Log) -> Checked:
            if db.trace(trace) is None:
                raise _no_trace(trace)
            try:
                return check_reference(db, trace, board, note)
            except ReferenceFault as e:
                raise Refused("out-of-range", str(e)) from None

        checked = await self.read(check)
        kept = await self.write(lambda db: keep_reference(db, checked, by))
        self._core.event("journal", {"job": checked.row.job})
        return kept, checked.doubt

    async def remove_reference(self, trace: str, by: str = "") -> Reference:
        """See `BenchPort.remove_reference`."""
        if await self.read(lambda db: reference(db, trace)) is None:
            raise Refused("not-found", f"trace {trace!r} is no reference")
        try:
            gone = await self.write(lambda db: remove_reference(db, trace, by))
        except ReferenceFault as e:  # somebody else was quicker
            raise Refused("not-found", str(e)) from None
        self._core.event("journal", {"job": None})
        return gone

    async def compare(self, trace: str, earlier: str | None) -> Comparison:
        """See `BenchPort.compare`."""

        def work(db: Log) -> Comparison:
            other = earlier if earlier is not None else _before(db, trace)
            wholes = {id: db.whole_trace(id) for id in (other, trace)}
            for id, whole in wholes.items():
                if whole is None:
                    raise _no_trace(id)
            first, second = wholes[other], wholes[trace]
            assert first is not None
            assert second is not None
            rows = db.trace(other), db.trace(trace)
            one, two = (band_for(db, row, self._bands) if row is not None else None for row in rows)
            return compare(first, second, self._core.cards.shelf(), (one, two))

        return await self.read(work)

    async def band(self, trace: str) -> BandView:
        """See `BenchPort.band`."""

        def work(db: Log) -> BandView:
            row, whole = db.trace(trace), db.whole_trace(trace)
            if row is None or whole is None:
                raise _no_trace(trace)
            band = band_for(db, row, self._bands)
            if band is None:
                return BandView(0, "there are no references for its board; `benchd reference add` makes one")
            f = extract(whole)
            curve = curve_of(whole, f)
            return _view(band, against(whole, band, f), curve.zero_s if curve is not None else 0.0)

        return await self.read(work)

    async def nearest(self, trace: str, count: int, board: str | None) -> Nearest:
        """See `BenchPort.nearest`."""

        def describe_some(db: Log) -> tuple[list[Described], int]:
            if db.trace(trace) is None:
                raise _no_trace(trace)
            waiting = undescribed(db)
            # The one that is asked about first: without it there is nothing to look for.
            waiting.sort(key=lambda id: id != trace)
            some = [(row, id) for id in waiting[:DESCRIBED_AT_ONCE] if (row := db.trace(id)) is not None]
            return [Described(id, row.marks, described(db, id)) for row, id in some], len(waiting)

        made, waiting = await self.read(describe_some)
        if made:
            await self.write(lambda db: keep_described(db, made))

        def look(db: Log) -> list[NearTrace]:
            row = described(db, trace)
            if row is None:
                raise Refused("wrong-state", f"trace {trace!r}: its output never was on, there is nothing to look for")
            near = ((one, db.trace(one.trace)) for one in nearest_to(db, row, count, [trace], board))
            return [NearTrace(found, one.distance_a) for one, found in near if found is not None]

        return Nearest(await self.read(look), max(waiting - len(made), 0))


class Described(NamedTuple):
    """What describes a trace, with the marks that it was measured by."""

    trace: str
    marks: list[Mark]
    row: Row | None


def keep_described(db: Log, made: list[Described]) -> None:
    """Keep what describes traces, but for those that were marked since. Raises LogError."""
    with db.transaction(durable=False) as connection:
        for one in made:
            now = db.trace(one.trace)
            # Somebody may have set a mark meanwhile: then it is described anew when it is next looked for.
            if now is not None and now.marks == one.marks:
                keep_row(connection, one.trace, one.row)


def _before(db: Log, trace: str) -> str:
    """The trace before this one of the same job."""
    row = db.trace(trace)
    if row is None:
        raise _no_trace(trace)
    if row.job is None:
        raise Refused("wrong-state", f"trace {trace!r} belongs to no job: say which trace to compare it with")
    earlier = [t for t in db.traces(job=row.job) if t.start_ns < row.start_ns]
    if not earlier:
        raise Refused("wrong-state", f"job {row.job} has no trace before {trace}: say which one to compare it with")
    return earlier[0].id


def _no_trace(trace: str) -> Refused:
    return Refused("not-found", f"trace {trace!r} is not in the log")


def _view(band: Band, found: Against, zero_s: float) -> BandView:
    return BandView(
        found.references,
        found.why_not,
        found.compared_s,
        found.similarity,
        found.divergence,
        [float(t) for t in band.t_s + zero_s],
        band.mean_a.tolist(),
        band.low_a.tolist(),
        band.high_a.tolist(),
        {
            name: msgspec.to_builtins(ratio)
            for name, ratio in (("busy", found.busy), ("settled", found.settled))
            if ratio is not None
        },
    )
