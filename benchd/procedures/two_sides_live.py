"""`two-sides`: the battery side and the 5 V side of a board at once: what the board takes from USB, what that does to
its battery side, and whether one side feeds back into the other.

A bench supply cannot take current back: what a charger pushes out at the battery's terminals raises the voltage there
above what is set. That is ended at once, both outputs off.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from benchd.procedures.averaging import means, rise_a
from benchd.procedures.bins import COURSE, Bins, course_of
from benchd.procedures.record import Happened, Result, Value
from benchd.procedures.taken import Analysed, Mean, Measured, Taken, Told
from benchd.procedures.usb_class import class_of
from benchd.traces.samples import Samples
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import Known

BATTERY, USB = "battery", "usb"
NAMES = {USB: "USB"}
SAFE_0_V = 0.8
"""A USB port that nobody feeds has no more than this (vSafe0V; USB Power Delivery ch. 7, from memory)."""
RISE_V = 0.1
"""More above what is set than this is another source. Our choice, above the overshoot of supplies."""
FOR_S = 0.3
"""So long, so that a load that falls away does not count. Our choice."""
SETTLED_S = 5.0
"""The end of the course tells the class. Our choice: negotiating is over within seconds."""


@dataclasses.dataclass(slots=True)
class _Side:
    bins: Bins
    recent: list[Samples]
    stamps: list[int]
    high_since_ns: int | None = None


class TwoSidesLive:
    """Implements `taken.Live`. Goes by the measurements `battery_before` and `usb_idle` of the card."""

    def __init__(self, taken: Taken) -> None:
        self._taken = taken
        self._sides = {side: _Side(Bins(), [], []) for side in taken.accuracy}
        self._unsafe = ""

    def _measured(self, name: str) -> Measured | None:
        return next((each for each in reversed(self._taken.measured) if each.name == name), None)

    def feed(self, side: str, samples: Samples) -> None:
        """See `Live`."""
        kept = samples.where(np.isfinite(samples.current_a) & np.isfinite(samples.voltage_v))
        if not len(kept):
            return
        state = self._sides[side]
        for t_ns, amps in zip(kept.t_ns.tolist(), kept.current_a.tolist(), strict=True):
            state.bins.add(t_ns, amps)
        state.recent.append(kept)
        newest_ns = int(kept.t_ns[-1])
        while len(state.recent) > 1 and newest_ns - int(state.recent[0].t_ns[-1]) > SETTLED_S * 1e9:
            state.recent.pop(0)
        state.stamps = (state.stamps + kept.t_ns.tolist())[-200:]
        if side == BATTERY:
            self._look_for_another_source(state, kept)

    def _look_for_another_source(self, state: _Side, samples: Samples) -> None:
        before = self._measured("battery_before")
        if before is None:
            return
        known = Known.of(self._taken.accuracy[BATTERY])
        least_v = before.set_voltage_v + max(RISE_V, 3 * known.offset_v)
        least_a = -max(0.02, 2 * known.offset_a)
        for t_ns, volts, amps in zip(
            samples.t_ns.tolist(), samples.voltage_v.tolist(), samples.current_a.tolist(), strict=True
        ):
            fed = volts > least_v or amps < least_a
            state.high_since_ns = (state.high_since_ns or t_ns) if fed else None
            if state.high_since_ns is not None and (t_ns - state.high_since_ns) / 1e9 >= FOR_S:
                self._unsafe = (
                    f"the battery side has {quantity(volts, 'V')} at {quantity(before.set_voltage_v, 'V')} set: the "
                    "board feeds back into it (it charges, or a switch between its sides leaks); both outputs off"
                )
                return

    def told(self, now_ns: int) -> Told:
        """See `Live`."""
        if self._unsafe:
            return Told({}, self._unsafe, wanted="unsafe")
        values: dict[str, Value] = {}
        for side in self._sides:
            if (mean := self._mean(side)) is not None:
                values |= {f"{side}_a": mean[1].value, f"{side}_v": mean[0].value}
        usb_a = values.get("usb_a")
        if not isinstance(usb_a, float):
            return Told(values, "no reading yet")
        found, _ = class_of(usb_a)
        return Told(values, f"{quantity(usb_a, 'A')} from USB: {found.text if found else 'more than any class allows'}")

    def _mean(self, side: str) -> tuple[Mean, Mean] | None:
        """Voltage and current of the last seconds."""
        samples = Samples.concat(self._sides[side].recent)
        if not len(samples):
            return None
        return means(samples, self._taken.accuracy[side])

    def point(self, text: str, now_ns: int) -> Happened:
        """See `Live`: a remark, at its time."""
        return Happened(now_ns, "point", text)

    def analysed(self) -> Analysed:
        """See `Live`."""
        rows = [*self._idle(), *self._from_usb(), *self._battery(), *self._skew()]
        outcome = "failed" if any(row.verdict == "bad" for row in rows) else "done"
        curves = tuple(
            course_of(
                state.bins.all(), state.bins.gaps, f"{COURSE}_{side}", f"Current of the {NAMES.get(side, side)} side"
            )
            for side, state in self._sides.items()
            if state.bins.all()
        )
        return Analysed(outcome, " ".join(row.text for row in rows if row.text), tuple(rows), curves)  # type: ignore[arg-type]

    def _idle(self) -> list[Result]:
        """What stood at the USB side before it was fed."""
        idle = self._measured("usb_idle")
        if idle is None:
            return []
        volts = idle.voltage_v
        if volts.value - volts.u > SAFE_0_V:
            shown = quantity(volts.value, "V", volts.u)
            said = f"Before it was fed, the USB side had {shown}: the battery side feeds out."
            return [
                Result("usb_idle", "USB side before it was fed", volts.value, "V", volts.u, text=said, verdict="bad")
            ]
        return [Result("usb_idle", "USB side before it was fed", volts.value, "V", volts.u, verdict="good")]

    def _from_usb(self) -> list[Result]:
        mean = self._mean(USB)
        if mean is None:
            return []
        amps = mean[1]
        found, other = class_of(amps.value, amps.u)
        words = f"{found.text} ({found.source})" if found is not None else "more than any class of USB allows"
        told = f"From USB it takes {quantity(amps.value, 'A', amps.u)}: {words}."
        told += f" Within what this supply can tell it may be {other.name}." if other is not None else ""
        return [
            Result("usb_class", "Class of USB current", found.name if found is not None else "above all", text=told),
            Result("usb_current", "Current from USB", amps.value, "A", amps.u),
        ]

    def _battery(self) -> list[Result]:
        before, mean = self._measured("battery_before"), self._mean(BATTERY)
        if before is None or mean is None:
            return []
        was, now = before.current_a, mean[1]
        readings = before.readings, sum(len(each) for each in self._sides[BATTERY].recent)
        change_a, u_a = rise_a((was, now), readings, self._taken.accuracy[BATTERY])
        told = (
            f"The battery side gave {quantity(was.value, 'A', was.u)} before USB came and "
            f"{quantity(now.value, 'A', now.u)} with it."
        )
        if now.value <= now.none_within < was.value:
            told += (
                " The board runs from USB; whether it charges as well, a supply that takes nothing back cannot tell."
            )
        return [Result("battery_change", "Change of the battery side's current", change_a, "A", u_a, text=told)]

    def _skew(self) -> list[Result]:
        """How far readings of the two sides lie apart in time: each is compared with the nearest of the other."""
        stamps = [np.array(state.stamps) for state in self._sides.values()]
        if len(stamps) != 2 or any(len(each) < 2 for each in stamps):
            return []
        places = np.clip(np.searchsorted(stamps[1], stamps[0]), 1, len(stamps[1]) - 1)
        apart = np.minimum(np.abs(stamps[0] - stamps[1][places - 1]), np.abs(stamps[1][places] - stamps[0])) / 1e9
        skew_s = float(np.median(apart))
        told = f"Readings of the two sides lie {quantity(skew_s, 's')} apart (median), on one clock."
        return [Result("skew", "Between readings of the two sides", skew_s, "s", text=told)]

    def state(self) -> dict[str, object]:
        """See `Live`: cables are plugged meanwhile, so nothing goes on by itself."""
        return {}

    def restore(self, state: dict[str, object], gap_from_ns: int, gap_to_ns: int) -> None:
        """See `Live`."""
