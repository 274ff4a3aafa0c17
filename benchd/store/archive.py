"""Archived traces with what journal and trips know of their power-ups: what a replay is made of. Reads only."""

from __future__ import annotations

import bisect
from collections import defaultdict
from collections.abc import Collection
from typing import Any, NamedTuple

import msgspec

from benchd.guard.wire import Tripped
from benchd.store.log import Log, LogError, StoredTrip, TraceRow
from benchd.store.reference_rows import board_of, references
from benchd.traces.replay import Archived, Part, PowerUp, Trip, with_trip_readings
from benchd.traces.replay_rules import TOLD_LATE_NS
from benchd.traces.trace import Conditions, Mark, Trace
from benchd.traces.trip_record import trip_samples

IMPORTED = "imported"
"""The reason of a trace that came from a file."""

_PAYLOAD = msgspec.json.Decoder(dict[str, Any])


class Setting(NamedTuple):
    """What the journal says that an output was at, from `t_ns` on."""

    t_ns: int
    on: bool
    stage: str
    plan: str
    voltage_v: float
    limit_a: float


class Wanted(NamedTuple):
    """A trace to replay, and what was found out for all of them at once."""

    id: str
    plan: str
    """Name of the plan that it was powered with; empty: none is known."""
    settings: tuple[Setting, ...]
    """From before its start to its end."""
    trip: int | None
    """Number of its trip."""
    reference: bool


def wanted(
    log: Log,
    job: str | None = None,
    board: str | None = None,
    since_ns: int | None = None,
    ids: Collection[str] = (),
) -> list[Wanted]:
    """The traces asked for, oldest first: of a job, of a board (by reference, job or the trace's own conditions), since
    a time, by their ids; all of these together. Raises LogError for an id that is not there."""
    rows = [_must(log, each) for each in dict.fromkeys(ids)] if ids else log.traces(job=job, limit=-1)
    jobs = {each.id: each.board for each in log.jobs(limit=-1)}
    good = {each.trace: each.board for each in references(log)}
    chosen = [
        row
        for row in rows
        if (job is None or row.job == job)
        and (board is None or board in (good.get(row.id), jobs.get(row.job or ""), row.conditions.board))
        and (since_ns is None or row.start_ns >= since_ns)
    ]
    journal, trips = _settings(log), _trip_numbers(log)
    found = []
    for row in sorted(chosen, key=lambda row: (row.start_ns, row.id)):
        settings = _during(journal.get((row.supply, row.channel), []), row)
        plan = next((each.plan for each in reversed(settings) if each.on), "")
        found.append(Wanted(row.id, plan, settings, trips.get(row.id), row.id in good))
    return found


def archived(log: Log, want: Wanted) -> Archived:
    """The trace with its readings. Raises LogError, as for a damaged block."""
    row = _must(log, want.id)
    trip = log.trip(want.trip) if want.trip is not None else None
    from_ns = min(row.start_ns, want.settings[0].t_ns) if _with_probe(want.settings, row) else row.start_ns
    seen = log.samples(row.supply, row.channel, from_ns, row.end_ns + 1)
    if trip is not None:
        # Not those of a power-up before it: the guard keeps so many readings, whatever they are of.
        from_ns = max(from_ns, trip.tripped.on_ns)
        seen = with_trip_readings(seen, trip_samples(trip.tripped)).between(from_ns, row.end_ns + 1)
    return Archived(
        id=row.id,
        trace=Trace(seen.between(row.start_ns, row.end_ns + 1), row.start_ns, row.conditions, _marks(row, trip)),
        job=row.job,
        board=board_of(log, row),
        supply=row.supply,
        channel=row.channel,
        seen=seen,
        power=power_up(row, want.settings, trip),
        trip=_trip(row, trip),
        finding=row.finding,
        reference=want.reference,
        guarded=row.reason != IMPORTED or any(mark.kind == "tripped" for mark in row.marks),
    )


def power_up(row: TraceRow, settings: tuple[Setting, ...], trip: StoredTrip | None) -> PowerUp | None:
    """What the output did during a trace. None: the voltage or limit that it was taken with is not known."""
    until_ns = trip.tripped.off_sent_ns if trip is not None else _off_ns(row)
    parts = tuple(
        Part(each.t_ns, each.stage, each.voltage_v, each.limit_a)
        for each in (settings if _with_probe(settings, row) else _since(settings, row.start_ns))
        if each.on and each.voltage_v > 0 and each.limit_a > 0
    )
    if trip is None or trip.tripped.stage != "probe":
        parts = _begun(parts, row.start_ns)
    if trip is not None and trip.tripped.set_voltage_v > 0 and trip.tripped.limit_a > 0:
        parts = _as_tripped(parts, row.start_ns, trip.tripped)
    if not parts:
        parts = _by_conditions(row.conditions, row.start_ns)
    on_ns = trip.tripped.on_ns or None if trip is not None else None
    return PowerUp(parts, until_ns, on_ns) if parts else None


# ---- within ---------------------------------------------------------------------------------------------------------


def _must(log: Log, trace: str) -> TraceRow:
    row = log.trace(trace)
    if row is None:
        raise LogError(f"trace {trace!r} is not in this log; `benchd trace list` shows what is")
    return row


def _settings(log: Log) -> dict[tuple[str, int], list[Setting]]:
    """All that the journal says of outputs, oldest first, by supply and channel: one look, since it has no index for
    single traces."""
    found: dict[tuple[str, int], list[Setting]] = defaultdict(list)
    rows = log.rows("SELECT t_ns, supply, channel, payload FROM journal WHERE kind = 'output' ORDER BY t_ns, seq")
    for t_ns, supply, channel, payload in rows:
        if supply is None or channel is None:
            continue
        said = _PAYLOAD.decode(payload)
        on = said.get("output") == "on"
        volts, amps = said.get("set_voltage_v") or 0.0, said.get("limit_a") or 0.0
        found[supply, channel].append(Setting(t_ns, on, said.get("stage") or "", said.get("plan") or "", volts, amps))
    return found


def _trip_numbers(log: Log) -> dict[str, int]:
    """The trip of each trace that has one; the first where there are several."""
    return dict(log.rows("SELECT trace, id FROM trips WHERE trace IS NOT NULL ORDER BY id DESC"))


def _during(settings: list[Setting], row: TraceRow) -> tuple[Setting, ...]:
    """What held from the power-on before the trace's start to its end."""
    first = bisect.bisect_right(settings, row.start_ns, key=lambda each: each.t_ns)
    last = bisect.bisect_right(settings, row.end_ns, key=lambda each: each.t_ns)
    while first and settings[first - 1].on:
        first -= 1
    return tuple(settings[first:last])


def _with_probe(settings: tuple[Setting, ...], row: TraceRow) -> bool:
    """Whether the trace begins with the power-on, or right after the probe: all since then is of its board."""
    first = next((each for each in settings if each.on and each.stage != "probe"), None)
    return bool(settings) and (first is None or row.start_ns <= first.t_ns)


def _since(settings: tuple[Setting, ...], start_ns: int) -> tuple[Setting, ...]:
    """What held at a time, and what came after it."""
    before = sum(1 for each in settings if each.t_ns <= start_ns)
    return settings[max(before - 1, 0) :]


def _begun(parts: tuple[Part, ...], start_ns: int) -> tuple[Part, ...]:
    """With the first part after the probe from the trace's start on, where the journal told it a little late: a trace
    begins no earlier."""
    for n, part in enumerate(parts):
        if part.stage != "probe":
            late = start_ns < part.from_ns <= start_ns + TOLD_LATE_NS
            return (*parts[:n], part._replace(from_ns=start_ns), *parts[n + 1 :]) if late else parts
    return parts


def _off_ns(row: TraceRow) -> int | None:
    """When the output went off, as the marks have it."""
    return min((mark.t_ns for mark in row.marks if mark.kind in ("off", "tripped")), default=None)


def _as_tripped(parts: tuple[Part, ...], start_ns: int, trip: Tripped) -> tuple[Part, ...]:
    """The parts, to the settings that the trip was judged by. One while the boot's settings were written is judged by
    these, and ends the stage before the journal has them."""
    volts, amps = trip.set_voltage_v, trip.limit_a
    if not parts:
        return (Part(start_ns, trip.stage, volts, amps),)
    if (parts[-1].voltage_v, parts[-1].limit_a) == (volts, amps) or trip.stage == "probe":
        return parts
    return (*parts, Part(max(trip.onset_ns, parts[-1].from_ns + 1), "boot", volts, amps))


def _trip(row: TraceRow, trip: StoredTrip | None) -> Trip | None:
    """As it was: by its record, else (an imported trace) by its mark."""
    if trip is not None:
        tripped = trip.tripped
        at_s = (tripped.detected_ns - row.start_ns) / 1e9
        return Trip(tripped.rule, round(at_s, 6), tripped.stage, tripped.text)
    mark = next((mark for mark in row.marks if mark.kind == "tripped"), None)
    if mark is None:
        return None
    return Trip(mark.why, round((mark.t_ns - row.start_ns) / 1e9, 6))


def _marks(row: TraceRow, trip: StoredTrip | None) -> tuple[Mark, ...]:
    """As they are filed; a trip's of an earlier version does not say its rule, which its record has."""
    if trip is None:
        return tuple(row.marks)
    rule = trip.tripped.rule
    return tuple(
        msgspec.structs.replace(mark, why=rule) if mark.kind == "tripped" and not mark.why else mark
        for mark in row.marks
    )


def _by_conditions(conditions: Conditions, start_ns: int) -> tuple[Part, ...]:
    volts, amps = conditions.set_voltage_v, conditions.limit_a
    if volts is None or amps is None or not (0 < volts < float("inf") and 0 < amps < float("inf")):
        return ()
    return (Part(start_ns, "", volts, amps),)
