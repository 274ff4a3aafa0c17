"""The guard's rules over the readings of a trace: what they decide, and when. Pure.

The rules are those of `benchd.guard.rules` and `benchd.guard.stage` themselves: time is the readings' own, so they
decide here as they do in the guard, as far as the readings are those that the guard saw.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.guard.let_through import LetThrough
from benchd.guard.rules import NS, OVER_LIMIT_SHARE, Resolution, Rules, Verdict
from benchd.guard.stage import StageRun
from benchd.guard.wire import RuleLimits, Stage
from benchd.reading import Flag, Mode, Reading
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions

TOLD_LATE_NS = NS
"""The journal has a change of settings up to so long after the supply had it: reports are on their way for 20 ms, and
for longer on a busy machine. ns, our choice."""

_MODES = {int(mode): mode for mode in Mode}
_FLAGS = {n: Flag(n) for n in range(4)}


class Part(NamedTuple):
    """A stretch of a power-up with one setting: from `from_ns` until the next part begins."""

    from_ns: int
    stage: str
    """probe, hold, boot; empty: not known."""
    voltage_v: float
    limit_a: float


class PowerUp(NamedTuple):
    """What the output did while the trace was taken, as far as it is known."""

    parts: tuple[Part, ...]
    """At least one; readings before the first belong to it too."""
    until_ns: int | None = None
    """Until when it was on, the reading at that time included; None: to the trace's end."""
    on_ns: int | None = None
    """When it was switched on; None: not known to the reading."""


class Guarding(NamedTuple):
    """The rules that are to be tried."""

    limits: RuleLimits
    stages: tuple[Stage, ...] = ()
    """Those before the boot, for what they ask of a rail and of a leak."""
    limit_a: float | None = None
    """The limit of the boot, A; None: as it was."""


class Decision(NamedTuple):
    """A trip as the rules decide it."""

    rule: str
    text: str
    onset_ns: int
    detected_ns: int
    stage: str


class Held(NamedTuple):
    """Where a trace's current lies above a lower limit that is to be tried."""

    from_ns: int
    """The first reading above it."""
    longest_s: float
    """The longest stretch above it without a reading below, s."""
    limit_a: float


def resolution_of(conditions: Conditions, known: Resolution | None = None) -> Resolution:
    """What the readings can tell apart; `known`: of a supply of the settings, whose steps the trace's own stand before.

    Where nothing is known, noise is as many steps as in the rules' own default, and how often the supply renews its
    readings is not known.
    """
    usual = Resolution()
    base = known or usual._replace(refresh_s=None)
    step_v, step_a = conditions.resolution_v, conditions.resolution_a
    if step_v and known is None:
        base = base._replace(voltage_v=step_v, noise_v=step_v * usual.noise_v / usual.voltage_v)
    return base._replace(current_a=step_a) if step_a else base


def decide(samples: Samples, power: PowerUp, guarding: Guarding, resolution: Resolution) -> Decision | None:
    """The first trip that the rules decide on, None where they let all of it pass. Raises ValueError for limits that
    no rule can work with."""
    if power.until_ns is not None:
        samples = samples.between(-(2**62), power.until_ns + 1)
    if not len(samples):
        return None
    first, *later = _placed(samples, power.parts)
    begins_ns = int(samples.t_ns[0])
    probing = first.stage == "probe"
    started_ns = begins_ns if power.on_ns is None else min(begins_ns, power.on_ns)
    rules = Rules(guarding.limits, first.voltage_v, first.limit_a, resolution, started_ns, probing)
    for part, end_ns in zip((first, *later), (*(p.from_ns for p in later), 2**62), strict=True):
        if part is not first:
            rules.restage(part.voltage_v, part.limit_a, part.stage == "probe")
        stretch = samples.between(part.from_ns if part is not first else -(2**62), end_ns)
        run = _stage_run(part, guarding, min(part.from_ns, begins_ns) if part is first else part.from_ns)
        if (verdict := _in_part(stretch, rules, run)) is not None:
            return Decision(*verdict, part.stage)
    return None


def held(samples: Samples, power: PowerUp, limit_a: float | None, step_a: float) -> Held | None:
    """Where the boot drew more than this limit would have given: what happens then, no reading can tell.

    `step_a`: of a reading; above by less than two of them counts as at the limit. None: nowhere, or the limit is none.
    """
    if limit_a is None:
        return None
    boot = [p for p in power.parts if p.stage in ("boot", "")]
    if not boot or boot[-1].limit_a <= limit_a:
        return None
    until_ns = 2**62 if power.until_ns is None else power.until_ns + 1
    boot_samples = samples.between(boot[0].from_ns if boot[0] is not power.parts[0] else -(2**62), until_ns)
    above = boot_samples.current_a > limit_a + 2 * step_a
    if not above.any():
        return None
    return Held(int(boot_samples.t_ns[above][0]), _longest_s(boot_samples.t_ns, above), limit_a)


def energy_between(samples: Samples, start_ns: int, end_ns: int) -> float:
    """∫v·i dt over the readings between two times, J, by the trapezoid rule; negative where the end is the earlier."""
    if end_ns < start_ns:
        return -energy_between(samples, end_ns, start_ns)
    through: LetThrough | None = None
    for reading in _readings(samples.between(start_ns, end_ns + 1)):
        if reading.voltage_v == reading.voltage_v and reading.current_a == reading.current_a:
            if through is None:
                through = LetThrough(reading.t_ns, reading.voltage_v, reading.current_a)
            through.add(reading.t_ns, reading.voltage_v, reading.current_a)
    return through.energy_j if through is not None else 0.0


# ---- within ---------------------------------------------------------------------------------------------------------


def _in_part(samples: Samples, rules: Rules, run: StageRun | None) -> Verdict | None:
    """The verdict on one part; `run`: what its stage asks for by itself."""
    stale_ns = round(rules.limits.stale_s * NS)
    # Only where readings were due and failed: the guard asks then. A gap in the log alone says nothing of it.
    failed = (samples.flags[1:] & Flag.GAP != 0) & (np.diff(samples.t_ns) >= stale_ns)
    stale = int(np.argmax(failed)) if failed.any() else None
    readings = _readings(samples if stale is None else samples[: stale + 1])
    if run is not None and (verdict := _in_stage(readings, rules, run)) is not None:
        return verdict
    for reading in readings:
        if (verdict := rules.feed(reading)) is not None:
            return verdict
    return None if stale is None else rules.idle(int(samples.t_ns[stale]) + stale_ns)


def _in_stage(readings: Iterator[Reading], rules: Rules, run: StageRun) -> Verdict | None:
    """Takes readings until the stage is over."""
    for reading in readings:
        if (verdict := rules.feed(reading)) is not None:
            return verdict
        energy_j = rules.since_on.energy_j if rules.since_on is not None else 0.0
        if run.feed(reading, _in_limit(reading, rules, run.stage), energy_j):
            return run.verdict()
    # A hold that waited for a hand is over when the next part begins.
    return run.verdict() if run.waits else None


def _in_limit(reading: Reading, rules: Rules, stage: Stage) -> bool:
    """Whether a leak would pin the limit that is tried, which may be another one than the supply had."""
    if stage.limit_a < rules.limit_a:
        return reading.current_a >= stage.limit_a
    return rules.in_limit and stage.limit_a <= rules.limit_a


def _stage_run(part: Part, guarding: Guarding, started_ns: int) -> StageRun | None:
    asked = next((stage for stage in guarding.stages if stage.name == part.stage), None)
    if asked is None:
        return None
    # Of a probe the limit is what it was measured with; of a hold it is what the leak is compared with.
    limit_a = part.limit_a if asked.name == "probe" else asked.limit_a
    return StageRun(msgspec.structs.replace(asked, voltage_v=part.voltage_v, limit_a=limit_a), started_ns)


def _placed(samples: Samples, parts: Sequence[Part]) -> list[Part]:
    """The parts, each from the reading on that shows more than the part before could give: the journal tells late."""
    placed = [parts[0]]
    for part in parts[1:]:
        was = placed[-1]
        window = samples.between(max(part.from_ns - TOLD_LATE_NS, was.from_ns + 1), part.from_ns)
        most_a, most_v = was.limit_a * (1 + OVER_LIMIT_SHARE / 2), was.voltage_v * (1 + OVER_LIMIT_SHARE / 2)
        beyond = (window.current_a > most_a) | (window.voltage_v > most_v)
        at_ns = int(window.t_ns[beyond][0]) if beyond.any() else part.from_ns
        placed.append(part._replace(from_ns=at_ns))
    return placed


def _readings(samples: Samples) -> Iterator[Reading]:
    columns = (samples.t_ns, samples.voltage_v, samples.current_a, samples.mode, samples.flags)
    for t_ns, volts, amps, mode, flags in zip(*(c.tolist() for c in columns), strict=True):
        yield Reading(t_ns, volts, amps, _MODES.get(mode, Mode.UNKNOWN), _FLAGS.get(flags, Flag.NONE), 0)


def _longest_s(t_ns: NDArray[np.int64], true: NDArray[np.bool_]) -> float:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2] - 1
    return float((t_ns[ends] - t_ns[starts]).max()) / NS
