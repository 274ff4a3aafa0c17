"""A few kills of real servers; `python -m tests.follow kills 50` is the long form."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.follow import kills

KILLS = 2


@pytest.fixture(autouse=True)
def brief(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short lives, and something to lose in each."""
    monkeypatch.setattr(kills, "LIFE_S", (0.3, 1.0))
    monkeypatch.setattr(kills, "AWAY_S", (0.2, 0.5))
    monkeypatch.setattr(kills, "EVENT_EVERY", 10)


@pytest.mark.needs_influxd
def test_killed_influxd_has_every_point_exactly_once(tmp_path: Path) -> None:
    figures = kills.at_influxd(KILLS, tmp_path, seed=11, settle_s=1.0)
    assert kills.exact(figures), figures


@pytest.mark.needs_victoria
def test_killed_victoria_metrics_has_every_point_exactly_once(tmp_path: Path) -> None:
    # It keeps seconds in memory, but no run of it that is killed here lives for as long as this.
    figures = kills.at_victoria(KILLS, tmp_path, seed=12, settle_s=1.5)
    assert kills.exact(figures), figures
