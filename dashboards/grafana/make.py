"""Makes the dashboards' files beside this one. They are checked in; the tests fail when they are out of date.

python -m dashboards.grafana.make        with the extra `test` installed (grafana-foundation-sdk), in the checkout
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path

from grafana_foundation_sdk.builders.dashboard import Dashboard
from grafana_foundation_sdk.cog.encoder import JSONEncoder

from dashboards.grafana.boards import all_benches, one_bench, one_job
from dashboards.grafana.influxql import Influxql
from dashboards.grafana.metricsql import Metricsql
from dashboards.grafana.tongue import Tongue

FOLDER = Path(__file__).resolve().parent
BOARDS: dict[str, Callable[[Tongue], Dashboard]] = {"bench": one_bench, "job": one_job, "benches": all_benches}
TONGUES: tuple[Tongue, ...] = (Influxql(), Metricsql())


def text(make: Callable[[Tongue], Dashboard], tongue: Tongue) -> str:
    """A dashboard as its file."""
    board = make(tongue).build()
    for number, panel in enumerate(board.panels or (), start=1):
        # Numbers of their own: else they are given where it is loaded, and no link to a panel stays.
        panel.id_val = number
    return json.dumps(board, cls=JSONEncoder, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def files() -> dict[Path, Callable[[], str]]:
    """Each file, and what it has to hold."""
    return {
        FOLDER / f"{name}.{tongue.name}.json": functools.partial(text, make, tongue)
        for name, make in BOARDS.items()
        for tongue in TONGUES
    }


if __name__ == "__main__":
    for path, made in files().items():
        path.write_text(made(), "utf-8")
        print(path.relative_to(FOLDER))
