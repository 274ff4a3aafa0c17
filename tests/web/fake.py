"""A bench in memory: two outputs, jobs, journal, traces; behaves as the port promises, and remembers what was asked."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncIterator
from typing import Any, BinaryIO

import msgspec
import numpy as np

from benchd.daemon.picturing import drawn
from benchd.jobs.job import Job, JournalEntry
from benchd.reading import Mode, OutputState
from benchd.store.blocks import StoredBlock
from benchd.store.follower_rows import RejectedRow
from benchd.store.lines import reading_lines
from benchd.store.log import TraceRow
from benchd.store.reference_rows import Reference
from benchd.traces.comparison import Comparison
from benchd.traces.csv_write import csv_text
from benchd.traces.parquet import save_parquet
from benchd.traces.picture_look import Kind
from benchd.traces.samples import Samples
from benchd.traces.trace import Alternative, Conditions, Evidence, Finding, Mark, Trace
from benchd.web.port import (
    BandView,
    BenchView,
    ChannelView,
    JobForgotten,
    Nearest,
    NearTrace,
    PlanView,
    Refused,
    TraceForm,
    TripReadings,
    TripRow,
)

START_NS = 1_700_000_000_000_000_000
PHONE: dict[str, Any] = {
    "title": "Phone board, one cell", "voltage_v": 4.0, "limit_a": 2.0,
    "probe": {"voltage_v": 0.5, "limit_a": 0.1, "ms": 200.0, "least_ohm": 1.0},
    "hold": {"limit_a": 0.3, "seconds": 2.0, "by_hand": True},
    "over_voltage_v": 4.6, "harmless_bulk_uf": 1000.0, "budget": {"fault_j": 0.5, "energy_j": 5000.0},
    "expected_leak_a": 0.005, "expected_idle_a": [0.05, 0.4], "cut_within_ms": 200.0, "longest_on_s": 1800.0,
    "source": "Common practice, no source.",
}  # fmt: skip
LITHIUM = "Lithium cell on board: disconnect it before feeding its terminals. Never charge a cell from the bench."
POWER_CLASS = "4 V x 2 A = 8 W: power class PS1 (IEC 62368-1). A limited supply still heats a short."


def shipped_plans() -> dict[str, PlanView]:
    """The plans of a bench that has none of its own."""
    return {
        "phone": PlanView("phone", "shipped", "", {"name": "phone", **PHONE}, [LITHIUM, POWER_CLASS]),
        "laptop": PlanView(
            "laptop", "settings", "", {"name": "laptop", "voltage_v": 19.0, "limit_a": 3.0}, ["Hot parts."]
        ),
    }


def make_samples(
    start_ns: int, seconds: float, rate: float, current: Any = lambda t: 0.06 + 0 * t, volts: float = 4.0
) -> Samples:
    """Readings at a steady rate; `current` maps times in s to A."""
    t = np.arange(round(seconds * rate)) / rate
    n = len(t)
    return Samples(
        start_ns + np.round(t * 1e9).astype(np.int64),
        np.full(n, volts),
        np.asarray(current(t), np.float64),
        np.full(n, Mode.CV, np.uint8),
        np.zeros(n, np.uint8),
    )


def trip_of(confirmed: bool = True) -> dict[str, Any]:
    """A latched trip as the page gets it."""
    return {
        "rule": "short",
        "text": "In limit at 2.000 A with 0.412 V of 4.000 V for 12 ms.",
        "detected_ns": START_NS,
        "off_confirmed": confirmed,
        "let_through_c": 0.031,
        "let_through_j": 0.0128,
        "let_through_j_u": 0.0004,
        "let_through_j_most": 0.0151,
        "let_through_a2s": 0.061,
        "set_voltage_v": 4.0,
        "limit_a": 2.0,
        "budget_j": 0.5,
        "over_budget": False,
        "stage": "boot",
    }


def trip_readings() -> TripReadings:
    """A short at -12 ms, decided at 0, off confirmed at 21 ms; 500 readings/s, voltage collapsed meanwhile."""
    t_ms = [float(t) for t in range(-200, 40, 2)]
    volts = [4.0 if t < -12 else 0.41 if t <= 2 else max(0.41 - t / 50, 0.0) for t in t_ms]
    amps = [0.31 if t < -12 else 2.0 if t <= 2 else 0.0 for t in t_ms]
    mode = ["cv" if t < -12 else "cc" if t <= 2 else "off" for t in t_ms]
    return TripReadings(
        t_ms, volts, amps, mode, {"onset": -12.0, "detected": 0.0, "off_sent": 0.04, "off_confirmed": 21.0}
    )


def finding() -> Finding:
    """A finding with every part."""
    return Finding(
        "low-stall",
        0.82,
        (Evidence("Flat at 61.2 mA ± 1.1 mA from 1.4 s on.", "settled mean", 0.0612, "A", 0.0011),),
        (Alternative("early-leak", 0.2, "Power without pressing the button: a leak is there at once."),),
        ("Look for low-level recovery mode on USB.", "Measure the storage's supply rails."),
        ("Disconnect the battery before feeding its terminals.",),
        1.2,
    )


class FakeBench:
    """Implements `BenchPort`."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.lists: list[tuple[Any, ...]] = []
        """What lists of traces were asked for."""
        self.job: str | None = None
        self.t_ns = START_NS
        self.refuse: Refused | None = None
        self.job_list: list[Job] = []
        self.entries: list[JournalEntry] = []
        self.filed: dict[str, tuple[TraceRow, Samples]] = {}
        self.memory: dict[tuple[str, int], Samples] = {}
        self.good: dict[str, Reference] = {}
        self.warnings: list[str] = []
        self.alarms: list[dict[str, Any]] = []
        self.followers: dict[str, dict[str, Any]] = {}
        self.refused: list[RejectedRow] = []
        self.plan_book = shipped_plans()
        self.trip_book: dict[int, tuple[TripRow, TripReadings]] = {}
        self.channels = {("lab", n): self._channel(n) for n in (1, 2)}
        self._clients: set[asyncio.Queue[dict[str, Any]]] = set()

    @staticmethod
    def _channel(n: int) -> ChannelView:
        return ChannelView(
            supply="lab", channel=n, output=OutputState.OFF, link_up=True, link_text="", plan="phone",
            set_voltage_v=4.0, limit_a=2.0, voltage_v=0.0, current_a=0.0, power_w=0.0, mode="off",
            reading_age_s=0.02, rate_per_s=50.0, capture="off", trace=None, latched=False, trip=None,
            identity="EXAMPLE,TWO,0,1", model="EXAMPLE TWO", firmware="1", profile="example-two", trust="documented",
            notes=["Its smallest setting is 0.01 V."],
        )  # fmt: skip

    # ---- for tests

    @property
    def clients(self) -> int:
        """Pages that listen now."""
        return len(self._clients)

    def send(self, message: dict[str, Any]) -> None:
        """To every page."""
        for client in self._clients:
            client.put_nowait(message)

    def changed(self) -> None:
        """Tell every page how things stand."""
        self.send(self._bench())

    def event(self, kind: str, **payload: Any) -> None:
        """Tell every page what happened."""
        self.send({"type": "event", "kind": kind, "payload": payload})
        self.changed()

    def set(self, n: int, **values: Any) -> None:
        """Change a channel of the supply `lab`."""
        self.channels["lab", n] = msgspec.structs.replace(self.channels["lab", n], **values)
        self.changed()

    def file(self, id: str, job: str | None, samples: Samples, found: Finding | None = None, **more: Any) -> TraceRow:
        """File a trace."""
        end = int(samples.t_ns[-1]) if len(samples) else START_NS
        row = TraceRow(
            id=id, job=job, supply="lab", channel=1, start_ns=START_NS, end_ns=end,
            conditions=Conditions(4.0, 2.0, 0.001, board="phone-main"),
            marks=[Mark("connected", START_NS + 10**9), Mark("button", START_NS + 12 * 10**8, "hand")],
            reason="settled", finding=found, readings=len(samples),
            peak_a=float(samples.current_a.max()) if len(samples) else None, charge_c=0.5, energy_j=2.0,
        )  # fmt: skip
        row = msgspec.structs.replace(row, **more)
        self.filed[id] = row, samples
        return row

    def trip_filed(self, number: int, job: str | None = None, **figures: Any) -> TripRow:
        """File a trip of the first output."""
        row = TripRow(number, "lab", 1, job, None, trip_of() | figures)
        self.trip_book[number] = row, trip_readings()
        return row

    def _enter(self, kind: str, job: str | None, payload: dict[str, Any]) -> JournalEntry:
        entry = JournalEntry(len(self.entries) + 1, self.t_ns, kind, job, None, None, None, payload)
        self.entries.append(entry)
        return entry

    def _bench(self) -> dict[str, Any]:
        return {"type": "bench", **msgspec.to_builtins(self.view())}

    def _at(self, supply: str, channel: int) -> ChannelView:
        if self.refuse:
            raise self.refuse
        if (supply, channel) not in self.channels:
            raise Refused("not-found", f"no output {channel} on a supply {supply}")
        return self.channels[supply, channel]

    # ---- the port

    def view(self) -> BenchView:
        """See `BenchPort`."""
        log = {"state": "ok", "text": "", "waiting": 0}
        plans = [p.values for p in self.plan_book.values()]
        return BenchView(
            "north",
            self.t_ns,
            self.job,
            "alive",
            list(self.channels.values()),
            self.followers,
            log,
            self.warnings,
            plans,
            self.alarms,
        )

    def metrics(self, accept: str) -> tuple[bytes, str]:
        """See `BenchPort`."""
        self.asked.append(("metrics", accept))
        return b"lab_outputs 2.0\n", "text/plain; version=0.0.4; charset=utf-8"

    async def power_on(
        self,
        supply: str,
        channel: int,
        plan: str | None,
        *,
        voltage_v: float | None = None,
        limit_a: float | None = None,
        by: str = "",
    ) -> None:
        """See `BenchPort`."""
        now = self._at(supply, channel)
        if now.latched:
            raise Refused("wrong-state", f"{supply} {channel} tripped and is latched; re-arm it first")
        if now.consent_key:
            raise Refused("consent-needed", f"{supply} {channel}: {now.consent_text}")
        self.asked.append(("on", supply, channel, plan, voltage_v, limit_a, by))
        self.set(channel, output=OutputState.ON, plan=plan or now.plan, capture="waiting", mode="cv", voltage_v=4.0)

    async def advance(self, supply: str, channel: int, by: str = "") -> None:
        """See `BenchPort`."""
        if self._at(supply, channel).stage != "hold":
            raise Refused("wrong-state", f"{supply} {channel} is not in the stage hold")
        self.asked.append(("next", supply, channel, by))
        self.set(channel, stage="boot", stage_by_hand=False)

    async def consent(self, supply: str, key: str, who: str) -> None:
        """See `BenchPort`."""
        if key != self._at(supply, 1).consent_key:
            raise Refused("wrong-state", "that is not what is asked; read it again")
        self.asked.append(("consent", supply, key, who))
        for number in (1, 2):
            self.set(number, consent_key="", consent_text="")

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        """See `BenchPort`."""
        if self.refuse:
            raise self.refuse
        self.asked.append(("off", supply, channel))
        if supply is not None and channel is not None:
            self._at(supply, channel)
        for name, n in self.channels:
            if supply is None or (supply, channel) == (name, n):
                self.set(n, output=OutputState.OFF, capture="off", mode="off", voltage_v=0.0, current_a=0.0)

    async def rearm(self, supply: str, channel: int, by: str = "") -> None:
        """See `BenchPort`."""
        self._at(supply, channel)
        self.asked.append(("rearm", supply, channel, by))
        self.set(channel, latched=False, trip=None, rearm_wait_s=None)

    def plans(self) -> list[PlanView]:
        """See `BenchPort`."""
        return list(self.plan_book.values())

    async def save_plan(self, name: str, values: dict[str, Any], *, seen: str | None = None, by: str = "") -> PlanView:
        """See `BenchPort`. One rule stands for all: what the real shelf checks, its own tests check."""
        if self.refuse:
            raise self.refuse
        self.asked.append(("save-plan", name, values))
        faults = [
            f"/data/plans/{name}.toml: {key} = {values[key]}: allowed: 60.0 or less (unit: V)"
            for key in ("voltage_v", "over_voltage_v")
            if key in values and not 0 < values[key] <= 60
        ]
        if faults:
            raise Refused("out-of-range", "\n".join(faults))
        before = self.plan_book.get(name)
        self._by_present(name, seen)
        over = "" if before is None else before.overrides if before.origin == "own" else before.origin
        version = f"{name}-{len(self.asked)}"
        self.plan_book[name] = PlanView(name, "own", over, {**values, "name": name}, [LITHIUM], version)
        return self.plan_book[name]

    def _by_present(self, name: str, seen: str | None) -> None:
        present = self.plan_book.get(name)
        if seen is not None and seen != (present.version if present else ""):
            raise Refused("stale", f"plan {name} was changed meanwhile", msgspec.to_builtins(present))

    async def delete_plan(self, name: str, *, seen: str | None = None, by: str = "") -> None:
        """See `BenchPort`."""
        self._by_present(name, seen)
        if name not in self.plan_book or self.plan_book[name].origin != "own":
            raise Refused("wrong-state", f"plan {name}: only plans of your own can be deleted")
        self.asked.append(("delete-plan", name))
        del self.plan_book[name]
        if name in shipped_plans():
            self.plan_book[name] = shipped_plans()[name]

    async def trips(self, job: str | None, limit: int) -> list[TripRow]:
        """See `BenchPort`."""
        return [row for row, _ in self.trip_book.values() if job in (None, row.job)][-limit:]

    async def trip(self, number: int) -> tuple[TripRow, TripReadings]:
        """See `BenchPort`."""
        if number not in self.trip_book:
            raise Refused("not-found", f"trip {number} is not in the log")
        return self.trip_book[number]

    async def mark(self, supply: str, channel: int, kind: str) -> None:
        """See `BenchPort`."""
        self._at(supply, channel)
        self.asked.append(("mark", supply, channel, kind))

    async def jobs(self, text: str = "", **only: Any) -> list[Job]:
        """See `BenchPort`."""
        said = [(j, f"{j.id} {j.device} {j.symptom}".lower()) for j in self.job_list]
        found = [j for j, words in said if all(word in words for word in text.lower().split())]
        return [j for j in found if all(getattr(j, key) == only[key] for key in ("state", "board") if only.get(key))]

    async def create_job(self, job: Job, by: str = "") -> Job:
        """See `BenchPort`."""
        if any(j.id == job.id for j in self.job_list):
            raise Refused("wrong-state", f"job {job.id} is there already")
        job = msgspec.structs.replace(job, id=job.id or f"R-{len(self.job_list) + 1}", version=1)
        self.job_list.append(job)
        self._enter("job-created", job.id, {})
        return job

    async def choose_job(self, job: str | None, by: str = "") -> None:
        """See `BenchPort`."""
        if job is not None and all(j.id != job for j in self.job_list):
            raise Refused("not-found", f"there is no job {job}")
        self.job = job
        self.event("job", job=job)

    async def journal(self, job: str | None, limit: int) -> list[JournalEntry]:
        """See `BenchPort`."""
        return [e for e in self.entries if job in (None, e.job)][-limit:]

    async def forget_job(self, job: str, by: str = "") -> JobForgotten:
        """See `BenchPort`."""
        if all(j.id != job for j in self.job_list):
            raise Refused("not-found", f"job {job!r} is not in the log")
        self.job_list = [j for j in self.job_list if j.id != job]
        return JobForgotten("forgotten-1", 2, 1, 3, "")

    async def rejected(self, follower: str, limit: int) -> list[RejectedRow]:
        if follower not in self.followers:
            raise Refused("not-found", f"no follower {follower!r}")
        return self.refused[:limit]

    async def note(self, job: str | None, text: str, by: str = "") -> JournalEntry:
        """See `BenchPort`."""
        return self._enter("note", job, {"text": text} | ({"by": by} if by else {}))

    async def traces(self, job: str | None, limit: int, **more: Any) -> list[TraceRow]:
        """See `BenchPort`."""
        self.lists.append((job, limit, more))
        return [row for row, _ in self.filed.values() if job in (None, row.job)][:limit]

    async def trace_row(self, trace: str) -> TraceRow:
        """See `BenchPort`."""
        row, _ = await self.trace(trace)
        return row

    async def trace(self, trace: str) -> tuple[TraceRow, Samples]:
        """See `BenchPort`."""
        if trace not in self.filed:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return self.filed[trace]

    async def mark_trace(self, trace: str, kind: str, at_s: float | None, by: str = "") -> TraceRow:
        """See `BenchPort`."""
        row, samples = await self.trace(trace)
        self.asked.append(("mark-trace", trace, kind, at_s, by))
        marks = [] if at_s is None else [Mark(kind, row.start_ns + round(at_s * 1e9), "hand")]  # type: ignore[arg-type]
        row = msgspec.structs.replace(row, marks=marks)
        self.filed[trace] = row, samples
        return row

    async def references(self, board: str | None) -> list[Reference]:
        """See `BenchPort`."""
        return [r for r in self.good.values() if board in (None, r.board)]

    async def add_reference(self, trace: str, board: str, note: str, by: str = "") -> tuple[Reference, str]:
        """See `BenchPort`."""
        self._row(trace)
        self.asked.append(("reference", trace, board, note, by))
        self.good[trace] = Reference(trace, board or "demo-a", note, START_NS)
        return self.good[trace], "it reads as low-stall"

    async def remove_reference(self, trace: str, by: str = "") -> Reference:
        """See `BenchPort`."""
        if trace not in self.good:
            raise Refused("not-found", f"trace {trace!r} is no reference")
        self.asked.append(("no-reference", trace, by))
        return self.good.pop(trace)

    async def compare(self, trace: str, earlier: str | None) -> Comparison:
        """See `BenchPort`."""
        self._row(trace)
        if earlier is None:
            raise Refused("wrong-state", "say which one to compare it with")
        self._row(earlier)
        return Comparison("low-stall", 0.8, "clean-boot", 0.9, (), 0.31, compared_s=12.0)

    async def band(self, trace: str) -> BandView:
        """See `BenchPort`. One bin, and one that no reference reaches."""
        self._row(trace)
        return BandView(1, t_s=[1.0, 1.05], mean_a=[0.1, float("nan")], low_a=[0.09, float("nan")],
                        high_a=[0.11, float("nan")])  # fmt: skip

    async def nearest(self, trace: str, count: int, board: str | None) -> Nearest:
        """See `BenchPort`."""
        near = [NearTrace(row, 0.01) for id, (row, _) in self.filed.items() if id != self._row(trace).id]
        return Nearest(near[:count], 0)

    async def trace_file(self, trace: str, form: TraceForm) -> BinaryIO:
        """See `BenchPort`. The lines are of the readings only."""
        row = self._row(trace)
        whole = Trace(self.filed[trace][1], row.start_ns, row.conditions, tuple(row.marks))
        file = io.BytesIO()
        if form == "parquet":
            save_parquet(whole, file)
        elif form == "csv":
            file.write(csv_text(whole).encode())
        else:
            block = StoredBlock(1, row.supply, row.channel, row.job, trace, 0, 0, whole.samples)
            file.writelines(f"{line}\n".encode() for line in reading_lines(block, "north"))
        file.seek(0)
        return file

    async def job_file(self, job: str, with_csv: bool, without_person: bool) -> BinaryIO:
        """See `BenchPort`. No archive: says what was asked."""
        if job not in {each.id for each in self.job_list}:
            raise Refused("not-found", f"job {job!r} is not in the log")
        return io.BytesIO(f"{job} {with_csv} {without_person}".encode())

    async def picture(self, trace: str, kind: Kind) -> bytes:
        """See `BenchPort`. Without references."""
        row = self._row(trace)
        return drawn(row, Trace(self.filed[trace][1], row.start_ns, row.conditions, tuple(row.marks)), None, kind)

    def _row(self, trace: str) -> TraceRow:
        if trace not in self.filed:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return self.filed[trace][0]

    async def recent(self, supply: str, channel: int, seconds: float) -> Samples:
        """See `BenchPort`."""
        self._at(supply, channel)
        self.asked.append(("recent", supply, channel, seconds))
        return self.memory.get((supply, channel), Samples.empty())

    async def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchPort`."""
        client: asyncio.Queue[dict[str, Any]] = asyncio.Queue()
        self._clients.add(client)
        try:
            yield self._bench()
            while True:
                yield await client.get()
        finally:
            self._clients.discard(client)
