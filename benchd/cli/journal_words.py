"""Entries of the journal that people make, as lines for the terminal."""

from __future__ import annotations

from typing import Any

_TICKED = {"done": "done", "not-needed": "not needed", "open": "open again"}
_FILES = {"plan": "plan", "card": "signature card", "checklist": "checklist", "steps": "kinds of steps",
          "supplies": "settings"}  # fmt: skip


def journal_words(kind: str, p: dict[str, Any]) -> str | None:
    """What an entry of this kind says; None: it is not one of these. Forgetting takes keys away."""
    match kind:
        case "job-changed":
            said = f"changed: {', '.join(p.get('changed') or ())}"
        case "job-state":
            said = f"{p.get('before', '')} -> {p.get('after', '')}"
        case "photo":
            said = _photo(p)
        case "photo-removed":
            said = f"photo {p.get('photo', '')} removed"
        case "step":
            said = _step(p)
        case "step-taken-back":
            said = f"entry {p.get('seq', '')} taken back: {p.get('label', '')}"
        case "check":
            note = f" ({p['note']})" if p.get("note") else ""
            state = _TICKED.get(p.get("state", ""), "")
            said = f"{p.get('title') or p.get('list', '')}: {p.get('label', '')}: {state}{note}"
        case "procedure":
            said = f"{p.get('title', '')} ({p.get('run', '')}): {p.get('outcome', '')}. {p.get('text', '')}".rstrip(
                ". "
            )
        case "lead":
            said = f"leads: {1e3 * float(p.get('ohm', 0)):.3g} mΩ"
        case "files":
            keys = f": {', '.join(p['changed'])}" if p.get("changed") else ""
            said = f"{_FILES.get(p.get('file', ''), p.get('file', ''))} {p.get('name', '')} {p.get('what', '')}{keys}"
        case "access":
            role = f" ({p['role']})" if p.get("role") else ""
            came = f" from {p['from']}" if p.get("from") else ""
            return f"{p.get('what', '')}: {p.get('name', '')}{role}{came}"
        case _:
            return None
    return f"{said}, by {p['by']}" if p.get("by") else said


def _step(p: dict[str, Any]) -> str:
    said = ": ".join(part for part in (p.get("label") or p.get("step", ""), p.get("detail"), p.get("text")) if part)
    took = f", {p['minutes']:g} min" if p.get("minutes") else ""
    passed = f", though {len(p['anyway'])} checks that come first were open" if p.get("anyway") else ""
    return said + took + passed


def _photo(p: dict[str, Any]) -> str:
    caption = f": {p['caption']}" if p.get("caption") else ""
    size = f", {p['width']} x {p['height']}" if p.get("width") and p.get("height") else ""
    return f"photo {p.get('photo', '')}{caption}{size}"
