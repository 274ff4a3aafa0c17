"""Makes cases and reads them, on all cores; keeps made cases on disk where it is told to."""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import os
import pickle
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TypeVar

import benchd.sim
import tests.corpus
from benchd.traces.band import Band, BandError
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Finding
from tests.corpus.cases import held_out, make, sort_of
from tests.corpus.draw import Case

Task = tuple[int, Path | None]
"""A case's number, and the folder where made cases are kept."""
Of = TypeVar("Of")

READERS = {"run.py", "score.py", "report.py", "fit.py", "__main__.py"}
"""Files that have no say in how a case is made."""


@dataclasses.dataclass(frozen=True)
class Result:
    """How one case was read."""

    number: int
    sort: str
    truth: str
    accept: frozenset[str]
    reason: str
    rate: float
    """Readings per s."""
    signature: str
    confidence: float

    @property
    def right(self) -> bool:
        return self.signature in self.accept

    @property
    def exact(self) -> bool:
        """Named as it was made."""
        return self.signature == self.truth

    @property
    def held_out(self) -> bool:
        return held_out(self.number)


def read(case: Case) -> Finding:
    """The finding, with the case's references where it has some."""
    try:
        band = Band.of(case.references) if case.references else None
    except BandError:
        band = None  # references that make no band are refused with a word; what is left is the trace
    return read_trace(case.trace, band=band)


def judged(number: int, case: Case) -> Result:
    """Read one case."""
    finding = read(case)
    return Result(
        number,
        sort_of(number),
        case.truth,
        case.accept,
        case.reason,
        case.rate,
        finding.signature,
        finding.confidence,
    )


@functools.cache
def sources_id() -> str:
    """Of everything that a case is made with: kept cases are good for these sources only."""
    files = [f for package in (tests.corpus, benchd.sim) for f in sorted(Path(package.__path__[0]).glob("*.py"))]
    makers = [f for f in files if f.name not in READERS and not f.name.startswith("test_")]
    return hashlib.sha256(b"".join(f.read_bytes() for f in makers)).hexdigest()[:12]


def case_of(number: int, keep: Path | None) -> Case:
    """The case of this number, from the disk where it is kept there."""
    if keep is None:
        return make(number)
    path = keep / f"{sources_id()}-{number}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())  # type: ignore[no-any-return]
    case = make(number)
    with tempfile.NamedTemporaryFile(dir=keep, delete=False) as file:
        file.write(pickle.dumps(case))
    os.replace(file.name, path)
    return case


def _one(task: Task) -> Result:
    number, keep = task
    return judged(number, case_of(number, keep))


def each(numbers: Iterable[int], work: Callable[[Task], Of], keep: Path | None, workers: int) -> list[Of]:
    """`work` on every number, in processes of their own."""
    tasks = [(n, keep) for n in numbers]
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
    if workers < 2:
        return [work(task) for task in tasks]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(work, tasks, chunksize=8))


def run(numbers: Iterable[int], keep: Path | None = None, workers: int = os.cpu_count() or 1) -> list[Result]:
    """Make and read these cases."""
    return each(numbers, _one, keep, workers)
