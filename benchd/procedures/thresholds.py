"""`low-battery`: at which voltage a board gives up as its battery runs down, and at which it starts again.

The voltage goes down in steps until the board draws no more than `off_a`, then up until it draws more than `on_a`. What
is found lies between two steps: half of one is the larger part of its uncertainty; the rest is the meter's accuracy,
its step and scatter, and how well is known what the leads take.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.procedures.coverage import Parts, step_limit
from benchd.procedures.record import Column, Curve, Result
from benchd.procedures.resistance import of_leads
from benchd.procedures.taken import Analysed, CannotTell, Measured, Taken
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import Known


def analyse(taken: Taken) -> Analysed:
    """Goes by `measure` steps named `down` and `up`, and the parameters `off_a`, `on_a` and `lowest_good_v`.

    Raises CannotTell where the board did not run to begin with.
    """
    down = [each for each in taken.measured if each.name == "down"]
    up = [each for each in taken.measured if each.name == "up"]
    off_a, on_a = _number(taken, "off_a"), _number(taken, "on_a")
    if not down or down[0].current_a.value <= off_a:
        drew = quantity(down[0].current_a.value, "A", down[0].current_a.u) if down else "nothing"
        raise CannotTell(f"at the highest voltage it drew {drew}: it did not run, so nothing could be seen to stop")
    results: list[Result] = []
    stopped = next((n for n, each in enumerate(down) if each.current_a.value <= off_a), None)
    if stopped is None:
        told = f"Down to {quantity(_board_v(taken, down[-1]), 'V')} it went on."
        results.append(Result("cut_off", "Gives up at", None, "V", text=told))
    else:
        results.append(_between(taken, "cut_off", "Gives up at", down[stopped - 1], down[stopped]))
    started = next((n for n, each in enumerate(up) if each.current_a.value > on_a), None)
    if started is None:
        told = f"Up to {quantity(_board_v(taken, up[-1]), 'V')} it did not start." if up else "It was not tried."
        results.append(Result("start", "Starts again at", None, "V", text=told))
    elif started == 0:
        told = f"At {quantity(_board_v(taken, up[0]), 'V')}, where it was seen first, it runs already."
        results.append(Result("start", "Starts again at", None, "V", text=told))
    else:
        results.append(_between(taken, "start", "Starts again at", up[started - 1], up[started]))
    text = " ".join(row.text for row in results)
    return _judged(
        taken, results, text, [_curve("down", "On the way down", taken, down), _curve("up", "On the way up", taken, up)]
    )


def _judged(taken: Taken, results: list[Result], text: str, curves: list[Curve]) -> Analysed:
    """Against the lowest voltage at which a good board still runs, where one was given."""
    wanted = taken.parameters.get("lowest_good_v")
    kept = tuple(curve for curve in curves if curve.columns[0].values)
    cut = results[0]
    if (
        not isinstance(wanted, int | float)
        or isinstance(wanted, bool)
        or not isinstance(cut.value, float)
        or cut.u is None
    ):
        return Analysed("done", text, tuple(results), kept)
    if cut.value + cut.u <= wanted:
        outcome, word = "passed", f"It runs down to {wanted:g} V."
    elif cut.value - cut.u > wanted:
        outcome, word = "failed", f"It gives up above {wanted:g} V."
    else:
        outcome, word = "unclear", f"Whether it runs down to {wanted:g} V cannot be told: take smaller steps."
    return Analysed(outcome, f"{text} {word}", tuple(results), kept)  # type: ignore[arg-type]


def _between(taken: Taken, name: str, title: str, one: Measured, other: Measured) -> Result:
    """A threshold between two steps of the voltage at the board.

    At the second step the board still was as at the first until it changed its mind, so the leads took what its current
    of the first step takes.
    """
    amps = one.current_a.value
    volts = _at_board_v(taken, one, amps), _at_board_v(taken, other, amps)
    value = sum(volts) / 2
    apart_v = _apart_v(one, other)
    u_v = _parts(taken, one, other, value).and_(Parts((apart_v / 2,))).half_width()
    where = "" if taken.leads.get(one.side) is not None else ", at the supply: its leads were not measured"
    told = f"{title} {quantity(value, 'V', u_v)} (steps of {quantity(apart_v, 'V')}{where})."
    return Result(name, title, value, "V", u_v, text=told)


def _apart_v(one: Measured, other: Measured) -> float:
    """How far two steps lie apart, V: as the meter shows it, since a supply rounds what is set; as it was asked for
    where the two differ by no more than the meter's noise."""
    shown_v = abs(one.voltage_v.value - other.voltage_v.value)
    asked_v = abs(one.set_voltage_v - other.set_voltage_v)
    noise_v = math.hypot(*(each.voltage_v.sigma / math.sqrt(max(each.readings, 1)) for each in (one, other)))
    return asked_v if abs(shown_v - asked_v) <= 2 * noise_v else shown_v


def _parts(taken: Taken, one: Measured, other: Measured, value: float) -> Parts:
    """What the middle of two steps is uncertain by, V: the meter, and what the leads take at the first step's current.

    Where the two are multiples of the meter's step apart, both are rounded alike, so that it counts once.
    """
    conditions = taken.accuracy[one.side]
    known, amps = Known.of(conditions), one.current_a.value
    steps = [step_limit(conditions.resolution_v or 0.0, each.voltage_v.sigma) for each in (one, other)]
    scatters = [
        (each.voltage_v.sigma / math.sqrt(max(each.readings, 1)) / 2, max(each.readings - 1.0, 1.0))
        for each in (one, other)
    ]
    parts = Parts((known.fraction_v * abs(value), known.offset_v, sum(steps) / 2), tuple(scatters))
    leads = taken.leads.get(one.side)
    if leads is None:
        return parts
    ohm = abs(leads.ohm)  # noise may make them less than nothing
    by_a = [ohm * known.offset_a] + ([] if leads.run else [ohm * abs(amps) * known.fraction_a])
    return parts.and_(Parts(tuple(by_a))).and_(of_leads(leads, known).times(amps))


def _board_v(taken: Taken, measured: Measured) -> float:
    return _at_board_v(taken, measured, measured.current_a.value)


def _at_board_v(taken: Taken, measured: Measured, amps: float) -> float:
    leads = taken.leads.get(measured.side)
    return measured.voltage_v.value - (amps * leads.ohm if leads is not None else 0.0)


def _number(taken: Taken, name: str) -> float:
    value = taken.parameters.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CannotTell(f"parameter {name} is missing: mend the card")
    return float(value)


def _curve(name: str, title: str, taken: Taken, steps: Sequence[Measured]) -> Curve:
    volts = Column(
        "voltage_v", "Voltage at the board", "V",
        tuple(_board_v(taken, each) for each in steps), tuple(each.voltage_v.u for each in steps),
    )  # fmt: skip
    amps = Column(
        "current_a", "Current", "A",
        tuple(each.current_a.value for each in steps), tuple(each.current_a.u for each in steps),
    )  # fmt: skip
    return Curve(name, title, (volts, amps))
