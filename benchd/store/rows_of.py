"""What a row of each of the log's tables must be: its columns, and whether what it holds can be decoded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import msgspec

from benchd.guard.wire import Tripped
from benchd.jobs.jpeg import plain_size
from benchd.procedures.record import LeadSet, Run
from benchd.store import codec, job_rows
from benchd.store.readable import Row
from benchd.traces.trace import Conditions, Finding, Mark

# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_CONDITIONS = msgspec.json.Decoder(Conditions)
_MARKS = msgspec.json.Decoder(list[Mark])
_FINDING = msgspec.json.Decoder(Finding)
_TRIPPED = msgspec.msgpack.Decoder(Tripped)
_RUN = msgspec.json.Decoder(Run)
_LEADS = msgspec.json.Decoder(LeadSet)
_RISKS = msgspec.json.Decoder(list[str])
_OBJECT = msgspec.json.Decoder(dict[str, Any])


class Shape(NamedTuple):
    """A table. Rows come with their number (rowid) first, but for those that are found by a `key`."""

    columns: str
    key: str = ""
    times: tuple[int, int] = (0, 0)
    """Where in a row its first and last time (ns) stand; 0: it has none."""
    job: int = 0
    """Where the id of its job stands."""


TABLES = {
    "bench": Shape("key, value", "key"),
    "jobs": Shape(job_rows.COLUMNS, times=(5, 5)),
    "journal": Shape("seq, t_ns, kind, job, supply, channel, trace, payload", times=(2, 2), job=4),
    "traces": Shape(
        "id, job, supply, channel, start_ns, end_ns, reason, conditions, marks, finding, readings, peak_a, charge_c,"
        " energy_j",
        times=(5, 6),
        job=2,
    ),
    "trips": Shape("id, detected_ns, supply, channel, job, trace, rule, record, figures", times=(2, 2), job=5),
    "blocks": Shape(
        "seq, t0_ns, t1_ns, supply, channel, job, n, trace, half_trip_ns, dropped, data, thinned_from",
        times=(2, 3),
        job=6,
    ),
    "board_references": Shape("trace, board, note, added_ns", "trace"),
    "descriptors": Shape("trace, version, data", "trace"),
    "cursors": Shape("name, seq, rejected", "name"),
    "rejected": Shape("id, follower, seq, t_ns, reason, item", times=(4, 4)),
    "settings_changes": Shape("id, t_ns, settings", times=(2, 2)),
    "consents": Shape("id, t_ns, supply, profile, maker, model, key, who, text", times=(2, 2)),
    "forgotten": Shape("job, t_ns", "job"),
    "photos": Shape("id, t_ns, job, caption, width, height, added_by, thumbnail, jpeg", times=(2, 2), job=3),
    "runs": Shape(
        "seq, began_ns, job, id, card, ended_ns, outcome, reference, data, state",
        times=(2, 2),
        job=3,
    ),
    "leads": Shape("id, t_ns, supply, channel, name, data", times=(2, 2)),
    "unpacked": Shape("id, t_ns, job, from_bench, from_log, checksum", times=(2, 2), job=3),
}
"""In an order in which what is referred to comes before what refers to it."""


def fault_of(table: str, row: Row) -> str:
    """What is wrong with a row, empty where nothing is."""
    look = _LOOKS.get(table)
    try:
        for value in row:
            if isinstance(value, str):
                value.encode("utf-8")
        return look(row) if look is not None else ""
    except codec.CodecError as e:
        return str(e)
    except UnicodeEncodeError:
        return "its text is no UTF-8"
    except (msgspec.DecodeError, TypeError, ValueError) as e:
        return f"it cannot be decoded: {e}"


def _block(row: Row) -> str:
    _, _, t0_ns, t1_ns, supply, channel, _, n, *_, data, _ = row
    samples = codec.decode(data)
    if not (isinstance(supply, str) and isinstance(channel, int)):
        return f"it is of supply {supply!r}, channel {channel!r}"
    told = (n, t0_ns, t1_ns)
    held = (len(samples), int(samples.t_ns.min()), int(samples.t_ns.max())) if len(samples) else (0, t0_ns, t1_ns)
    if told != held:
        return f"it says {n} readings from {t0_ns} to {t1_ns} ns, and holds {held[0]} from {held[1]} to {held[2]} ns"
    return ""


def _job(row: Row) -> str:
    return "" if isinstance(_RISKS.decode(row[10]), list) and isinstance(row[13], int) else f"version {row[13]!r}"


def _journal(row: Row) -> str:
    _OBJECT.decode(row[8])
    return "" if isinstance(row[3], str) and isinstance(row[2], int) else f"kind {row[3]!r} at {row[2]!r} ns"


def _trace(row: Row) -> str:
    _CONDITIONS.decode(row[8])
    _MARKS.decode(row[9])
    if row[10]:
        _FINDING.decode(row[10])
    ordered = isinstance(row[5], int) and isinstance(row[6], int) and row[5] <= row[6]
    return "" if ordered and isinstance(row[11], int) else f"from {row[5]!r} to {row[6]!r} ns, {row[11]!r} readings"


def _photo(row: Row) -> str:
    width, height, small, jpeg = row[5], row[6], row[8], row[9]
    plain_size(small)
    holds = plain_size(jpeg)
    return "" if holds == (width, height) else f"it says {width} × {height} pixels, and holds {holds[0]} × {holds[1]}"


def _run(row: Row) -> str:
    run = _RUN.decode(row[9])
    if row[10]:
        _OBJECT.decode(row[10])
    told, holds = (row[4], row[5], row[2], row[6], row[7]), (run.id, run.card, run.began_ns, run.ended_ns, run.outcome)
    return "" if told == holds else f"it says {told}, and holds {holds}"


def _lead(row: Row) -> str:
    holds = _LEADS.decode(row[6])
    told = row[2:6]
    return "" if told == (holds.t_ns, holds.supply, holds.channel, holds.name) else f"it says {told}, and holds {holds}"


def _trip(row: Row) -> str:
    _TRIPPED.decode(row[8])
    if row[9]:
        _OBJECT.decode(row[9])
    return ""


_LOOKS: dict[str, Callable[[Row], str]] = {
    "blocks": _block,
    "jobs": _job,
    "journal": _journal,
    "leads": _lead,
    "photos": _photo,
    "runs": _run,
    "traces": _trace,
    "trips": _trip,
}
