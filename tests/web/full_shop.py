"""A shop where much has happened: what every view of the page has to show at once, over the benches in memory."""

from __future__ import annotations

import io
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from PIL import Image

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.files_desk import FilesDesk
from benchd.daemon.step_desk import StepDesk
from benchd.jobs.job import Job, JournalEntry
from benchd.reading import OutputState
from benchd.settings import load
from benchd.store.log import Log
from benchd.traces.trace import Divergence, Mark
from benchd.web.desks import Desks
from benchd.web.step_port import TimelineEntry
from tests.daemon.making import ACCURACY, FakeWriter
from tests.web.conftest import served
from tests.web.fake import START_NS, FakeBench, finding, make_samples, trip_of
from tests.web.fake_procedures import FakeProcedures
from tests.web.fake_record import FakeRecords
from tests.web.fake_report import FakeReports
from tests.web.fake_steps import FakeSteps, beside
from tests.web.fake_windows import FakeWindows

LONG = "Unaufschiebbarereparaturbedürftigkeitsbescheinigung " * 2
"""As long as a name gets, with words that are wider than a phone."""
SETTINGS = """\
data_dir = "{folder}"
[mqtt]
host = "broker"
user = "bench"
password = "s3cret"
[[supply]]
name = "psu-a"
resource = "TCPIP0::192.0.2.5::5025::SOCKET"
profile = "generic-scpi"
[[supply.channel]]
max_voltage_v = 5.0
max_limit_a = 3.0
plan = "phone-cell"
"""


TOLD: dict[str, Any] = {
    "finding": {
        "trace": "T1", "job": "R-1042", "t_ns": START_NS, "signature": "low-stall", "confidence": 0.82, "caution": "",
        "evidence": "flat at 61.2 mA ± 1.1 mA from 1.4 s on", "next_check": "Look for low-level recovery mode on USB.",
    },
    "leak": {"current_a": 0.004, "uncertainty_a": 0.001, "expected_a": 0.005, "in_limit": False, "text": "4 mA."},
    "probe": {"resistance_ohm": 41.0, "uncertainty_ohm": 2.0, "least_ohm": 1.0, "passed": True, "text": "41 Ω ± 2 Ω."},
    "promise": {"cut_within_ms": 150.0, "asked_ms": 200.0, "kept": True, "limit_a": 2.0, "text": "Cut within 150 ms."},
    "health": {
        "interval_ms": 20.0, "jitter_ms": 1.0, "worst_ms": 24.0, "round_trip_ms": 4.0, "overrun_ms": 0.0,
        "worst_minute_ms": 3.0,
    },
}  # fmt: skip
"""What an output says of a power-up that was caught whole."""


def boot(t: np.ndarray) -> np.ndarray:
    """A button at 1.2 s, a staircase, then 0.2 A, A."""
    steps = 0.004 + 0.11 * (t > 1.2) + 0.35 * (t > 2.0) - 0.26 * (t > 6)
    return np.asarray(steps + 0.05 * np.sin(9 * t) ** 2 * (t > 2.0))


def jpeg() -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (640, 480), (30, 90, 60)).save(file, "JPEG")
    return file.getvalue()


class Shop:
    """`bench`, and the desks beside it; `url` of the page."""

    def __init__(self, bench: FakeBench, records: FakeRecords, steps: FakeSteps) -> None:
        self.bench, self.records, self.steps = bench, records, steps
        self.url = ""

    def trip(self, n: int = 1, **more: Any) -> None:
        """An output trips; its picture is in the log."""
        self.bench.trip_filed(7, "R-1042")
        self.bench.set(
            n, output=OutputState.OFF, latched=True, trip=trip_of() | {"number": 7} | more, rearm_wait_s=90.0
        )

    def say_more(self) -> None:
        """Long names, warnings, a supply that is not trusted and one whose link is down."""
        self.bench.warnings = ["The log's disk has 200 MB left.", f"mqtt: {LONG}"]
        self.bench.alarms = [{"at_ns": START_NS, "text": "The log's disk has 200 MB left."}]
        self.bench.set(1, model=LONG, trust="unverified")
        self.bench.set(2, link_up=False, link_text=f"no answer from {LONG}", output=OutputState.UNKNOWN, current_a=None)


def fill(shop: Shop) -> None:
    """One repair in the middle of it."""
    bench, steps = shop.bench, shop.steps
    job = Job("R-1042", "phone, blue", "blue-phone", "no start", START_NS, battery="swollen", version=1)
    job = msgspec.structs.replace(
        job, history="fell into a lake", wanted_back="pictures", consent=("data-loss",), state="repairing"
    )
    bench.job_list = [job, Job("R-7", LONG, "green-tablet", LONG, START_NS, version=1, state="waiting-parts")]
    bench.job = "R-1042"
    leaves = Divergence(
        3.1, 0.061, 0.41, 0.02, 17.0, "Leaves the good one 3.10 s after the button: 0.061 A, not 0.410 A."
    )
    for n, id in enumerate(("T1", "T2", "T3")):
        start = START_NS + n * 60 * 10**9
        found = finding() if n else msgspec.structs.replace(finding(), divergence=leaves, similarity=0.43)
        if n == 2:
            found = msgspec.structs.replace(found, signature="clean-boot", cautions=())
        samples = make_samples(start, 12, 100, boot)
        marks = [Mark("connected", start + 10**9), Mark("button", start + 12 * 10**8, "hand")]
        bench.file(id, "R-1042", samples, found, start_ns=start, end_ns=start + 12 * 10**9, marks=marks)
    bench.trip_filed(7, "R-1042")
    bench.memory["lab", 1] = make_samples(START_NS - 30 * 10**9, 30, 50, lambda t: boot(t % 12))
    kinds: list[tuple[str, dict[str, Any]]] = [
        ("job-created", {"by": "this machine"}),
        ("trace", {"signature": "low-stall"}),
        ("note", {"text": LONG, "by": "this machine"}),
        ("step", {"step": "cleaned", "label": "Cleaned", "detail": "ultrasonic bath", "text": "", "by": "the tablet"}),
        ("step", {"step": "reflowed", "label": "Reflowed", "detail": "power chip", "text": LONG, "by": "the tablet"}),
        (
            "check",
            {"list": "before-power", "item": "a", "label": "One", "state": "done", "note": "", "by": "the tablet"},
        ),
        ("trip", {"text": "In limit at 2.000 A with 0.412 V of 4.000 V for 12 ms.", "rule": "short"}),
        ("output", {"output": "on", "reason": "asked", "by": "this machine"}),
    ]
    for n, (kind, payload) in enumerate(kinds, 1):
        at = START_NS + n * 10**9
        bench.entries.append(JournalEntry(n, at, kind, "R-1042", "lab", 1, "T1" if kind == "trace" else None, payload))
        entry = TimelineEntry(**msgspec.to_builtins(bench.entries[-1]))
        if kind == "step":
            entry.before, entry.after = beside("T1", START_NS, "low-stall"), beside("T3", START_NS, "clean-boot")
        steps.entries.append(entry)
    items = steps.lists["before-power"].items
    ticked = msgspec.structs.replace(items[0], state="done", by="the tablet", t_ns=START_NS, version=6)
    steps.lists["before-power"] = msgspec.structs.replace(
        steps.lists["before-power"], items=(ticked, *items[1:]), open=1
    )
    bench.set(1, output=OutputState.ON, voltage_v=3.98, current_a=0.231, power_w=0.92, mode="cv", capture="settled")
    bench.set(1, stage="boot", on_s=12.0, second_layer=["over-voltage protection at 4.6 V"], **TOLD)


@asynccontextmanager
async def full_shop(folder: Path, empty: bool = False) -> AsyncIterator[Shop]:
    """The shop, served. `empty`: the first day, with nothing in it yet."""
    bench = FakeBench()
    config = folder / "benchd.toml"
    config.write_text(SETTINGS.replace("{folder}", str(folder)), "utf-8")
    with Log.open(folder / "benchd.sqlite") as log:
        core = Core(load(config), {("psu-a", 1): ACCURACY}, FakeWriter(log), None)  # type: ignore[arg-type]
        over = Bench(core, log.path)
        shop = Shop(bench, FakeRecords(bench), FakeSteps())
        if not empty:
            fill(shop)
            await shop.records.add_photo("R-1042", jpeg(), "charger chip", "the tablet")
        files = FilesDesk(core, over, StepDesk(core, over), config)
        desks = Desks(
            records=shop.records,
            steps=shop.steps,
            windows=FakeWindows(bench),
            files=files,
            reports=FakeReports(),
            procedures=FakeProcedures(),  # type: ignore[arg-type]
        )
        async with served(bench, desks=desks) as shop.url:
            yield shop
