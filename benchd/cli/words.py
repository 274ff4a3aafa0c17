"""What the bench tells of, as lines for the terminal."""

from __future__ import annotations

from typing import Any

from benchd.traces.rounding import figure

_WHY = {
    "asked": "as asked",
    "trip": "by a trip",
    "instrument": "by the supply itself, or at its panel",
    "found-on": "found on though nobody had asked",
    "refused": "could not be switched on as asked",
    "link-lost": "the link to the supply was lost",
    "link-back": "read when the link came up",
    "daemon-lost": "the guard heard nothing from the daemon in time",
    "shutdown": "benchd ends",
    "on-time": "on for as long as its plan allows",
    "re-armed": "re-armed by a person",
    "blocked": "the supply did not answer in time",
    "guard-gone": "the guard was gone",
    "unexpected": "for safety, something unforeseen happened",
}
"""The guard's reasons for a change of an output. One that has no words here is shown as it is."""

_OLD_S = 2.0
"""A reading that is older is not shown as what flows now, s."""


def counted(number: int, one: str, more: str = "") -> str:
    """`1 trace`, `2 traces`; `more`: the plural, where it is not `one` with an s."""
    return f"{number} {one if number == 1 else more or one + 's'}"


def output_words(p: dict[str, Any]) -> str:
    """`output on, as asked: 4 V, limit 2 A (boot)`, from a change of an output."""
    reason = p.get("reason", "")
    text = "" if reason == "trip" else p.get("text")  # the trip has a line of its own
    why = text or _WHY.get(reason, reason)
    words = f"output {p.get('output', '')}" + (f", {why}" if why else "")
    if p.get("output") == "on" and p.get("set_voltage_v"):
        words += f": {p['set_voltage_v']:g} V, limit {p['limit_a']:g} A"
        words += f" ({p['stage']})" if p.get("stage") else ""
    return words


def channel_line(c: dict[str, Any]) -> str:
    """An output as the API shows it: `left channel 1: on, 3.998 V, 0.0071 A, set 4 V, limit 0.1 A, stage hold`."""
    parts = [str(c["output"]).upper() if c["output"] == "unknown" else str(c["output"])]
    if c["output"] != "off" and (c.get("reading_age_s") or 0.0) < _OLD_S:  # an older one says nothing of now
        parts += [f"{c[k]:.4g} {unit}" for k, unit in (("voltage_v", "V"), ("current_a", "A")) if c.get(k) is not None]
    if c["output"] == "on":
        parts += [f"set {c['set_voltage_v']:g} V"] if c.get("set_voltage_v") else []
        parts += [f"limit {c['limit_a']:g} A"] if c.get("limit_a") else []
        parts += [f"stage {c['stage']}"] if c.get("stage") else []
        parts += ["goes on with `benchd output next`"] if c.get("stage_by_hand") else []
    parts += _shown_by_stages(c)
    if c.get("latched"):
        wait_s = c.get("rearm_wait_s")
        when = f"may be re-armed in {wait_s:.1f} s" if wait_s else "re-arm it once the cause is found"
        parts.append(f"tripped ({(c.get('trip') or {}).get('rule', 'not known by which rule')}), {when}")
    if not c["link_up"]:
        parts.append(f"NOT reached: {c['link_text']}")
    return f"{c['supply']} channel {c['channel']}: {', '.join(parts)}"


def _shown_by_stages(c: dict[str, Any]) -> list[str]:
    """Rail and leak of the last power-on, where known, with their uncertainty (k = 2)."""
    rail, leak = c.get("probe") or {}, c.get("leak") or {}
    found = []
    for name, of, key, unit in (("rail", rail, "resistance_ohm", "Ω"), ("leak", leak, "current_a", "A")):
        if of.get(key) is None:
            continue
        u = of.get("uncertainty_ohm" if unit == "Ω" else "uncertainty_a")
        found.append(f"{name} {figure(of[key], u, unit)}")
    if found and c["output"] != "on":
        found[0] = f"last power-on: {found[0]}"
    return found


def link_words(p: dict[str, Any]) -> str:
    """Whether a supply is reached, from a change of its link."""
    if p.get("up"):
        by = f" (profile {p['profile']}, {p.get('trust', '')})" if p.get("profile") else ""
        return f"reached: {p.get('identity') or 'it does not say what it is'}{by}"
    return f"NOT reached: {p.get('text', '')}"


def trip_words(p: dict[str, Any]) -> str:
    """Which rule, why, and whether the output is off, from a trip."""
    state = "output off, confirmed" if p.get("off_confirmed") else "OUTPUT NOT CONFIRMED OFF"
    return f"trip {p.get('rule', '')}: {p.get('text', '')} ({state})"


def person_words(kind: str, p: dict[str, Any]) -> str:
    """What a person did to an output (re-arm, advance), or what quiet hours did, from the journal."""
    by = f" by {p['by']}" if p.get("by") else ""
    match kind:
        case "re-arm":
            return f"re-armed{by}"
        case "advance":
            return f"limit raised to that of the boot{by}"
    return f"quiet hours {p.get('hours', '')} began".replace("  ", " ")


def finding_words(finding: dict[str, Any]) -> str:
    """The signature, how sure, and the first reason, from a finding."""
    if not finding:
        return "no finding"
    why = finding["evidence"][0]["text"] if finding.get("evidence") else ""
    return f"{finding['signature']} ({finding['confidence']:.0%}): {why}"


def told(kind: str, p: dict[str, Any]) -> tuple[dict[str, Any], str] | None:
    """An event of the bench as a record (numbers with their units in the names) and as a line; None: not for here."""
    match kind:
        case "trip":
            record = {k: p[k] for k in ("job", "trace", "supply", "channel", "rule", "text", "detected_after_ms",
                      "off_confirmed", "off_confirmed_after_ms", "let_through_c", "let_through_j",
                      "let_through_a2s")}  # fmt: skip
            return record, f"{p['job'] or 'no job'}: {trip_words(p)}"
        case "trace":
            return _trace(p["row"])
        case "job" if "chosen" in p:
            return {"job": p["chosen"]}, f"on the bench: {p['chosen'] or 'no job'}"
        case "output" if p["reason"] == "switching-on":
            return None  # what comes of it follows within a moment
        case "output":
            record = {k: p[k] for k in ("supply", "channel", "output", "reason", "text", "set_voltage_v", "limit_a")}
            record |= {k: p[k] for k in ("stage", "plan", "by") if k in p}
            return record, f"{p['supply']} channel {p['channel']}: {output_words(p)}"
        case "stage":
            return dict(p), f"{p['supply']} channel {p['channel']}: {p['stage']}: {p['text']}"
        case "link":
            record = {k: p[k] for k in ("supply", "up", "identity", "text")}
            record |= {k: p[k] for k in ("profile", "trust", "resource") if k in p}
            return record, f"{p['supply']}: {link_words(p)}"
        case "consent":
            who = p["who"] or "somebody"
            return dict(p), f"{p['supply']}: consent to unverified profile {p['profile']}, given by {who}"
    return None


def _trace(row: dict[str, Any]) -> tuple[dict[str, Any], str]:
    finding = row["finding"] or {}
    record = {
        "job": row["job"],
        "trace": row["id"],
        "supply": row["supply"],
        "channel": row["channel"],
        "signature": finding.get("signature"),
        "confidence": finding.get("confidence"),
        "button_s": finding.get("button_s"),
        "duration_s": round((row["end_ns"] - row["start_ns"]) / 1e9, 3),
        "peak_a": round(row["peak_a"], 4),
        "charge_c": round(row["charge_c"], 5),
        "energy_j": round(row["energy_j"], 5),
        "readings": row["readings"],
        "ended": row["reason"],
    }
    return record, f"{row['job'] or 'no job'}: {finding_words(finding)}"
