"""Each way to damage a file once; `python -m tests.crash damage 400` takes its time."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.crash import damage


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return damage.make(tmp_path_factory.mktemp("made"))


@pytest.mark.parametrize("how", damage.WAYS)
def test_a_damaged_log_is_found_out_and_repaired(kept: Path, tmp_path: Path, how: str) -> None:
    outcome = damage.once(kept, tmp_path, 7, how)
    assert outcome.failure == "", outcome
    assert outcome.rows_after >= 0.4 * outcome.rows_before, outcome
