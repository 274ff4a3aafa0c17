"""Traces and findings as the commands print them: one JSON object, or text for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.cli import job as job_cli

if TYPE_CHECKING:
    from benchd.store.log import TraceRow
    from benchd.traces.trace import Finding


def finding_record(finding: Finding) -> dict[str, Any]:
    """A finding as one JSON object: signature, confidence, evidence, button_s, alternatives, and the rest."""
    import msgspec

    whole = msgspec.to_builtins(finding)
    first = ("signature", "confidence", "evidence", "button_s", "alternatives")
    return {k: whole[k] for k in first} | {k: v for k, v in whole.items() if k not in first}


def finding_text(finding: Finding) -> str:
    """A finding for the terminal."""
    lines = [f"  {finding.signature}, confidence {finding.confidence:.0%}"]
    lines += [f"    evidence: {e.text}" for e in finding.evidence]
    lines += [f"    or: {a.signature} ({a.confidence:.0%}) {a.tell_apart}".rstrip() for a in finding.alternatives]
    lines += [f"    next: {n}" for n in finding.next_checks]
    lines += [f"    caution: {c}" for c in finding.cautions]
    return "\n".join(lines)


def trace_record(row: TraceRow) -> dict[str, Any]:
    """A trace's row as one JSON object, numbers with their units in the names."""
    return {
        "trace": row.id,
        "job": row.job,
        "supply": row.supply,
        "channel": row.channel,
        "start_ns": row.start_ns,
        "duration_s": round((row.end_ns - row.start_ns) / 1e9, 6),
        "reason": row.reason,
        "signature": row.finding.signature if row.finding else None,
        "confidence": row.finding.confidence if row.finding else None,
        "readings": row.readings,
        "peak_a": row.peak_a,
        "charge_c": row.charge_c,
        "energy_j": row.energy_j,
    }


def trace_line(row: TraceRow) -> str:
    """A trace's row for the terminal."""
    said = f"{row.finding.signature} ({row.finding.confidence:.0%})" if row.finding else "no finding"
    seconds = (row.end_ns - row.start_ns) / 1e9
    return (
        f"{row.id}  {job_cli.when(row.start_ns)}  job {row.job or '-'}  {said}  "
        f"peak {row.peak_a:.3f} A, {row.energy_j:.3f} J in {seconds:.1f} s, {row.readings} readings"
    )
