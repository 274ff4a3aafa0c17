"""What was heard of all benches over a broker, and how much of it may be believed now.

A broker keeps the last state of an output for good: of a daemon that is gone, of an output that left the settings, of
another daemon under the same name. So a state counts as long as all of this holds, and is `unknown` otherwise:

    the broker is heard; one daemon speaks under the name; it is said to be online; a live word of it came within
    SILENT_S; the state is of the run that speaks now; and the supply is reached

A live word, since a broker that was killed keeps an "online" whose will it never sent. What is heard is bounded: so
many benches, outputs, bytes a message. Nothing here knows a clock or a network: `at` is s on any clock that goes on.
"""

from __future__ import annotations

import re
from typing import Any

import msgspec

from benchd.web.benches_view import BenchesView, BenchSeen, FindingSeen, OutputSeen, Standing, TripSeen

SILENT_S = 20.0
"""A broker says after 15 s that a daemon with a keep-alive of 10 s is gone (MQTT 3.1.1 §3.1.2.10: one and a half
times). Readings come at least once a second, so that a bench which says less for longer is not to be vouched for."""
TWICE_S = 120.0
"""How long two daemons under one name are told of after the last sign of it."""
MOST_BENCHES = 200
MOST_OUTPUTS = 64
MOST_BYTES = 64 * 1024
MOST_RUNS = 16
MOST_TEXT = 300
BASE = "benchd"
_NAME = re.compile(r"[a-z0-9-]{1,32}")
_CHANNEL = re.compile(r"[1-9][0-9]?")
_PAGE = re.compile(r"https?://[A-Za-z0-9.\[\]:-]{1,200}/?")


class _State(msgspec.Struct):
    """As published at `<bench>/<supply>/<channel>/state`."""

    output: str = "unknown"
    reason: str = ""
    latched: bool = False
    link_up: bool = False
    set_voltage_v: float | None = None
    limit_a: float | None = None
    job: str | None = None
    stage: str | None = None
    trip: dict[str, Any] | None = None
    t_ns: int | None = None
    run: str = ""


class _Reading(msgspec.Struct):
    voltage_v: float | None = None
    current_a: float | None = None
    power_w: float | None = None
    mode: str = "unknown"
    trace: str | None = None


class _Who(msgspec.Struct):
    run: str = ""
    page: str | None = None


class _Event(msgspec.Struct):
    """A trip or a finding. What is not here is not looked at."""

    t_ns: int
    job: str | None = None
    rule: str = ""
    text: str = ""
    off_confirmed: bool = False
    finding: dict[str, Any] | None = None


_states = msgspec.json.Decoder(_State)
_readings = msgspec.json.Decoder(_Reading)
_whos = msgspec.json.Decoder(_Who)
_events = msgspec.json.Decoder(_Event)


class _Output:
    def __init__(self) -> None:
        self.state: _State | None = None
        self.fresh = False
        """The state was said since the broker is heard."""
        self.reading = b""
        self.reading_at: float | None = None


class _Bench:
    def __init__(self) -> None:
        self.said = ""
        """online, offline; empty: nothing since the broker is heard."""
        self.word_at: float | None = None
        self.run = ""
        self.replaced: dict[str, None] = {}
        self.twice_at: float | None = None
        self.page = ""
        self.outputs: dict[tuple[str, int], _Output] = {}
        self.trip: TripSeen | None = None
        self.finding: FindingSeen | None = None

    def speaks(self, run: str, at: float) -> None:
        """Somebody said that this run is the bench. One that was replaced and comes again never went: a name for a run
        is made anew each time."""
        if run == self.run:
            return
        if run in self.replaced:
            self.twice_at = at
        if self.run:
            self.replaced[self.run] = None
            while len(self.replaced) > MOST_RUNS:
                del self.replaced[next(iter(self.replaced))]
        self.run = run

    def twice(self, at: float) -> bool:
        return self.twice_at is not None and at - self.twice_at <= TWICE_S


class Benches:
    """What was heard. Not thread-safe."""

    def __init__(self, broker: str) -> None:
        self._broker = broker
        self._heard = False
        self._text = "not connected yet"
        self._benches: dict[str, _Bench] = {}
        self._left_out = False
        self.version = 0
        """Grows with each change that a page should hear of at once; readings are none."""

    def listening(self) -> None:
        """The broker is heard from now on. What was said before has to be said again: the broker keeps it."""
        self._heard, self._text, self._left_out = True, "", False
        for bench in self._benches.values():
            bench.said, bench.word_at = "", None
            for output in bench.outputs.values():
                output.fresh = False
        self.version += 1

    def deaf(self, text: str) -> None:
        """The broker is not heard any more; `text` says why."""
        self._heard, self._text = False, text
        self.version += 1

    def take(self, topic: str, payload: bytes, retained: bool, at: float) -> None:
        """A message. `retained`: the broker had kept it. What is none of ours, or too much, is left out."""
        levels = topic.split("/")
        if levels[0] != BASE or len(levels) not in (3, 5) or not _NAME.fullmatch(levels[1]):
            return
        if len(payload) > MOST_BYTES:
            payload = b"too long"
        bench = self._benches.get(levels[1])
        if bench is None:
            if len(self._benches) >= MOST_BENCHES:
                self._left_out = True
                return
            bench = self._benches[levels[1]] = _Bench()
        if not retained:
            bench.word_at = at
        if len(levels) == 3:
            self._of_bench(bench, levels[2], payload, at)
        elif _NAME.fullmatch(levels[2]) and _CHANNEL.fullmatch(levels[3]):
            self._of_output(bench, (levels[2], int(levels[3])), levels[4], payload, retained, at)

    def _of_bench(self, bench: _Bench, word: str, payload: bytes, at: float) -> None:
        if word == "availability":
            bench.said = payload.decode("ascii", "replace") if payload in (b"online", b"offline") else ""
            if bench.said == "offline":
                for output in bench.outputs.values():
                    output.reading_at = None
        elif word == "who":
            try:
                who = _whos.decode(payload)
            except msgspec.DecodeError:
                who = _Who()
            bench.speaks(who.run, at)
            bench.page = who.page if who.page and _PAGE.fullmatch(who.page) else ""
        else:
            return
        self.version += 1

    def _of_output(
        self, bench: _Bench, key: tuple[str, int], word: str, payload: bytes, retained: bool, at: float
    ) -> None:
        if word in ("trip", "finding"):
            _take_event(bench, key, word, payload)
        elif word == "state" and not payload:  # taken away from the broker
            bench.outputs.pop(key, None)
        elif word in ("state", "reading"):
            output = bench.outputs.get(key)
            if output is None:
                if len(bench.outputs) >= MOST_OUTPUTS:
                    self._left_out = True
                    return
                output = bench.outputs[key] = _Output()
            if word == "reading":
                output.reading, output.reading_at = payload, at
                return
            try:
                output.state = _states.decode(payload)
            except msgspec.DecodeError:
                output.state = None  # whatever it says now, it is not what it said before
            output.fresh = True
            if output.state is not None and not retained and output.state.run in bench.replaced:
                bench.twice_at = at
        else:
            return
        self.version += 1

    # ---- for the page ------------------------------------------------------------------------------------------

    def view(self, at: float) -> BenchesView:
        """All benches by name, as they may be shown at this time."""
        text = self._text
        if self._heard and self._left_out:
            text = f"there is more than is shown: {MOST_BENCHES} benches and {MOST_OUTPUTS} outputs each at most"
        seen = [self._seen(name, bench, at) for name, bench in sorted(self._benches.items())]
        return BenchesView(self._broker, self._heard, text, seen)

    def _seen(self, name: str, bench: _Bench, at: float) -> BenchSeen:
        standing, text = self._standing(bench, at)
        outputs = [_output_seen(key, one, bench, standing, text, at) for key, one in sorted(bench.outputs.items())]
        jobs = [one.state.job for one in bench.outputs.values() if one.state is not None and one.state.job]
        latched = [one.trip for one in outputs if one.latched and one.trip is not None]
        trips = [*latched, *([bench.trip] if bench.trip is not None else [])]
        return BenchSeen(
            bench=name,
            standing=standing,
            text=text,
            word_age_s=None if bench.word_at is None else max(0.0, at - bench.word_at),
            job=jobs[0][:MOST_TEXT] if jobs else None,
            outputs=outputs,
            trip=max(trips, key=lambda t: t.t_ns) if trips else None,
            finding=bench.finding,
            page=bench.page,
        )

    def _standing(self, bench: _Bench, at: float) -> tuple[Standing, str]:
        if not self._heard:
            return "unknown", "the broker is not heard"
        if bench.twice(at):
            return "twice", "two benches speak under this name: give one another name (bench = …) in its benchd.toml"
        if bench.said == "offline":
            return "away", "the bench is away: its daemon does not run, or has no link to the broker"
        if bench.word_at is None or bench.said != "online":
            return "unknown", "nothing was heard from it yet but what the broker kept"
        if not at - bench.word_at <= SILENT_S:
            return "silent", "nothing is heard from it any more, though the broker has not said that it is away"
        return "online", ""


def _output_seen(
    key: tuple[str, int], output: _Output, bench: _Bench, standing: Standing, text: str, at: float
) -> OutputSeen:
    state = output.state or _State()
    doubt = text if standing != "online" else _doubt(output, bench)
    reading = _Reading()
    if output.reading_at is not None:
        try:
            reading = _readings.decode(output.reading)
        except msgspec.DecodeError:
            output.reading_at = None
    return OutputSeen(
        supply=key[0],
        channel=key[1],
        output="unknown" if doubt else "on" if state.output == "on" else "off",
        doubt=doubt,
        last=state.output if output.state is not None and state.output in ("on", "off", "unknown") else "",
        last_ns=state.t_ns,
        latched=state.latched,
        trip=_latched_trip(key, state),
        stage=state.stage or "",
        set_voltage_v=state.set_voltage_v,
        limit_a=state.limit_a,
        voltage_v=reading.voltage_v,
        current_a=reading.current_a,
        power_w=reading.power_w,
        mode=reading.mode[:MOST_TEXT],
        reading_age_s=None if output.reading_at is None else max(0.0, at - output.reading_at),
        trace=reading.trace[:MOST_TEXT] if reading.trace else None,
    )


def _doubt(output: _Output, bench: _Bench) -> str:
    """Why the state of an output of a bench that is there does not count; empty: it does."""
    state = output.state
    if state is None or not output.fresh:
        return "its state was not said yet, or not so that it can be understood"
    if state.run != bench.run:
        return (
            "what is known of it was said by another run of the bench: the output may not be in its settings any more"
        )
    if not state.link_up:
        return "the supply is not reached"
    if state.output not in ("on", "off"):
        return f"the bench does not know it either ({state.reason[:MOST_TEXT] or 'no reason given'})"
    return ""


def _latched_trip(key: tuple[str, int], state: _State) -> TripSeen | None:
    trip = state.trip
    if not state.latched or trip is None:
        return None
    try:
        found = msgspec.convert({"t_ns": trip.get("detected_ns", state.t_ns or 0), **trip}, _Event)
    except msgspec.ValidationError:
        return None
    return _trip(key, found, state.job)


def _trip(key: tuple[str, int], event: _Event, job: str | None) -> TripSeen:
    return TripSeen(
        *key, event.rule[:MOST_TEXT], event.text[:MOST_TEXT], event.t_ns, event.off_confirmed, job and job[:MOST_TEXT]
    )


def _take_event(bench: _Bench, key: tuple[str, int], word: str, payload: bytes) -> None:
    """A trip or a finding; one that comes again, or late, does not stand before a newer one."""
    try:
        event = _events.decode(payload)
        if word == "trip":
            if bench.trip is None or event.t_ns >= bench.trip.t_ns:
                bench.trip = _trip(key, event, event.job)
        elif event.finding is not None and (bench.finding is None or event.t_ns >= bench.finding.t_ns):
            signature, confidence = str(event.finding["signature"])[:64], event.finding.get("confidence")
            sure = float(confidence) if isinstance(confidence, int | float) else None
            bench.finding = FindingSeen(*key, signature, sure, event.t_ns, event.job and event.job[:MOST_TEXT])
    except (msgspec.DecodeError, KeyError):
        return
