"""Readings, trips, findings and results of procedures as lines of InfluxDB line protocol, ns precision.

    supply_reading    at the reading's time
    supply_trip       at the onset's detection
    trace_finding     at the trace's start: read again, it takes the place of what it said before
    procedure_result  at the run's end, one for each result that is a number

`FIELDS` says what is in each. Tags of all: bench, supply, channel, and job and trace where known; `MORE_TAGS` has
those of one measurement alone. A point is known by measurement, tags and time, so a line sent again is the same point.
Escaping and types as in the "Line protocol" page of the InfluxDB v2 reference: comma, equals and space in tags; double
quote and backslash in strings; no line breaks; no NaN or infinity.

What people type (device, symptom, notes) is in none of them: a job is its id. The codes stand for words at servers
that keep numbers only (VictoriaMetrics).
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.jobs.job import JournalEntry
from benchd.store.blocks import StoredBlock

EVENT_KINDS = ("trip", "trace", "finding", "procedure")
"""Journal entries that become points."""
TAGS = ("bench", "channel", "job", "supply", "trace")
"""In the order that servers sort them by."""
MORE_TAGS = {
    "procedure_result": {
        "card": "name of the card",
        "result": "name of the result; of several of one name the last counts",
        "run": "id of the run",
        "unit": "of `value` and the others; left out where there is none",
    }
}
"""Of one measurement alone. The unit is one, since it goes with the result, and not with the field."""


class FieldIs(NamedTuple):
    """A field: `kind` is its type in line protocol (float, integer, string, boolean); `unit` is empty for none."""

    unit: str
    kind: str
    text: str


FIELDS: dict[str, dict[str, FieldIs]] = {
    "supply_reading": {
        "voltage": FieldIs("V", "float", "as read"),
        "current": FieldIs("A", "float", "as read"),
        "power": FieldIs("W", "float", "their product"),
        "mode": FieldIs("", "string", "cv, cc, off, unknown"),
    },
    "supply_trip": {
        "rule": FieldIs("", "string", "which trip rule"),
        "rule_code": FieldIs("", "integer", "the same as a number"),
        "text": FieldIs("", "string", "what was seen"),
        "stage": FieldIs("", "string", "probe, hold, boot"),
        "set_voltage": FieldIs("V", "float", "as set"),
        "limit": FieldIs("A", "float", "as set"),
        "budget_j": FieldIs("J", "float", "what the plan allows"),
        "let_through_c": FieldIs("C", "float", "charge from the onset to off"),
        "let_through_j": FieldIs("J", "float", "energy from the onset to off"),
        "let_through_a2s": FieldIs("A²s", "float", "I²t from the onset to off"),
        "let_through_c_most": FieldIs("C", "float", "upper bound"),
        "let_through_j_most": FieldIs("J", "float", "upper bound"),
        "let_through_a2s_most": FieldIs("A²s", "float", "upper bound"),
        "off_confirmed": FieldIs("", "boolean", "read back from the supply"),
        "off_sent_s": FieldIs("s", "float", "after the onset"),
        "off_confirmed_s": FieldIs("s", "float", "after the onset"),
    },
    "trace_finding": {
        "signature": FieldIs("", "string", "what the trace looks like"),
        "signature_code": FieldIs("", "integer", "the same as a number"),
        "confidence": FieldIs("", "float", "0 to 1"),
        "reason": FieldIs("", "string", "why the trace ended"),
        "duration_s": FieldIs("s", "float", "of the trace"),
        "readings": FieldIs("", "integer", "of the trace"),
        "peak": FieldIs("A", "float", "highest current"),
        "charge": FieldIs("C", "float", "of the trace"),
        "energy": FieldIs("J", "float", "of the trace"),
    },
    "procedure_result": {
        "value": FieldIs("as `unit`", "float", "what was measured"),
        "uncertainty": FieldIs("as `unit`", "float", "half of a 95 % interval"),
        "low": FieldIs("as `unit`", "float", "lower end of a 95 % interval that is not symmetrical"),
        "high": FieldIs("as `unit`", "float", "upper end"),
    },
}

RULE_CODES = {
    "short": 1, "over-current": 2, "over-voltage": 3, "reverse": 4, "budget": 5, "stale": 6, "instrument": 7,
    "panel": 8,
}  # fmt: skip
"""Rule → `rule_code`; 0 is one that is not here. A number is never used again for another."""
SIGNATURE_CODES = {
    "unread": 1, "unclear": 2, "clean-boot": 3, "no-draw": 4, "dead-short": 5, "late-short": 6, "early-leak": 7,
    "low-stall": 8, "mid-stall": 9, "boot-loop": 10, "brief-kick": 11, "limit-sag": 12, "over-draw": 13,
    "loose-contact": 14, "usb-charging": 15, "usb-enumerated": 16, "usb-nothing": 17, "usb-unconfigured": 18,
}  # fmt: skip
"""Signature → `signature_code`; 0 is one of one's own card. A number is never used again for another."""

MAX_STRING = 1000
_MODES = ("unknown", "cv", "cc", "off")
_TAG = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ ", "\n": "\\ ", "\r": "\\ "})
_STRING = str.maketrans({'"': '\\"', "\\": "\\\\", "\n": " ", "\r": " "})

Field = str | float | int | bool | None


def tag_set(
    bench: str, supply: str | None, channel: int | None, job: str | None, trace: str | None, **more: str
) -> str:
    """The tags, each with a comma before it, in the order that servers sort them by. Unknown ones are left out."""
    known = dict(zip(TAGS, (bench, channel, job, supply, trace), strict=True))
    tags = dict(sorted((known | more).items())) if more else known
    # A backslash at the end would escape what follows it.
    texts = {k: str(v).rstrip("\\").translate(_TAG) for k, v in tags.items() if v is not None}
    return "".join(f",{k}={v}" for k, v in texts.items() if v)


def field_set(fields: dict[str, Field]) -> str:
    """The fields, those that are None, NaN or infinite left out; may be empty."""
    parts = []
    for name, value in fields.items():
        match value:
            case bool():
                parts.append(f"{name}={'true' if value else 'false'}")
            case int():
                parts.append(f"{name}={value}i")
            case float() if math.isfinite(value):
                parts.append(f"{name}={value!r}")
            case str():
                parts.append(f'{name}="{value[:MAX_STRING].translate(_STRING)}"')
    return ",".join(parts)


def reading_lines(block: StoredBlock, bench: str) -> list[str]:
    """One line a reading."""
    s = block.samples
    head = "supply_reading" + tag_set(bench, block.supply, block.channel, block.job, block.trace)
    with np.errstate(all="ignore"):
        power = np.round(s.voltage_v * s.current_a, 9)  # nW: below that the product only shows float noise
    modes = s.mode.tolist()
    if not np.isfinite(power).all():
        columns = (s.t_ns.tolist(), s.voltage_v.tolist(), s.current_a.tolist(), power.tolist(), modes)
        return [
            f"{head} {field_set({'voltage': v, 'current': i, 'power': p, 'mode': _mode(m)})} {t}"
            for t, v, i, p, m in zip(*columns, strict=True)
        ]
    # This is where a backlog spends its time: whole columns are written out at once, and not number by number.
    end = {m: f',mode="{_mode(m)}" ' for m in set(modes)}
    return [
        f"{head} voltage={v},current={i},power={p}{end[m]}{t}"
        for t, v, i, p, m in zip(
            _texts(s.t_ns), _texts(s.voltage_v), _texts(s.current_a), _texts(power), modes, strict=True
        )
    ]


def _texts(column: NDArray[Any]) -> list[str]:
    """Each number, all of them finite, as its shortest text that reads back as the same number."""
    return msgspec.json.encode(column.tolist())[1:-1].decode().split(",") if len(column) else []


def event_lines(entry: JournalEntry, bench: str) -> list[str]:
    """The points of a journal entry whose kind is one of EVENT_KINDS: of a run as many as it has figures, else one."""
    return _result_lines(entry, bench) if entry.kind == "procedure" else [_event_line(entry, bench)]


def _result_lines(entry: JournalEntry, bench: str) -> list[str]:
    """No title and no statement is in them: those may hold what somebody typed."""
    p = entry.payload
    run = {"card": str(p.get("card", "")), "run": str(p.get("run", ""))}
    found: dict[str, str] = {}
    for result in p.get("results", ()):
        value, name = result.get("value"), str(result.get("name", ""))
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            continue
        figures = {"value": value} | {
            field: result.get(key) for field, key in (("uncertainty", "u"), ("low", "low"), ("high", "high"))
        }
        fields: dict[str, Field] = {field: _float(figure) for field, figure in figures.items()}
        more = run | {"result": name, "unit": str(result.get("unit", ""))}
        tags = tag_set(bench, entry.supply, entry.channel, entry.job, entry.trace, **more)
        found[name] = f"procedure_result{tags} {field_set(fields)} {p.get('ended_ns') or entry.t_ns}"
    return list(found.values())


def _event_line(entry: JournalEntry, bench: str) -> str:
    tags = tag_set(bench, entry.supply, entry.channel, entry.job, entry.trace)
    p = entry.payload
    if entry.kind == "trip":
        fields: dict[str, Field] = {
            "rule": p.get("rule"),
            "rule_code": RULE_CODES.get(p.get("rule", ""), 0),
            "text": p.get("text"),
            "set_voltage": _float(p.get("set_voltage_v")),
            "limit": _float(p.get("limit_a")),
            "let_through_c": _float(p.get("let_through_c")),
            "let_through_j": _float(p.get("let_through_j")),
            "let_through_a2s": _float(p.get("let_through_a2s")),
            "let_through_c_most": _float(p.get("let_through_c_most")),
            "let_through_j_most": _float(p.get("let_through_j_most")),
            "let_through_a2s_most": _float(p.get("let_through_a2s_most")),
            "budget_j": _float(p.get("budget_j")),
            "stage": p.get("stage") or None,
            "off_confirmed": p.get("off_confirmed"),
            "off_sent_s": _after(p.get("off_sent_ns"), p.get("onset_ns")),
            "off_confirmed_s": _after(p.get("off_confirmed_ns"), p.get("onset_ns")),
        }
        return f"supply_trip{tags} {field_set(fields)} {entry.t_ns}"
    finding = p.get("finding") or {}
    signature = finding.get("signature", "unread")
    fields = {
        "signature": signature,
        "signature_code": SIGNATURE_CODES.get(signature, 0),
        "confidence": _float(finding.get("confidence")),
        "reason": p.get("reason"),
        "duration_s": _float(p.get("duration_s")),
        "readings": p.get("readings"),
        "peak": _float(p.get("peak_a")),
        "charge": _float(p.get("charge_c")),
        "energy": _float(p.get("energy_j")),
    }
    return f"trace_finding{tags} {field_set(fields)} {p.get('start_ns', entry.t_ns)}"


def _mode(mode: int) -> str:
    return _MODES[mode] if mode < len(_MODES) else "unknown"


def _float(value: float | None) -> float | None:
    # JSON gives 1.0 back as 1; a field's type must not change from point to point.
    return None if value is None else float(value)


def _after(t_ns: int | None, onset_ns: int | None) -> float | None:
    return None if t_ns is None or onset_ns is None else (t_ns - onset_ns) / 1e9
