"""One channel as the daemon follows it: what the guard last said of it, its capture, its newest readings."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import msgspec

from benchd.daemon.memory import Memory
from benchd.guard.wire import Met, OutputChanged, Tripped
from benchd.reading import Block, Mode, OutputState
from benchd.settings import CaptureSettings, Channel
from benchd.store.log import new_trace_id
from benchd.traces.capture import Capture, CaptureConfig, TraceClosed, TraceOpened
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, MarkKind
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
        self.board = ""
        self.output = OutputState.UNKNOWN
        self.reason = "start"
        self.text = ""
        self.set_voltage_v: float | None = None
        self.limit_a: float | None = None
        self.latched = False
        self.trip: dict[str, Any] | None = None
        self.link_up = False
        self.link_text = "not connected yet"
        self.identity = ""
        self.met: Met | None = None
        self.dropped = 0
        self.open: OpenTrace | None = None
        self.last_closed: OpenTrace | None = None
        self.memory = Memory(capture.longest_s + capture.pre_roll_s + 30)
        self.pending: list[Samples] = []
        self._accuracy = accuracy
        self._job = job
        self._closed = closed
        self._latest: tuple[int, float, float, Mode] | None = None
        self._rate = 0.0
        self._fed_until_ns = 0
        self._capture_settings = capture
        self._capture = self._new_capture()

    def _new_capture(self) -> Capture:
        c = self._capture_settings
        return Capture(
            CaptureConfig(
                pre_roll_s=c.pre_roll_s,
                removal_s=c.removal_s,
                settle_s=c.settle_s,
                longest_s=c.longest_s,
                resolution_a=self._accuracy.resolution_a,
            )
        )

    # ---- from the guard ----------------------------------------------------------------------------------------

    def on_block(self, block: Block) -> None:
        """Readings as they come in."""
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
        step_a, self._accuracy = self._accuracy.resolution_a, accuracy
        if accuracy.resolution_a != step_a and self.open is None:
            self._capture = self._new_capture()

    def on_output(self, change: OutputChanged) -> None:
        """The guard says what is known of the output."""
        was = self.output
        self.output, self.reason, self.text, self.latched = change.state, change.reason, change.text, change.latched
        if not change.latched:
            self.trip = None
        if change.state == OutputState.ON:
            # Zero: found on, and nobody here knows with which settings.
            self.set_voltage_v, self.limit_a = change.voltage_v or None, change.limit_a or None
            if was != OutputState.ON:
                self.last_closed = None  # of the power-up before: a trip from now on is none of its business
                self._happened(self._capture.output_on(change.t_ns, self.set_voltage_v, self.limit_a))
        elif was == OutputState.ON or self.open:
            self._happened(self._capture.output_off(change.t_ns, change.reason))

    def on_trip(self, trip: Tripped) -> dict[str, Any]:
        """The guard tripped. Returns the trip's figures for page, printing and MQTT."""
        # The guard sends a trip ahead of the samples that led to it; capture has to see them first.
        for block in (trip.before, trip.after):
            samples = Samples.from_block(block)
            self.memory.add(samples)
            self._feed(samples)
        self.trip = trip_figures(trip)
        self._happened(self._capture.tripped(trip.detected_ns))
        return self.trip

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
        self._happened(self._capture.feed(samples))

    def _happened(self, events: list[Any]) -> None:
        for event in events:
            if isinstance(event, TraceOpened):
                self.open = OpenTrace(
                    new_trace_id(event.start_ns, self.supply, self.number),
                    self.supply,
                    self.number,
                    self._job(),
                    event.start_ns,
                    msgspec.structs.replace(
                        self._accuracy, set_voltage_v=self.set_voltage_v, limit_a=self.limit_a, board=self.board
                    ),
                )
            elif isinstance(event, TraceClosed) and self.open is not None:
                opened, self.open = self.open, None
                self.last_closed = opened
                self._closed(opened, event)

    # ---- for the page ------------------------------------------------------------------------------------------

    @property
    def latest(self) -> tuple[int, float, float, Mode] | None:
        """Newest reading: t ns, V, A, mode."""
        return self._latest

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
        )


def trip_figures(trip: Tripped) -> dict[str, Any]:
    """A trip as JSON, units in the names."""
    confirmed = trip.off_confirmed_ns
    return {
        "rule": trip.rule,
        "text": trip.text,
        "onset_ns": trip.onset_ns,
        "detected_ns": trip.detected_ns,
        "detected_after_ms": round((trip.detected_ns - trip.onset_ns) / 1e6, 3),
        "off_sent_after_us": round((trip.off_sent_ns - trip.detected_ns) / 1e3, 1),
        "off_confirmed": confirmed is not None,
        "off_confirmed_after_ms": None if confirmed is None else round((confirmed - trip.off_sent_ns) / 1e6, 3),
        "set_voltage_v": trip.set_voltage_v,
        "limit_a": trip.limit_a,
        "let_through_c": trip.let_through_c,
        "let_through_j": trip.let_through_j,
        "let_through_a2s": trip.let_through_a2s,
    }
