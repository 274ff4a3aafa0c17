"""Whether a table's numbers can be what their units say: mA taken for A is suspected and asked, never guessed.

The bounds are common practice, no source: what bench supplies that boards are repaired with give, read and log.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.traces.samples import Samples
from benchd.traces.table_columns import Column
from benchd.traces.table_units import Unit, symbols, unit_of
from benchd.traces.trace import Conditions

MOST_A = 20.0
"""More current than this is asked about."""
MOST_UNTOLD_A = 10.0
"""The same where no unit is given with the column."""
MOST_V = 100.0
"""More voltage is asked about; above 60 V DC no board is repaired here."""
OVER_LIMIT = 3.0
"""A supply regulates its current: readings of so many times its limit are of another unit."""
COARSEST_A = 0.095
"""An ammeter with steps from 0.1 A is none that a bench supply has."""
LEAST_LEVELS = 8
"""From so many different readings on, their common step is believed."""
LOOKED_AT = 200_000
"""Readings whose step is looked for: enough to find it, few enough to sort."""
SLOWEST_S = 5.0
FASTEST_S = 1e-5
"""A reading every 5 s shows no power-up, and no bench supply gives 100 000 a second."""
SMALLER = {"kA": "A", "A": "mA", "mA": "µA", "µA": "nA", "kV": "V", "V": "mV", "mV": "µV", "µV": "nV"}
"""What is most often written without its prefix."""
SLOW_S = 0.5
LONG_S = 1200.0
"""So few readings over so long are likelier many over a thousandth of it, in ms."""
STAMPED_FROM_S = 946_684_800.0
STAMPED_TO_S = 4_102_444_800.0
"""2000-01-01 and 2100-01-01 as seconds since 1970 (POSIX.1-2017 §4.16): numbers between are a date."""


def time_unit(column: Column, first: Sequence[float]) -> tuple[Unit, str | None]:
    """The unit of a column of times by its first values, and what is doubtful about it, if anything is.

    A unit that a person or the header gives is taken. Otherwise it is s, or ms, µs or ns where that makes dates of this
    century of the numbers.
    """
    seconds = column.unit or unit_of("s")
    assert seconds is not None
    if column.said or not first:
        return seconds, None
    steps = np.diff(np.asarray(first, float))
    # Of the shorter ones: some may be gaps.
    step = float(np.percentile(steps, 25, method="lower")) if len(steps) else 0.0
    unit = seconds
    if column.unit is None:
        for symbol in ("s", "ms", "µs", "ns"):
            tried = unit_of(symbol)
            if tried is not None and is_date(first[0] * tried.scale) and step * tried.scale <= SLOWEST_S:
                unit = tried
    apart = step * unit.scale
    if not step > 0 or FASTEST_S <= apart <= SLOWEST_S:
        return unit, None
    return unit, (
        f"the times step by {step:g}: in {unit.symbol} that is one reading in {apart:g} s, and no power-up is read so. "
        f"Say --time-unit {unit.symbol} if that is so, or what it is: {', '.join(symbols('time'))}"
    )


def is_date(at_s: float) -> bool:
    """Seconds that can only be counted from 1970."""
    return STAMPED_FROM_S <= at_s <= STAMPED_TO_S


def doubts(samples: Samples, columns: Mapping[str, Column], conditions: Conditions) -> tuple[str, str] | None:
    """What speaks against the units of a table's readings: the column's name, and the question. None: nothing does, or
    a person or the file has said them in so many words."""
    current, voltage, times = columns["current"], columns["voltage"], columns.get("time")
    if times is not None and not times.said and (why := _time_doubt(samples.t_ns)):
        here = times.unit.symbol if times.unit else "s"
        return times.name, f"{why}. Say --time-unit {here} if that is so, or what it is: {', '.join(symbols('time'))}"
    if not current.said and (why := _current_doubt(samples.current_a, current, conditions)):
        return current.name, f"{why}. {_ask('current', current)}"
    if not voltage.said and (why := _voltage_doubt(samples.voltage_v, conditions)):
        return voltage.name, f"{why}. {_ask('voltage', voltage)}"
    return None


def _ask(quantity: str, column: Column) -> str:
    here = column.unit.symbol if column.unit else {"current": "A", "voltage": "V"}[quantity]
    smaller = SMALLER.get(here, here)
    return f"Are these {smaller}? Say --{quantity}-unit {smaller}, or --{quantity}-unit {here} if they are {here}"


def _time_doubt(t_ns: NDArray[np.int64]) -> str | None:
    if len(t_ns) < 2 or is_date(float(t_ns[0]) / 1e9):
        return None
    long_s = float(t_ns[-1] - t_ns[0]) / 1e9
    step_s = float(np.percentile(np.diff(t_ns[:LOOKED_AT]), 25, method="lower")) / 1e9
    if step_s < SLOW_S or long_s < LONG_S:
        return None
    return f"a reading every {step_s:g} s for {long_s:g} s is a long time for a power-up"


def _current_doubt(amps: NDArray[np.float64], column: Column, conditions: Conditions) -> str | None:
    sizes = _sizes(amps)
    if not len(sizes):
        return None
    usual = _third_largest(sizes)
    limit = conditions.limit_a
    if limit is not None and usual > OVER_LIMIT * limit + 0.1:
        return f"{usual:g} A is {usual / limit:.3g} times the limit of {limit:g} A (wrong? --limit)"
    most = MOST_A if column.unit is not None else MOST_UNTOLD_A
    if limit is not None:
        most = max(most, 1.5 * limit)
    if usual > most:
        return f"{usual:g} A is more than a bench supply gives to a board"
    step = _step(sizes)
    if step is not None and step >= COARSEST_A:
        return f"all currents are multiples of {step:g} A, and no bench supply reads as coarsely"
    return None


def _voltage_doubt(volts: NDArray[np.float64], conditions: Conditions) -> str | None:
    sizes = _sizes(volts)
    if not len(sizes):
        return None
    usual = _third_largest(sizes)
    if conditions.set_voltage_v is not None and usual > OVER_LIMIT * conditions.set_voltage_v + 1.0:
        times = usual / conditions.set_voltage_v
        return f"{usual:g} V is {times:.3g} times the setting of {conditions.set_voltage_v:g} V (wrong? --set-voltage)"
    if usual > MOST_V:
        return f"{usual:g} V is more than a bench supply gives to a board"
    return None


def _sizes(values: NDArray[np.float64]) -> NDArray[np.float64]:
    out = values[np.isfinite(values)]
    return np.abs(out, out=out)


def _third_largest(sizes: NDArray[np.float64]) -> float:
    """One or two readings may be anything. Changes the order of `sizes`, to save memory."""
    k = min(3, len(sizes))
    sizes.partition(-k)
    return float(sizes[-k])


def _step(sizes: NDArray[np.float64]) -> float | None:
    """The common step of the readings; None where there is none or too few levels to tell."""
    levels = np.unique(sizes[:: max(len(sizes) // LOOKED_AT, 1)])
    if len(levels) < LEAST_LEVELS:
        return None
    step = float(np.diff(levels).min())
    times = levels / step
    return step if step > 0 and bool((np.abs(times - np.rint(times)) < 1e-3).all()) else None
