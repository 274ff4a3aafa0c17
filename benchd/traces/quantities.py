"""What signature cards may look at: one flat table of quantities with unit, meaning and where the formula stands.

Most are features by another name: their formulas and sources stand in `features`, `start`, `repeats` and `line`; those
that are put together from several in `quantity_formulas`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from benchd.traces import quantity_formulas as made
from benchd.traces.quantity_formulas import Whole

Formula = Callable[[Whole], float | None]


class Quantity(NamedTuple):
    """One line of the table."""

    name: str
    unit: str
    """As in A, V, s, Ω, 1/s; "1" for a number or share, "%" for a share in per cent."""
    label: str
    """What evidence calls it."""
    meaning: str
    of: Formula | str
    """The formula, or the way to a feature, as in "rest.tail_a"."""
    u: Formula | str | None = None
    """Expanded uncertainty (k = 2), in `unit`."""


def _peak_u(w: Whole) -> float:
    return w.f.known.current_u(w.rest.peak_a, w.line.resolution_a, w.line.sigma_a)


def _lasting_u(w: Whole) -> float:
    # A mean over a bin; what its noise and step leave is in `sigma_a` of the bins.
    return w.f.known.current_u(w.rest.sustained_a, 0.0, w.bins.sigma_a)


def _before_button_s(w: Whole) -> float:
    return w.start.leak_to_s - w.start.leak_from_s


_Q = Quantity
_TABLE = (
    # ---- the trace and its instrument
    _Q("readings", "1", "readings", "readings with the output on", lambda w: float(len(w.line.t_s))),
    _Q("duration_s", "s", "length", "time with the output on", "f.duration_s"),
    _Q("rate_per_s", "1/s", "rate", "readings a second, by the median interval", "f.rate_per_s"),
    _Q("longest_gap_s", "s", "longest gap", "longest time between two readings", "line.longest_gap_s"),
    _Q("step_a", "A", "step", "step of the current reading, as given or as seen", "line.resolution_a"),
    _Q("noise_a", "A", "noise", "standard deviation of a reading of a quiet current", "line.sigma_a"),
    _Q("set_v", "V", "set voltage", "the supply's setting, or what it seems to be", "line.set_v"),
    _Q("limit_a", "A", "current limit", "the supply's current limit, where told", "line.limit_a"),
    _Q("limit_told", "1", "limit told", "1: the limit is known", lambda w: float(w.line.limit_a is not None)),
    _Q("lowest_v", "V", "lowest voltage", "the second-lowest per cent while current flows", made.lowest_v),
    _Q("highest_v", "V", "highest voltage", "highest voltage read", lambda w: float(w.line.voltage_v.max())),
    _Q(
        "reversed",
        "1",
        "the wrong way round",
        "1: the voltage is below zero while current flows",
        lambda w: float(w.f.reversed is not None),
    ),
    _Q("backwards", "%", "current backwards", "of the readings, those with a current below zero", made.backwards),
    _Q("unusable", "%", "unusable readings", "no numbers, or not later than the one before", made.unusable),
    _Q("starved_s", "s", "starved", "time with the voltage lower than resistance explains", "f.starved_s"),
    _Q("starved_falls", "1", "starved falls", "falls to nothing right after the source gave way", "rest.starved_falls"),
    _Q(
        "falls", "1", "falls to nothing", "amid work, the voltage staying, after which it works again", "rest.lost_work"
    ),
    _Q(
        "fall_scatter",
        "1",
        "unevenness of the falls",
        "standard deviation of the times between falls to nothing over their mean",
        made.fall_scatter,
    ),
    _Q("falls_first_s", "s", "first fall", "when the first of them was", made.first_fall_s),
    _Q("falls_last_s", "s", "last fall", "when the last of them was", made.last_fall_s),
    _Q("source_ohm", "Ω", "source and leads", "their resistance, by voltage over current", "f.source.ohm"),
    _Q("charge_c", "C", "charge", "∫ I dt", "f.charge_c"),
    _Q("energy_j", "J", "energy", "∫ V·I dt", "f.energy_j"),
    _Q(
        "tripped",
        "1",
        "tripped",
        "1: the output was switched off to protect the board",
        lambda w: float(w.f.tripped_s is not None),
    ),
    _Q("trip_s", "s", "trip", "when", "f.tripped_s"),
    # ---- before the button, and the button
    _Q("button_s", "s", "button", "time of the button, marked or recognised", "start.button_s"),
    _Q(
        "button_seen",
        "1",
        "button seen",
        "1: the button is marked, or was recognised",
        lambda w: float(w.start.button_s is not None),
    ),
    _Q("button_by_hand", "1", "button by hand", "1: a person marked it", lambda w: float(w.start.button_by == "hand")),
    _Q(
        "button_is_first_current",
        "1",
        "button is first current",
        "1: the first current was taken for the button; it may have been the clip",
        lambda w: float(w.start.button_by == "recogniser" and w.start.first_s == w.start.button_s),
    ),
    _Q(
        "leak_a",
        "A",
        "current before the button",
        "mean of the last stretch before the button",
        "start.leak_a",
        "f.leak_u_a",
    ),
    _Q("leak_window_s", "s", "time before the button", "over which that mean is taken", _before_button_s),
    _Q(
        "leak_excess",
        "1",
        "leak",
        "0: a normal current before the button for this voltage; 1: an odd one; by its logarithm",
        made.leak_excess,
    ),
    _Q(
        "leak_is_pause",
        "1",
        "leak is a pause",
        "1: as low as the pauses of a repetition, and no button marked by hand",
        made.leak_is_pause,
    ),
    _Q(
        "standby_share",
        "1",
        "stand-by",
        "share of the largest normal current before the button, from 6 mA on",
        made.standby_share,
    ),
    _Q("leak_held", "%", "voltage up before the button", "of those readings, voltage at 90 % or more", made.leak_held),
    _Q("normal_leak_a", "A", "largest normal current before the button", "at this voltage", "f.normal_leak_a"),
    _Q(
        "leak_sure",
        "1",
        "leak is before the button",
        "1: the stretch lies before the button for certain",
        "start.leak_sure",
    ),
    _Q(
        "clip_untold",
        "1",
        "clip not seen",
        "1: only the later rise tells that the leak began with the connection",
        "start.clip_untold",
    ),
    # ---- after the button
    _Q(
        "rest_s",
        "s",
        "time after the button",
        "from the button, or else the first current, to the end",
        "rest.length_s",
    ),
    _Q("peak_a", "A", "highest reading", "highest single reading after the button", "rest.peak_a", _peak_u),
    _Q(
        "sustained_a",
        "A",
        "highest lasting current",
        "highest current that stayed for two or three bins",
        "rest.sustained_a",
        _lasting_u,
    ),
    _Q("height_a", "A", "height", "the same, or the highest half second before the stable end", made.height_a),
    _Q(
        "rise_clear_a",
        "A",
        "rise",
        "lasting rise over what flowed before, less what noise and step may have made of it",
        made.rise_clear_a,
    ),
    _Q(
        "kick_top_a",
        "A",
        "height of the kick",
        "highest current over what flowed before, a charging spike left out",
        made.kick_top_a,
    ),
    _Q(
        "spell_s",
        "s",
        "longest spell",
        "longest run of readings above what flowed before, charging left out",
        "rest.spell_s",
    ),
    _Q("drawn_s", "s", "time with current", "time above what flowed before the button", "rest.drawn_s"),
    _Q("tail_s", "s", "stable end", "length of the stable end", "rest.tail_s"),
    _Q(
        "tail_share",
        "1",
        "share of the stable end",
        "of the time after the button",
        lambda w: w.rest.tail_s / max(w.rest.length_s, 1e-9),
    ),
    _Q("tail_a", "A", "level", "mean of the stable end", "rest.tail_a", made.tail_u),
    _Q(
        "tail_above_leak_a",
        "A",
        "level over the leak",
        "the same over what flowed before the button",
        made.tail_above_leak_a,
    ),
    _Q(
        "tail_above_base_a",
        "A",
        "level over what flowed before",
        "the same, whether or not that was before the button for certain",
        lambda w: w.rest.tail_a - made.base_a(w),
    ),
    _Q(
        "tail_texture_a",
        "A",
        "scatter of the level",
        "standard deviation of the stable end's bins",
        "rest.tail_texture_a",
    ),
    _Q(
        "tail_roughness",
        "1",
        "roughness",
        "that scatter over what noise, step and 3 % of the level make of a flat line",
        made.tail_roughness,
    ),
    _Q(
        "tail_liveliness",
        "1",
        "liveliness",
        "what the board itself moves by at the end, noise taken off, over the level",
        made.tail_liveliness,
    ),
    _Q(
        "tripped_at_limit",
        "1",
        "cut at the limit",
        "1: the guard cut after the limit was held with the voltage up",
        "f.tripped_at_limit",
    ),
    _Q(
        "height_ratio",
        "1",
        "height over level",
        "height_a over tail_a",
        lambda w: made.height_a(w) / w.rest.tail_a if w.rest.tail_a > 0 else None,
    ),
    _Q("high_s", "s", "time above the level", "time above 1.5 times the stable end", "rest.high_s"),
    _Q(
        "high_before_a",
        "A",
        "busiest half second",
        "highest mean over half a second before the stable end",
        lambda w: w.rest.high_before_tail_a or None,
    ),
    _Q(
        "settle_ratio",
        "1",
        "level over busiest",
        "tail_a over high_before_a",
        lambda w: w.rest.tail_a / w.rest.high_before_tail_a if w.rest.high_before_tail_a > 0 else None,
    ),
    _Q("busy_s", "s", "busy time", "time in which the current scatters well above noise", "rest.busy_s"),
    _Q("steps", "1", "changes of level", "by more than 20 mA and 8 % of the highest lasting current", "rest.steps"),
    _Q("rungs", "1", "rungs", "rises from one lasting level to the next", "rest.rungs"),
    _Q("dropouts", "1", "dropouts", "moments without current between currents, the voltage up", "rest.dropouts"),
    _Q("limit_s", "s", "time at the limit", "with the voltage up, the first inrush left out", "f.limit_s"),
    _Q(
        "sag",
        "%",
        "fall of the voltage",
        "largest fall that is no collapse, of the setting",
        lambda w: 100 * w.f.sag,
        lambda w: 100 * w.f.sag_u,
    ),
    _Q("leads_known", "1", "leads known", "1: what the leads have is known", made.leads_known),
    _Q("lead_ohm", "Ω", "leads", "what the leads have, there and back", "f.known.lead_ohm", "f.known.lead_u_ohm"),
    _Q("lead_drop_v", "V", "taken by the leads", "at the highest lasting current", made.lead_drop_v, made.lead_drop_u),
    _Q(
        "board_sag",
        "%",
        "fall at the board",
        "largest fall that is no collapse, with what the leads take, of the setting; not without what they have",
        made.board_sag,
        lambda w: 100 * w.f.board_sag_u,
    ),
    # ---- against the references of its board
    _Q("references", "1", "references", "good boards' traces that it can be compared with", made.references),
    _Q(
        "over_busy",
        "1",
        "over the references at work",
        "mean current while they are at work, over theirs",
        lambda w: made.over(w.against.busy) if w.against else None,
        lambda w: made.over_u(w.against.busy) if w.against else None,
    ),
    _Q(
        "over_busy_clear",
        "1",
        "clearly over at work",
        "by how many expanded uncertainties that is above 1",
        lambda w: made.over_clear(w.against.busy) if w.against else None,
    ),
    _Q("busy_a", "A", "current at work", "mean while the references are at work", "against.busy.current_a"),
    _Q("busy_reference_a", "A", "the references' at work", "mean of the references", "against.busy.reference_a"),
    _Q(
        "over_settled",
        "1",
        "over the references settled",
        "mean settled current over theirs",
        lambda w: made.over(w.against.settled) if w.against else None,
        lambda w: made.over_u(w.against.settled) if w.against else None,
    ),
    _Q(
        "over_settled_clear",
        "1",
        "clearly over when settled",
        "by how many expanded uncertainties that is above 1",
        lambda w: made.over_clear(w.against.settled) if w.against else None,
    ),
    _Q("settled_a", "A", "settled current", "mean of what it settles at", "against.settled.current_a"),
    _Q("settled_reference_a", "A", "the references' settled", "mean of the references", "against.settled.reference_a"),
    _Q("diverges_s", "s", "leaves its references", "for long, so long after the button", "against.divergence.at_s"),
    _Q("similarity", "1", "similarity", "to the references, 0 to 1", "against.similarity"),
    # ---- again and again
    _Q("repeat_count", "1", "rises", "rises of a repetition that were seen", "repeats.count"),
    _Q("period_s", "s", "period", "mean time from rise to rise", "repeats.period_s", "repeats.uncertainty_s"),
    _Q("repeat_scatter", "1", "unevenness", "standard deviation of the intervals over their mean", "repeats.scatter"),
    _Q("repeat_height", "1", "autocorrelation", "at the period; chance stays below 0.3", "repeats.height"),
    _Q(
        "repeat_begins",
        "1",
        "begins",
        "first rise after the button, in periods",
        lambda w: w.repeats.first_s / w.repeats.period_s if w.repeats else None,
    ),
    _Q("repeat_high_a", "A", "height", "of the tries", "repeats.high_a"),
    _Q(
        "repeat_low_a",
        "A",
        "pause",
        "current between the tries",
        lambda w: max(w.repeats.low_a, 0.0) if w.repeats else None,
    ),
    # ---- shorts
    _Q("short_share", "%", "share collapsed", "of the readings with current, the voltage collapsed", made.short_share),
    _Q(
        "short_stays", "1", "stays collapsed", "1: the voltage did not come back while current flowed", made.short_stays
    ),
    _Q(
        "short_pinned",
        "%",
        "share at the limit",
        "of the collapsed readings",
        lambda w: 100 * w.short.pinned_share if w.short else None,
    ),
    _Q(
        "short_pinned_known",
        "1",
        "limit known",
        "1: limit or mode say that; 0: judged from how even the current is",
        "short.pinned_known",
    ),
    _Q(
        "short_rise",
        "1",
        "rise of the voltage",
        "during the collapse, as a share of the setting; capacitors charge, shorts do not",
        made.short_rise,
    ),
    _Q("short_at_s", "s", "time of the collapse", "when its current began", "short.at_s"),
    _Q(
        "short_at_once",
        "1",
        "at once",
        "1: it was there with the first current; 0: the board had been fine",
        made.short_at_once,
    ),
    _Q("short_before_s", "s", "time before", "how long the output had been on", "short.before_s"),
    _Q("short_before_a", "A", "current before", "in the second before", "short.before_a"),
    _Q("short_v", "V", "voltage", "median of the collapsed readings", "short.voltage_v"),
    _Q("short_a", "A", "current", "likewise", "short.current_a"),
    _Q("short_ohm", "Ω", "resistance", "V/I, leads included", "short.ohm"),
    _Q("short_board_ohm", "Ω", "resistance", "V/I, leads taken off", made.short_board_ohm),
    _Q("short_w", "W", "heat", "V·I", lambda w: w.short.voltage_v * w.short.current_a if w.short else None),
    _Q(
        "tripped_as_reversed",
        "1",
        "cut as reversed",
        "1: the guard cut because of reversed polarity or no voltage at all",
        lambda w: float(w.trip_rule == "reverse"),
    ),
    _Q(
        "told_short",
        "1",
        "told as a short",
        "1: the guard's mark says that it cut because of a short",
        made.told_short,
    ),
    _Q("tripped_by_short", "1", "cut as a short", "1: the guard cut because of it", made.tripped_by_short),
)
QUANTITIES: dict[str, Quantity] = {q.name: q for q in _TABLE}
