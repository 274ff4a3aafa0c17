"""A few kills of a real broker; `python -m tests.follow brokers 50` is the long form."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.follow import brokers


@pytest.mark.needs_mosquitto
def test_a_broker_that_is_killed_costs_no_trip_and_no_finding(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(brokers, "LIFE_S", (0.3, 1.0))
    found = brokers.figures(2, tmp_path, seed=11)
    assert found["events"] > 4, found
    assert brokers.exact(found), found
