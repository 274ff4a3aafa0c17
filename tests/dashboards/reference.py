"""The list of the daemon's figures in dashboards/prometheus/README.md, made from what a daemon tells.

python -m tests.dashboards.reference     writes it; a test fails when it is out of date
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from prometheus_client.parser import text_string_to_metric_families

from benchd.daemon.core import Core
from benchd.daemon.metrics import Metrics
from benchd.guard.wire import Health
from benchd.store.log import Log
from tests.daemon.making import ACCURACY, FakeGuard, FakeWriter, past, readings, settings

README = Path(__file__).resolve().parents[2] / "dashboards" / "prometheus" / "README.md"
BEGIN, END = "<!-- figures: made by `python -m tests.dashboards.reference` -->\n", "<!-- end of figures -->\n"


def told() -> str:
    """The figures of a bench that has something to say of everything."""
    with tempfile.TemporaryDirectory() as folder, Log.open(Path(folder) / "benchd.sqlite") as log:
        writer = FakeWriter(log)
        room = {"file_bytes": 1, "free_bytes": 1}
        plain = writer.health
        writer.health = lambda: type(plain())(plain() | room)  # type: ignore[method-assign]
        accuracies = {("psu-a", number): ACCURACY for number in (1, 2)}
        core = Core(settings(data_dir=folder), accuracies, writer, None)  # type: ignore[arg-type]
        core.guard = FakeGuard(core)  # type: ignore[assignment]
        core.on_report(readings(past(10), [0.1] * 30))
        core.on_report(Health("psu-a", 1, past(0), 50, 20.0, 0.4, 31.0, 2.5, 0.2))
        health = {"state": "ok", "backlog": 1, "rejected": 0, "last_ok_ns": 1, "lag_s": 0.5}
        core.followers["influxdb"] = lambda: health
        return Metrics(core).text("")[0].decode()


def table() -> str:
    """A row a figure, as Markdown."""
    lines = ["| figure | kind | labels | what it is |", "| --- | --- | --- | --- |"]
    for family in text_string_to_metric_families(told()):
        if not family.name.startswith("benchd_") or family.name.startswith("benchd_guard_process"):
            continue  # of processes: by the library
        name = family.name + ("_total" if family.type == "counter" else "")
        assert family.samples, f"{name}: nothing was told"
        labels = ", ".join(label for label in family.samples[0].labels if label != "bench")
        lines.append(f"| `{name}` | {family.type} | {labels} | {family.documentation} |")
    return "\n".join(lines) + "\n"


def text() -> str:
    """The file, with the list made anew."""
    head, _, rest = README.read_text("utf-8").partition(BEGIN)
    assert END in rest
    return head + BEGIN + "\n" + table() + "\n" + END + rest.partition(END)[2]


if __name__ == "__main__":
    README.write_text(text(), "utf-8")
