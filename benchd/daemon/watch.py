"""One channel as the daemon follows it: what the guard last said of it, its capture, its newest readings."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable
from typing import Any

import msgspec
import numpy as np

from benchd.daemon.health import HealthBook
from benchd.daemon.known import Expected
from benchd.daemon.memory import Memory
from benchd.daemon.power_up import Asked, PowerUp
from benchd.daemon.promise import Promise, promise
from benchd.daemon.tap import Tap
from benchd.guard.wire import Met, OutputChanged, StageOver, Tripped
from benchd.plans.plan import Plan
from benchd.reading import Block, Mode, OutputState
from benchd.settings import CaptureSettings, Channel
from benchd.store.log import TraceRow, new_trace_id
from benchd.supplies.clock import now_ns
from benchd.traces.capture import Capture, CaptureConfig, Marked, TraceClosed, TraceOpened
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, MarkKind
from benchd.traces.trip_record import trip_figures
from benchd.web.port import ChannelView

MODE_WORDS = {Mode.UNKNOWN: "unknown", Mode.CV: "cv", Mode.CC: "cc", Mode.OFF: "off"}


@dataclasses.dataclass(frozen=True, slots=True)
class OpenTrace:
    """A trace that is being caught."""

    id: str
    supply: str
    channel: int
    job: str | None
    start_ns: int
    conditions: Conditions


Closed = Callable[[OpenTrace, TraceClosed], None]


class ChannelWatch:
    """State of one channel. Not thread-safe: lives in the event loop."""

    def __init__(
        self,
        supply: str,
        settings: Channel,
        capture: CaptureSettings,
        accuracy: Conditions,
        job: Callable[[], str | None],
        closed: Closed,
    ) -> None:
        self.supply = supply
        self.number = settings.number
        self.plan = settings.plan
        """Name of the plan that it is on with, was on with last, or has of its own."""
        self.asked: Asked | None = None
        """What the next power-on, or the one that is on, was asked with."""
        self.power: PowerUp | None = None
        """The present or last power-on."""
        self.planned: Callable[[str], Plan | None] = lambda name: None
        """Finds a plan by its name."""
        self.expected: Expected | None = None
        """What its supply's family leads to expect; None: not known."""
        self.health = HealthBook()
        self._nothing_told()
        self.readings = self.dropped = 0
        self.trips: Counter[str] = Counter()
        """By the rule that decided, since the daemon was started; like `readings`."""
        self.open: OpenTrace | None = None
        self.last_closed: OpenTrace | None = None
        self.tap: Tap | None = None
        """The run of a procedure that uses it."""
        self.memory = Memory(capture.longest_s + capture.pre_roll_s + 30)
        self.pending: list[Samples] = []
        self.version = now_ns() // 1_000_000
        """See `ChannelView.version`. Of a later daemon they are higher: pages outlive daemons."""
        self.news = False
        """Something that pages show has changed since they were told."""
        self.marks: list[Mark] = []
        self.finding: dict[str, Any] | None = None
        self._accuracy = accuracy
        self._job = job
        self._closed = closed
        self._latest: tuple[int, float, float, Mode] | None = None
        self._rate = 0.0
        self._fed_until_ns = 0
        self._valid_until_ns = 0
        """Newest reading whose current is a number."""
        self._capture_settings = capture
        self._capture = self._new_capture()

    def _nothing_told(self) -> None:
        """What holds until the guard says how its output and its supply are."""
        self.output = OutputState.UNKNOWN
        self.reason = "start"
        self.text = ""
        self.set_voltage_v: float | None = None
        self.limit_a: float | None = None
        self.latched = False
        self.rearm_from_ns = 0
        self.changed_ns = 0
        """Since when the output is as it is."""
        self.trip: dict[str, Any] | None = None
        self.link_up = False
        self.link_text = "not connected yet"
        self.identity = ""
        self.met: Met | None = None

    def _new_capture(self) -> Capture:
        c = self._capture_settings
        return Capture(
            CaptureConfig(
                pre_roll_s=c.pre_roll_s,
                removal_s=c.removal_s,
                settle_s=c.settle_s,
                longest_s=c.longest_s,
                resolution_a=self._accuracy.resolution_a,
                offset_a=self._accuracy.accuracy_offset_a or 0.0,
            )
        )

    # ---- from the guard ----------------------------------------------------------------------------------------

    def on_block(self, block: Block) -> None:
        """Readings as they come in."""
        self.readings += len(block)
        self.dropped += block.dropped
        samples = Samples.from_block(block)
        if not len(samples):
            return
        self.memory.add(samples)
        self.pending.append(samples)
        self._feed(samples)

    def measures(self, accuracy: Conditions | None) -> None:
        """How well the readings of the unit that answers are known, if told. A trace that is open goes on."""
        if accuracy is None or accuracy == self._accuracy:
            return
        was, self._accuracy = self._accuracy, accuracy
        same = (was.resolution_a, was.accuracy_offset_a) == (accuracy.resolution_a, accuracy.accuracy_offset_a)
        if not same and self.open is None:
            self._capture = self._new_capture()

    def on_output(self, change: OutputChanged) -> None:
        """The guard says what is known of the output."""
        was = self.output
        self.output, self.reason, self.text, self.latched = change.state, change.reason, change.text, change.latched
        self.rearm_from_ns, self.changed_ns = change.rearm_from_ns, change.t_ns
        if not change.latched:
            self.trip = None
        if change.state == OutputState.ON:
            # Zero: found on, and nobody here knows with which settings.
            self.set_voltage_v, self.limit_a = change.voltage_v or None, change.limit_a or None
            if was != OutputState.ON or self.power is None:
                self._powered(change)
            assert self.power is not None
            self.power.changed(change)
            if change.stage != "probe" and self._captures:
                self._under_way(change)
        elif (was == OutputState.ON or self.open) and self._captures:
            self._happened(self._capture.output_off(change.t_ns, change.reason))
        if self.tap is not None:
            self.tap.on_output(change)

    def only_adjusted(self, change: OutputChanged) -> bool:
        """A run whose record says all that there is to say has set it otherwise; nothing else is new."""
        return not self._captures and self.on and change.state == OutputState.ON and change.reason == self.reason

    def _powered(self, change: OutputChanged) -> None:
        self.last_closed = None  # of the power-up before: a trip from now on is none of its business
        found = change.reason == "found-on"
        self.power = PowerUp(change.t_ns, None if found else self.asked)
        self.health.power_on()

    def _under_way(self, change: OutputChanged) -> None:
        """On with what a board can start with. The probe before that is no power-up of the board."""
        self._happened(self._capture.output_on(change.t_ns, self.set_voltage_v, self.limit_a))
        if (opened := self.open) is not None:
            now = msgspec.structs.replace(
                opened.conditions, set_voltage_v=self.set_voltage_v, limit_a=self.limit_a
            )  # the boot's, once it has come to that
            self.open = dataclasses.replace(opened, conditions=now)

    @property
    def _captures(self) -> bool:
        """Power-ups become traces. Not those of a run whose record says all that there is to say of them."""
        return self.tap is None or self.tap.traces

    def on_stage(self, over: StageOver) -> dict[str, Any]:
        """A stage is over. Returns what it has shown."""
        power = self.power = self.power or PowerUp(over.t_ns, self.asked)
        return power.stage_over(over, self._accuracy)

    def on_trip(self, trip: Tripped) -> dict[str, Any]:
        """The guard tripped. Returns the trip's figures for page, printing and MQTT."""
        # The guard sends a trip ahead of the samples that led to it; capture has to see them first.
        for block in (trip.before, trip.after):
            samples = Samples.from_block(block)
            self.memory.add(samples)
            self._feed(samples)
        self.trips[trip.rule] += 1
        self.trip = trip_figures(trip, self._accuracy)
        if trip.stage == "probe" and self._captures:
            self._file_probe(trip)
        elif self._captures:
            self._happened(self._capture.tripped(trip.detected_ns, trip.rule))
        if self.tap is not None:
            self.tap.on_trip(trip)
        return self.trip

    def _file_probe(self, trip: Tripped) -> None:
        """A probe that found a fault is a trace of its own: nothing more was applied that capture could have seen."""
        started_ns = trip.on_ns or (self.power.on_ns if self.power is not None else trip.onset_ns)
        opened = self._opened(started_ns, trip.set_voltage_v, trip.limit_a)
        end_ns = max(trip.detected_ns, self._fed_until_ns)
        marks = (Mark("connected", started_ns, "guard"), Mark("tripped", trip.detected_ns, "guard", trip.rule))
        self._ended(opened, TraceClosed(started_ns, end_ns, marks, "tripped"))

    def mark(self, kind: MarkKind, t_ns: int) -> None:
        """A person marks a moment."""
        self._happened(self._capture.mark(kind, t_ns))

    def _feed(self, samples: Samples) -> None:
        if len(samples) and int(samples.t_ns[0]) <= self._fed_until_ns:
            samples = samples.between(self._fed_until_ns + 1, 1 << 62)
        if not len(samples):
            return
        t, v, i = int(samples.t_ns[-1]), float(samples.voltage_v[-1]), float(samples.current_a[-1])
        if self._latest and t > self._latest[0]:
            rate = len(samples) / ((t - self._latest[0]) / 1e9)
            self._rate += (rate - self._rate) * 0.1 if self._rate else rate
        self._latest = (t, v, i, Mode(int(samples.mode[-1])))
        self._fed_until_ns = t
        valid = samples.t_ns[np.isfinite(samples.current_a)]
        if len(valid):
            self._valid_until_ns = int(valid[-1])
        if self.tap is not None:
            self.tap.put(samples)
        if self._captures:
            self._happened(self._capture.feed(samples))

    def _happened(self, events: list[Any]) -> None:
        for event in events:
            if isinstance(event, TraceOpened):
                self.open = self._opened(event.start_ns, self.set_voltage_v, self.limit_a)
                self.marks, self.finding = [], None
            elif isinstance(event, Marked):
                self.marks.append(event.mark)
            elif isinstance(event, TraceClosed) and self.open is not None:
                opened, self.open = self.open, None
                self.marks = list(event.marks)
                self._ended(opened, event)
            self.news = True

    def _ended(self, opened: OpenTrace, event: TraceClosed) -> None:
        """Hand a trace over to be filed. A trip brings its readings along: with none of them there was no power-up to
        see, and the trip's own record says what there is to say."""
        if event.reason == "tripped" and self._valid_until_ns < event.start_ns:
            self.last_closed = None
            return
        self.last_closed = opened
        self._closed(opened, event)

    def _opened(self, start_ns: int, set_voltage_v: float | None, limit_a: float | None) -> OpenTrace:
        board = self.asked.board if self.asked is not None else ""
        plan = self.plan_in_force
        side = "usb" if plan is not None and plan.usb_side else ""
        conditions = msgspec.structs.replace(self._measured_with(set_voltage_v, limit_a), board=board, side=side)
        id_ = new_trace_id(start_ns, self.supply, self.number)
        return OpenTrace(id_, self.supply, self.number, self._job(), start_ns, conditions)

    def filed(self, row: TraceRow) -> None:
        """A power-up was filed; with what it says, unless another one has begun since."""
        if self.tap is not None:
            self.tap.on_filed(row)
        if self.open is None:
            self.finding = finding_told(row)
            self.news = True

    def changed(self) -> None:
        """What somebody decides by has changed."""
        self.version += 1
        self.news = True

    # ---- for the page ------------------------------------------------------------------------------------------

    @property
    def latest(self) -> tuple[int, float, float, Mode] | None:
        """Newest reading: t ns, V, A, mode."""
        return self._latest

    @property
    def conditions(self) -> Conditions:
        """How well its readings are known, and the settings that it is on with."""
        return self._measured_with(self.set_voltage_v, self.limit_a)

    def _measured_with(self, set_voltage_v: float | None, limit_a: float | None) -> Conditions:
        leads = self.asked.leads if self.asked is not None else None
        now = msgspec.structs.replace(self._accuracy, set_voltage_v=set_voltage_v, limit_a=limit_a)
        if leads is None:
            return now
        return msgspec.structs.replace(now, lead_ohm=leads.taken_off_ohm, lead_u_ohm=leads.u_ohm)

    @property
    def on(self) -> bool:
        """Whether the output is known to be on."""
        return self.output == OutputState.ON

    @property
    def plan_in_force(self) -> Plan | None:
        """The plan that it is on with; off: the one that it would be switched on with next."""
        if self.on:
            return self.power.plan if self.power is not None else None
        return self.planned(self.plan)

    def promise(self) -> Promise | None:
        """How soon a short is cut; None: not to be told. The plan's own figure is meant for the limit of its boot."""
        plan, expected = self.plan_in_force, self.expected
        pace = self.health.pace() or (expected.pace if expected is not None else None)
        if plan is None or expected is None or pace is None:
            return None
        limit_a = self.limit_a if self.on and self.limit_a else plan.limit_a
        if limit_a < plan.limit_a:
            plan = plan.model_copy(update={"cut_within_ms": None})
        return promise(plan, pace, expected.resolution, limit_a, expected.rest_s)

    def view(self, now_ns: int) -> ChannelView:
        """As the page shows it."""
        latest, met = self._latest, self.met
        age_s = (now_ns - latest[0]) / 1e9 if latest else None
        return ChannelView(
            supply=self.supply,
            channel=self.number,
            output=self.output,
            link_up=self.link_up,
            link_text=self.link_text,
            plan=self.plan,
            set_voltage_v=self.set_voltage_v,
            limit_a=self.limit_a,
            voltage_v=latest[1] if latest else None,
            current_a=latest[2] if latest else None,
            power_w=latest[1] * latest[2] if latest else None,
            mode=MODE_WORDS[latest[3]] if latest else "unknown",
            reading_age_s=age_s,
            rate_per_s=self._rate if age_s is not None and age_s < 2 else 0.0,
            capture=self._capture.state,
            trace=self.open.id if self.open else None,
            latched=self.latched,
            trip=self.trip,
            identity=self.identity,
            model=f"{met.maker} {met.model}".strip() if met else "",
            firmware=met.firmware if met else "",
            profile=met.profile if met else "",
            trust=met.trust if met else "",
            notes=list(met.notes) if met else [],
            version=self.version,
            marks=[{"kind": m.kind, "t_ns": m.t_ns, "by": m.by} for m in self.marks],
            finding=self.finding,
            **self._power_view(now_ns),
        )

    def _power_view(self, now_ns: int) -> dict[str, Any]:
        power = self.power
        promised = self.promise()
        rearm_wait_s = max(0.0, (self.rearm_from_ns - now_ns) / 1e9)
        shown: dict[str, Any] = {
            "rearm_wait_s": rearm_wait_s if self.latched else None,
            "health": self.health.told(),
            "promise": promised.told() if promised is not None else None,
        }
        if power is not None:
            shown |= {"probe": power.probe, "leak": power.leak}
            if self.on:
                shown |= {
                    "stage": power.stage,
                    "stage_by_hand": power.by_hand,
                    "on_s": max(0.0, (now_ns - power.on_ns) / 1e9),
                    "second_layer": list(power.second_layer),
                    "lead_ohm": power.lead_ohm,
                }
        return shown


def finding_told(row: TraceRow) -> dict[str, Any] | None:
    """What a filed power-up says, in the few words that a card has room for; None: it was filed without a finding."""
    if (found := row.finding) is None:
        return None
    return {
        "trace": row.id,
        "job": row.job,
        "t_ns": row.end_ns,
        "signature": found.signature,
        "confidence": found.confidence,
        "evidence": found.evidence[0].text if found.evidence else "",
        "next_check": found.next_checks[0] if found.next_checks else "",
        "caution": found.cautions[0] if found.cautions else "",
    }
