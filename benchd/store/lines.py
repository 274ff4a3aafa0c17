"""Readings, trips and findings as lines of InfluxDB line protocol, ns precision.

    supply_reading  voltage (V), current (A), power (W), mode ("cv", "cc", "off", "unknown")   at the reading's time
    supply_trip     rule, text, stage, set_voltage, limit, budget_j, let_through_c, let_through_j, let_through_a2s,
                    and the upper bound of each (let_through_c_most ...),
                    off_confirmed (boolean), off_sent_s, off_confirmed_s (s after the onset)   at the onset's detection
    trace_finding   signature, confidence, reason, duration_s, readings, peak, charge, energy  at the trace's start

Tags of all three: bench, supply, channel, and job and trace where known. A point is known by measurement, tags and
time, so a line sent again is the same point. Escaping and types as in the "Line protocol" page of the InfluxDB v2
reference: comma, equals and space in tags; double quote and backslash in strings; no line breaks; no NaN or infinity.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.jobs.job import JournalEntry
from benchd.store.blocks import StoredBlock

EVENT_KINDS = ("trip", "trace", "finding")
"""Journal entries that become points."""
MAX_STRING = 1000
_MODES = ("unknown", "cv", "cc", "off")
_TAG = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ ", "\n": "\\ ", "\r": "\\ "})
_STRING = str.maketrans({'"': '\\"', "\\": "\\\\", "\n": " ", "\r": " "})

Field = str | float | int | bool | None


def tag_set(bench: str, supply: str | None, channel: int | None, job: str | None, trace: str | None) -> str:
    """The tags, each with a comma before it, in the order that servers sort them by. Unknown ones are left out."""
    tags = {"bench": bench, "channel": channel, "job": job, "supply": supply, "trace": trace}
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
    volts, amps, modes = s.voltage_v.tolist(), s.current_a.tolist(), s.mode.tolist()
    if not np.isfinite(power).all():
        return [
            f"{head} {field_set({'voltage': v, 'current': i, 'power': p, 'mode': _mode(m)})} {t}"
            for t, v, i, p, m in zip(s.t_ns.tolist(), volts, amps, power.tolist(), modes, strict=True)
        ]
    # An instrument's steps are few, so each number is written out once; this is where a backlog spends its time.
    start = {v: f"{head} voltage={v!r},current=" for v in set(volts)}
    middle = {i: f"{i!r},power=" for i in set(amps)}
    end = {m: f',mode="{_mode(m)}" ' for m in set(modes)}
    return [
        f"{start[v]}{middle[i]}{p!r}{end[m]}{t}"
        for t, v, i, p, m in zip(s.t_ns.tolist(), volts, amps, power.tolist(), modes, strict=True)
    ]


def event_line(entry: JournalEntry, bench: str) -> str:
    """The point of a journal entry whose kind is one of EVENT_KINDS."""
    tags = tag_set(bench, entry.supply, entry.channel, entry.job, entry.trace)
    p = entry.payload
    if entry.kind == "trip":
        fields: dict[str, Field] = {
            "rule": p.get("rule"),
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
    fields = {
        "signature": finding.get("signature", "unread"),
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
