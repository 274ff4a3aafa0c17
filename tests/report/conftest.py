from __future__ import annotations

import pytest

from benchd.report.gather import Gathered
from tests.report.making import EVIL, read_job, whole_job


@pytest.fixture(scope="session")
def job(tmp_path_factory: pytest.TempPathFactory) -> Gathered:
    """A whole job."""
    path = tmp_path_factory.mktemp("report") / "benchd.sqlite"
    whole_job(path)
    return read_job(path)


@pytest.fixture(scope="session")
def evil(tmp_path_factory: pytest.TempPathFactory) -> Gathered:
    """The same, but that everybody typed markup."""
    path = tmp_path_factory.mktemp("evil") / "benchd.sqlite"
    whole_job(path, EVIL)
    return read_job(path)
