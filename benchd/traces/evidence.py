"""What there is to say where no shape is near, and what weakens a finding."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from benchd.traces.card_words import filled, milliamps
from benchd.traces.features import Features
from benchd.traces.quantities import QUANTITIES
from benchd.traces.quantity_values import Values
from benchd.traces.trace import Evidence

if TYPE_CHECKING:
    from benchd.traces.against import Against

FEW_READINGS = 20
SHORT_S = 3.0
SLOW_PER_S = 9.0
LONG_GAP_S = 1.0
FEW_KEEP = 0.7
"""Share of the sureness that is left with few readings, or a short time (estimate, no source)."""
LOST_SHARE = 0.02
"""Fewer unusable readings than this share need no word (our choice)."""
BACKWARDS_SHARE = 0.2
"""Share of readings with a current below zero that is no accident (estimate, no source)."""
BACKWARDS_KEEP = 0.6
"""Share of the sureness that is left then (estimate, no source)."""
COARSE_A = 0.005
"""A finer step weakens nothing, A (estimate, no source)."""
COARSE_STEPS = 10
"""With fewer steps from nothing to the highest current, its shape is hardly seen (estimate, no source)."""
COARSE_KEEPS = 0.94
"""Share of the sureness that is left then (estimate, no source)."""
USB_V = (4.4, 5.5)
"""A set voltage that may be USB's, V: from a bus-powered hub's least to the most of a port (USB 2.0 §7.2.2 with its
ECN, from memory)."""
USB_LEVELS = (
    (0.0025, "nothing, or a suspended device (at most 2.5 mA, USB 2.0 §7.2.3)"),
    (0.1, "a device that is not configured (at most 100 mA, USB 2.0 §7.2.1)"),
    (0.5, "a configured device (at most 500 mA, USB 2.0 §7.2.1)"),
    (0.9, "a configured device on USB 3 (at most 900 mA, USB 3.2 §11.4.1)"),
    (1.5, "a device on a charging port or Type-C (at most 1.5 A, USB BC 1.2 table 5-2)"),
    (3.0, "a device on Type-C (at most 3 A, USB Type-C §4.11)"),
)
"""Up to which current it would be what, A."""
OVER_LIMIT = 3.0
"""A supply regulates its current: so many times its limit do not flow for most of the time (common practice, no
source)."""
SLOW_KEEPS, GAP_KEEPS, UNTOLD_KEEPS = 0.94, 0.9, 0.94
"""Share of the sureness that is left with slow readings, with readings missing, and with the settings not known: from
counts of right findings on 1200 made-up traces."""


def quality(f: Features) -> tuple[float, list[str]]:
    """A factor up to 1 for how much a trace can carry, and sentences on what it lacks."""
    if f.start is None:
        return 0.5, []
    collapsed = f.short is not None and f.short.share > 0.5
    cut = collapsed and f.tripped_s is not None
    doubts = [*_too_little(f, collapsed, cut), *_seen_badly(f, cut)]
    return math.prod(keeps for keeps, _ in doubts), [text for _, text in doubts]


def _too_little(f: Features, collapsed: bool, cut: bool) -> Iterator[tuple[float, str]]:
    """What a trace is too short for: the share of the sureness that is left, and a sentence."""
    if len(f.line.t_s) < FEW_READINGS and not (cut or (collapsed and len(f.line.t_s) >= 5)):
        yield FEW_KEEP, f"Only {len(f.line.t_s)} readings with the output on: little to judge by."
    if f.duration_s < SHORT_S and not collapsed:
        yield FEW_KEEP, f"Only {f.duration_s:.2g} s with the output on: what comes later is not known."


def _seen_badly(f: Features, cut: bool) -> Iterator[tuple[float, str]]:
    """What its readings do not show; likewise."""
    if 0 < f.rate_per_s < SLOW_PER_S and not cut:
        yield SLOW_KEEPS, f"{f.rate_per_s:.1f} readings/s: anything shorter than {2 / f.rate_per_s:.1g} s is not seen."
    if f.line.longest_gap_s > max(LONG_GAP_S, 5 * f.line.interval_s):
        yield GAP_KEEPS, f"Readings are missing for up to {f.line.longest_gap_s:.1f} s."
    lost = f.line.sound.lost_share
    if lost > LOST_SHARE:
        yield 1 - lost, f"{lost:.0%} of the readings are no numbers or out of order, and were left out."
    height_a, step_a = f.rest.sustained_a if f.rest else 0.0, f.line.resolution_a
    if step_a >= COARSE_A and f.line.seen_a < height_a < COARSE_STEPS * step_a:
        text = f"The reading comes in steps of {milliamps(step_a)}: of {milliamps(height_a)} at most little is seen."
        yield COARSE_KEEPS, text
    if f.backwards_share > BACKWARDS_SHARE:
        text = f"{f.backwards_share:.0%} of the readings have a current below zero: are the meter's leads swapped?"
        yield BACKWARDS_KEEP, text
    if f.line.set_v is None or (f.short is not None and not f.short.pinned_known):
        text = "Set voltage or current limit are not known: they are judged from the readings."
        yield 1.0 if cut else UNTOLD_KEEPS, text


def beyond_limit(f: Features) -> Evidence | None:
    """A current that its own limit does not let through, for most of the time with current: not what flowed."""
    flows = f.line.current_a[f.line.current_a > f.line.seen_a]
    if f.line.limit_a is None or not len(flows):
        return None
    usual_a = float(np.median(flows))
    if usual_a <= OVER_LIMIT * f.line.limit_a:
        return None
    text = (
        f"{usual_a:.4g} A flow, {usual_a / f.line.limit_a:.0f} times the limit of {f.line.limit_a:g} A: it cannot be. "
        "Are the readings in mA, or is the limit another one?"
    )
    return Evidence(text, "current", usual_a, "A")


def references_told(compared: Against | None) -> list[str]:
    """Where the trace leaves its references, or why they cannot be compared."""
    if compared is None:
        return []
    if compared.why_not:
        return [f"Not compared with the references: {compared.why_not}."]
    said = [compared.divergence.text] if compared.divergence else ["It does not leave the band of its references."]
    if compared.similarity is not None:
        number = f"{compared.references} reference{'s' if compared.references > 1 else ''}"
        said.append(f"Similarity to {number} over {compared.compared_s:.1f} s: {compared.similarity:.2f} of 1.")
    return said


def usb_hint(values: Values) -> Evidence | None:
    """At about 5 V: what the level would mean on a USB port. Which it is, a trace does not tell."""
    set_v, tail_a = values["set_v"], values["tail_a"]
    if set_v is None or tail_a is None or not USB_V[0] <= set_v <= USB_V[1] or values["short_share"] is not None:
        return None
    means = next((text for most_a, text in USB_LEVELS if tail_a <= most_a), "")
    if not means:
        return None
    text = f"If this is the USB side, {milliamps(tail_a)} would be {means}; say so with `--side usb` or the plan."
    return Evidence(text, "level", tail_a, "A", values.uncertainty("tail_a"))


def nothing_on(f: Features) -> Evidence:
    """Why there is nothing to judge."""
    if not f.readings:
        return Evidence("The trace has no readings.", "readings", 0)
    if f.line.sound.lost_share >= 1:
        return Evidence("None of the readings has a time, a voltage and a current.", "readings", f.readings)
    if len(f.line.t_s):
        return Evidence("One single reading with the output on says nothing.", "readings", len(f.line.t_s))
    return Evidence(
        f"In {f.readings} readings the voltage never came: the output was off, or its leads are open before the "
        "measurement.",
        "readings",
        f.readings,
    )


_GENERAL = (
    ("The highest lasting current is {sustained_a ±}, the highest reading {peak_a ±}.", "sustained_a"),
    ("{steps} changes of level and {busy_s} of busy texture within {rest_s}.", "busy_s"),
    ("It ends at {tail_a ±}, after {tail_s} of it.", "tail_a"),
    ("The voltage is between {lowest_v} and {highest_v} while current flows.", "lowest_v"),
)


def general(values: Values) -> list[Evidence]:
    """What any trace can be described by."""
    told = []
    for template, name in _GENERAL:
        if (text := filled(template, values)) is not None:
            unit = values.unit(name).replace("1", "")
            told.append(Evidence(text, QUANTITIES[name].label, values[name], unit, values.uncertainty(name)))
    return told
