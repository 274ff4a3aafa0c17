"""A trace: the readings of one power-up with its marks and the settings it was taken with; and its finding."""

from __future__ import annotations

import dataclasses
from typing import Literal

import msgspec

from benchd.traces.samples import Samples

MarkKind = Literal["connected", "button", "boot-end", "removed", "tripped", "off"]
HandKind = Literal["connected", "button", "boot-end", "removed"]
"""Those that a person can set."""


class Mark(msgspec.Struct, frozen=True):
    """A moment in a trace. `by`: "recogniser", or "hand" when a person (page, CLI, MQTT, file) gave it."""

    kind: MarkKind
    t_ns: int
    by: Literal["recogniser", "hand", "guard"] = "recogniser"
    why: str = ""
    """Of `tripped`: the guard's rule that cut, such as "short"; empty: not known."""


class Conditions(msgspec.Struct, frozen=True):
    """How a trace was measured. None: not known."""

    set_voltage_v: float | None = None
    limit_a: float | None = None
    resolution_a: float | None = None
    """Smallest step of the current reading, A."""
    accuracy_fraction_a: float | None = None
    """Accuracy of current readings, ± (fraction of the reading + offset): the fraction."""
    accuracy_offset_a: float | None = None
    """The offset, A. With neither above 0 the accuracy is not stated."""
    board: str = ""
    accuracy_fraction_v: float | None = None
    """The same for voltage readings."""
    accuracy_offset_v: float | None = None
    """The offset, V."""
    resolution_v: float | None = None
    """Smallest step of the voltage reading, V."""
    side: str = ""
    """Where the board was fed, as told by a plan, a file or a person: "battery" (its battery's terminals or another
    input), "usb" (5 V of USB), or empty: not told."""
    lead_ohm: float | None = None
    """Between where the voltage is held and measured, and the board: both leads together, there and back, or what sense
    leads leave of them, Ω."""
    lead_u_ohm: float | None = None
    """Its expanded uncertainty (k = 2), Ω."""


@dataclasses.dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one power-up. `start_ns` is t = 0 of every time in s that is said about it."""

    samples: Samples
    start_ns: int
    conditions: Conditions
    marks: tuple[Mark, ...] = ()

    def mark_s(self, kind: MarkKind) -> float | None:
        """Time of the first mark of this kind, s after the start; None without one. A mark by hand wins."""
        found = sorted((m for m in self.marks if m.kind == kind), key=lambda m: (m.by != "hand", m.t_ns))
        return (found[0].t_ns - self.start_ns) / 1e9 if found else None


class Evidence(msgspec.Struct, frozen=True):
    """One fact that a finding stands on."""

    text: str
    """A sentence for the technician, figures with units."""
    quantity: str = ""
    value: float | None = None
    unit: str = ""
    uncertainty: float | None = None
    """Expanded (k = 2), in `unit`."""


class Alternative(msgspec.Struct, frozen=True):
    """What else could explain the trace, and what would tell the two apart."""

    signature: str
    confidence: float
    tell_apart: str = ""


class Divergence(msgspec.Struct, frozen=True):
    """Where a trace first leaves the band of its references."""

    at_s: float
    """s after the button."""
    current_a: float
    reference_a: float
    """Mean of the references at that time, A."""
    difference_u_a: float
    """Expanded uncertainty (k = 2) of the difference of the two currents, A."""
    significance: float
    """The difference's amount over its standard uncertainty."""
    text: str = ""
    """A sentence for the technician, figures with units."""


class Finding(msgspec.Struct, frozen=True):
    """What a trace says."""

    signature: str
    confidence: float
    """0 to 1."""
    evidence: tuple[Evidence, ...]
    alternatives: tuple[Alternative, ...] = ()
    next_checks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    button_s: float | None = None
    """The button as marked or recognised, s after the trace's start; None when there was none to see."""
    cards: str = ""
    """The card that named it, as `id@version`; empty: findings from before there were cards."""
    divergence: Divergence | None = None
    """None: no references, or it does not leave their band."""
    similarity: float | None = None
    """To the references, 0 to 1; None: without references."""
