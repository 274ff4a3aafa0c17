"""`sleep`: hours on the supply. Mean current, sleep between wake-ups, how often it wakes and what that costs, drift.

The meter's zero was measured with the leads free before (`measure` named `zero`), and is taken off: what is left of the
offset is how well that was known. Memory stays bounded, whatever the hours.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np

from benchd.procedures.bins import BREAK_S, Bin, Bins, course_of, halved
from benchd.procedures.coverage import half_width, step_limit
from benchd.procedures.record import Curve, Happened, Result, Value
from benchd.procedures.taken import Analysed, Taken, Told
from benchd.traces.samples import Samples
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import Known

LEAST_DRIFT_S = 1200.0
"""Drift is told from so long a sleep on. Our choice."""
PICTURE_BINS = 3000


@dataclasses.dataclass(slots=True)
class Sums:
    """What has been counted; JSON-able."""

    seconds: float = 0.0
    charge_c: float = 0.0
    asleep_s: float = 0.0
    asleep_c: float = 0.0
    wakes: int = 0
    wake_s: float = 0.0
    wake_c: float = 0.0
    edges_c2: float = 0.0
    """Variance of the charge by where between two readings the current changed while awake."""
    peak_a: float = 0.0
    readings: int = 0
    squares: float = 0.0
    """Of asleep readings about their mean, `middle_a`: for their scatter."""
    asleep_n: int = 0
    middle_a: float = 0.0
    awake: bool = False


class SleepLive:
    """Implements `taken.Live`. Parameters: `wake_a`, and `capacity_mah` where the battery's is known."""

    def __init__(self, taken: Taken) -> None:
        self._taken = taken
        self._side = next(iter(taken.accuracy))
        self._zero = next((each for each in reversed(taken.measured) if each.name == "zero"), None)
        self._zero_a = self._zero.current_a.value if self._zero is not None else 0.0
        self._sums = Sums()
        self._bins = Bins()
        self._last: tuple[int, float] | None = None

    def _zero_parts(self) -> tuple[float, float]:
        """How well the zero is known: a limit and a standard deviation, A. Measured: a step and the scatter; else the
        meter's offset."""
        conditions, zero = self._taken.accuracy[self._side], self._zero
        if zero is None:
            return Known.of(conditions).offset_a, 0.0
        sigma_a, n = zero.current_a.sigma, max(zero.readings, 1)
        return step_limit(conditions.resolution_a or 0.0, sigma_a, n), sigma_a / math.sqrt(n)

    @property
    def _wake_a(self) -> float:
        value = self._taken.parameters.get("wake_a")
        return float(value) if isinstance(value, int | float) else 0.02

    # ---- readings ------------------------------------------------------------------------------------------------

    def feed(self, side: str, samples: Samples) -> None:
        """See `Live`."""
        kept = samples.where(np.isfinite(samples.current_a))
        for t_ns, shown in zip(kept.t_ns.tolist(), kept.current_a.tolist(), strict=True):
            self._one(t_ns, shown - self._zero_a)

    def _one(self, t_ns: int, amps: float) -> None:
        sums, last = self._sums, self._last
        self._last = t_ns, amps
        self._bins.add(t_ns, amps)
        sums.readings += 1
        sums.peak_a = max(sums.peak_a, amps)
        awake, was = amps > self._wake_a, sums.awake
        sums.awake = awake
        if awake and not was and last is not None:
            sums.wakes += 1
        if not awake:
            # Welford's running mean and squares (Technometrics 4, 1962): no reading has to be kept.
            sums.asleep_n += 1
            away_a = amps - sums.middle_a
            sums.middle_a += away_a / sums.asleep_n
            sums.squares += away_a * (amps - sums.middle_a)
        if last is None or (t_ns - last[0]) / 1e9 > BREAK_S:
            return
        seconds = (t_ns - last[0]) / 1e9
        self._count(sums, seconds, (amps + last[1]) / 2, awake or was)
        if awake or was:
            # Anywhere in between, so ± half of the change for all the time: rectangular, a²/3 (JCGM 100 §4.3.7).
            sums.edges_c2 += ((amps - last[1]) * seconds) ** 2 / 12

    def _count(self, sums: Sums, seconds: float, mean_a: float, awake: bool) -> None:
        sums.seconds += seconds
        sums.charge_c += seconds * mean_a
        if awake:
            sums.wake_s += seconds
            sums.wake_c += seconds * mean_a
        else:
            sums.asleep_s += seconds
            sums.asleep_c += seconds * mean_a

    # ---- what is told --------------------------------------------------------------------------------------------

    def told(self, now_ns: int) -> Told:
        """See `Live`."""
        sums = self._sums
        values: dict[str, Value] = {"seconds": sums.seconds, "wakes": float(sums.wakes)}
        if sums.seconds <= 0:
            return Told(values, "no reading yet")
        mean_a, u_a = self._mean()
        values |= {"mean_a": mean_a, "u_a": u_a, "asleep_a": self._asleep_a()}
        wakes = f"{sums.wakes} wake-up{'s' * (sums.wakes != 1)}"
        told = f"{quantity(mean_a, 'A', u_a)} on average in {_long(sums.seconds)}, {wakes}"
        return Told(values, told)

    def _mean(self) -> tuple[float, float]:
        mean_a = self._sums.charge_c / self._sums.seconds
        return mean_a, self._u(mean_a, math.sqrt(self._sums.edges_c2) / self._sums.seconds)

    def _u(self, amps: float, edges_a: float = 0.0) -> float:
        """Half of the 95 % interval of a mean, A: gain, zero, steps and scatter; `edges_a`: of a mean with wake-ups, by
        when they began and ended, one standard deviation."""
        sums, conditions = self._sums, self._taken.accuracy[self._side]
        sigma_a = math.sqrt(sums.squares / sums.asleep_n) if sums.asleep_n else 0.0
        own_a = step_limit(conditions.resolution_a or 0.0, sigma_a, sums.asleep_n)
        zero_a, zero_sigma_a = self._zero_parts()
        gain_a = Known.of(conditions).fraction_a * abs(amps)
        scatter_a = sigma_a / math.sqrt(max(sums.asleep_n, 1))
        return half_width((gain_a, zero_a, own_a), (scatter_a, zero_sigma_a, edges_a))

    def _asleep_a(self) -> float | None:
        return self._sums.asleep_c / self._sums.asleep_s if self._sums.asleep_s > 0 else None

    def point(self, text: str, now_ns: int) -> Happened:
        """See `Live`: a remark, at its time."""
        return Happened(now_ns, "point", text, {"wakes": float(self._sums.wakes)})

    def analysed(self) -> Analysed:
        """See `Live`."""
        sums = self._sums
        if sums.seconds <= 0:
            return Analysed("unclear", "Nothing was recorded.", ())
        mean_a, u_a = self._mean()
        told = f"On average {quantity(mean_a, 'A', u_a)} over {_long(sums.seconds)}."
        rows = [Result("mean", "Mean current", mean_a, "A", u_a, text=told)]
        asleep_a = self._asleep_a()
        if asleep_a is not None:
            u_asleep = self._u(asleep_a)
            said = f"Asleep it draws {quantity(asleep_a, 'A', u_asleep)}."
            rows.append(Result("asleep", "Asleep", asleep_a, "A", u_asleep, text=said))
        rows += self._wakes() + self._battery(mean_a, u_a) + self._drift()
        rows.append(Result("peak", "Highest current", sums.peak_a, "A"))
        if gaps := self._bins.gaps:
            gaps_s = sum(end - begin for begin, end in gaps) / 1e9
            counted = f"One gap of {gaps_s:.0f} s" if len(gaps) == 1 else f"{len(gaps)} gaps, {gaps_s:.0f} s in all"
            rows.append(
                Result("gaps", "Gaps in the record", gaps_s, "s", text=f"{counted}: no figure counts that time.")
            )
        return Analysed("done", " ".join(row.text for row in rows if row.text), tuple(rows), (self._course(),))

    def _wakes(self) -> list[Result]:
        """Wake-ups an hour, with the exact interval of a Poisson count (Garwood 1936): χ² quantiles."""
        from scipy.stats import chi2  # 0.5 s to import

        sums, hours = self._sums, self._sums.seconds / 3600
        low = float(chi2.ppf(0.025, 2 * sums.wakes)) / 2 if sums.wakes else 0.0
        high = float(chi2.ppf(0.975, 2 * (sums.wakes + 1))) / 2
        rate = sums.wakes / hours
        often = "once" if sums.wakes == 1 else f"{sums.wakes} times"
        told = f"It woke {often}: {_figure(rate)} an hour (95 %: {_figure(low / hours)} to {_figure(high / hours)})."
        rows = [Result("wakes", "Wake-ups an hour", rate, "1/h", None, low / hours, high / hours, told)]
        if sums.wakes:
            each_c = sums.wake_c / sums.wakes
            said = f"Each takes {sums.wake_s / sums.wakes:.2g} s and {quantity(each_c, 'C')}."
            rows.append(Result("wake_charge", "Charge of a wake-up", each_c, "C", text=said))
        return rows

    def _battery(self, mean_a: float, u_a: float) -> list[Result]:
        """Hours = capacity / mean current (any circuits text)."""
        capacity = self._taken.parameters.get("capacity_mah")
        if isinstance(capacity, bool) or not isinstance(capacity, int | float) or mean_a <= u_a:
            return []
        hours = capacity / 1e3 / mean_a
        u_h = hours * u_a / mean_a
        told = f"{capacity:g} mAh last {hours:.3g} ± {u_h:.2g} h at that."
        return [Result("battery", "A full battery lasts", hours, "h", u_h, text=told)]

    def _drift(self) -> list[Result]:
        """Slope of a straight line through the bins that are asleep, weighed by their length (numpy.polyfit)."""
        quiet = [each for each in self._bins.all() if each.high_a <= self._wake_a and each.seconds > 0]
        if len(quiet) < 3 or quiet[-1].t1_ns - quiet[0].t0_ns < LEAST_DRIFT_S * 1e9:
            return []
        hours = np.array([(each.t0_ns + each.t1_ns - 2 * quiet[0].t0_ns) / 2 / 3.6e12 for each in quiet])
        weights = np.sqrt([each.seconds for each in quiet])
        amps = np.array([each.mean_a for each in quiet])
        (slope, _), covariance = np.polyfit(hours, amps, 1, w=weights, cov=True)
        u = 2 * math.sqrt(max(float(covariance[0, 0]), 0.0))
        way = "no drift that can be told" if abs(slope) <= u else ("it rises" if slope > 0 else "it falls")
        told = f"Asleep {way} ({quantity(float(slope), 'A', u)} an hour)."
        return [Result("drift", "Drift asleep, an hour", float(slope), "A/h", u, text=told)]

    def _course(self) -> Curve:
        bins = self._bins.all()
        while len(bins) > PICTURE_BINS:
            bins = halved(bins)
        return course_of(bins, self._bins.gaps)

    # ---- a restart -----------------------------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        """See `Live`."""
        # By name: dataclasses.astuple copies deeply, and days have some ten thousand of them.
        bins = [(b.t0_ns, b.t1_ns, b.n, b.mean_a, b.low_a, b.high_a) for b in self._bins.all()]
        return {"sums": dataclasses.asdict(self._sums), "bins": bins, "gaps": list(self._bins.gaps)}

    def restore(self, state: dict[str, object], gap_from_ns: int, gap_to_ns: int) -> None:
        """See `Live`. The gap begins with what is not in the state any more; nothing is made up for it."""
        told: dict[str, Any] = dict(state)
        self._sums = Sums(**told["sums"])
        self._bins = Bins(
            (Bin(*each) for each in told["bins"]), ((int(begin), int(end)) for begin, end in told["gaps"])
        )
        last = self._bins.all()[-1:]
        self._bins.gap(min(gap_from_ns, last[0].t1_ns) if last else gap_from_ns, gap_to_ns)
        self._last = None


def _long(seconds: float) -> str:
    return f"{seconds / 3600:.3g} h" if seconds >= 3600 else f"{seconds:.0f} s"


def _figure(value: float) -> str:
    """Three digits, and no powers of ten."""
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"
