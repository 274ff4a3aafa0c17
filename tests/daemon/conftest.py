from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.store.log import Log
from tests.daemon.making import ACCURACY, FakeGuard, FakeWriter, settings


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        yield log


@pytest.fixture
def writer(log: Log) -> FakeWriter:
    return FakeWriter(log)


@pytest.fixture
def core(writer: FakeWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Core:
    monkeypatch.setattr("benchd.daemon.filing.GRACE_S", 0.0)
    accuracies = {("psu-a", n): ACCURACY for n in (1, 2)}
    # A folder of its own: plans are saved there.
    return Core(settings(data_dir=str(tmp_path)), accuracies, writer, None)  # type: ignore[arg-type]


@pytest.fixture
def guard(core: Core) -> FakeGuard:
    guard = FakeGuard(core)
    core.guard = guard  # type: ignore[assignment]
    return guard


@pytest.fixture
def bench(core: Core, guard: FakeGuard, log: Log) -> Bench:
    return Bench(core, log.path)
