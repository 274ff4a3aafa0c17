"""The 95 % interval of a value whose uncertainty has several causes, some of them known as limits only. Pure.

A maker's accuracy is a limit: the error lies anywhere within ± a (rectangular, JCGM 100 §4.3.7). Where one such part
dominates, twice the standard uncertainty states too much: all of the values lie within √3 of them, 95 % within 0.95·a.
So the interval is taken from the distribution of the sum itself (JCGM 101:2008 §5.9 and §7.7), in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from itertools import product
from typing import NamedTuple

PROBABILITY = 0.95
NORMAL = 1.959963984540054
"""95 % of a normal distribution lie within so many standard deviations."""
SMALL = 0.05
"""A limit below this share of the largest counts as normal with the same variance: it changes the shape no more."""
DROWNED = 0.2
"""So does a limit below this share of the scatter: of the closed form's terms nothing but rounding would be left."""
FEW, MOSTLY_ROUNDED = 8, 0.6
"""Readings, and their scatter in steps: below, rounding makes a quarter of the variance or more."""
MANY, LEFT, LEFT_POWER = 200, 0.275, 1.6
"""From so many readings on; at a variance of 0.275 of a step squared (a noise of 0.44) nothing is left. Fitted to drawn
readings: our choice, so that a difference of two such means holds 90 to 98 of 100 at each noise, 95
to 96 over all of them."""
MOST_LIMITS = 4
"""So many of the largest limits keep their shape; three or more together are near normal anyway (central limit)."""


def half_width(limits: Iterable[float] = (), sigmas: Iterable[float] = ()) -> float:
    """Half of the shortest interval about zero with 95 % of a sum of independent parts, in their unit.

    `limits`: ± each, rectangular; `sigmas`: standard deviations, normal. 0 for none. Raises ValueError for what is
    negative or no number.
    """
    ends, deviations = list(limits), list(sigmas)
    for each in (*ends, *deviations):
        if not 0 <= each < math.inf:
            raise ValueError(f"a part of an uncertainty is {each}: allowed is 0 or more")
    ends = sorted((each for each in ends if each > 0), reverse=True)
    scatter = math.hypot(*deviations)
    kept = [each for each in ends[:MOST_LIMITS] if each >= max(SMALL * ends[0], DROWNED * scatter)]
    variance = scatter**2 + sum(each * each / 3 for each in ends[len(kept) :])
    sigma = math.sqrt(variance)
    if not kept:
        return NORMAL * sigma
    if len(kept) == 1 and sigma <= 1e-6 * kept[0]:
        return PROBABILITY * kept[0]
    sigma = max(sigma, 1e-4 * kept[0])  # the closed form has a corner without; a ten thousandth is seen by nobody
    return _solved(kept, sigma)


def _solved(limits: list[float], sigma: float) -> float:
    """Where the distribution of the sum has its 97.5 % point."""
    wanted = 0.5 + PROBABILITY / 2
    low, high = 0.0, sum(limits) + 6 * sigma
    below, above = 0.5 - wanted, 1.0 - wanted
    kept = 0
    for _ in range(60):  # Illinois form of the regula falsi (any text on numerical methods): a handful of rounds
        at = (low * above - high * below) / (above - below)
        found = _share_below(at, limits, sigma) - wanted
        if abs(found) < 1e-9:
            break
        if found > 0:
            high, above = at, found
            below *= 0.5 if kept > 0 else 1.0
            kept = 1
        else:
            low, below = at, found
            above *= 0.5 if kept < 0 else 1.0
            kept = -1
    return at


def _share_below(x: float, limits: list[float], sigma: float) -> float:
    """The distribution function of the sum at x.

    Each rectangle is the difference of two steps over its width, so the sum's distribution is the alternating sum of
    the n-fold integral of the normal's, at all corners (convolution, any text on probability).
    """
    total = 0.0
    for signs in product((1.0, -1.0), repeat=len(limits)):
        corner = x + sum(sign * limit for sign, limit in zip(signs, limits, strict=True))
        total += math.prod(signs) * _integral(corner, sigma, len(limits))
    return total / math.prod(2 * limit for limit in limits)


def _integral(x: float, sigma: float, times: int) -> float:
    """The normal distribution function, integrated so many times from minus infinity: Jₙ = (x·Jₙ₋₁ + σ²·Jₙ₋₂)/n, with
    J₀ the distribution function and J₋₁ the density (integration by parts)."""
    z = x / sigma
    before = math.exp(-z * z / 2) / (sigma * math.sqrt(2 * math.pi)) if abs(z) < 38 else 0.0
    now = 0.5 * math.erfc(-z / math.sqrt(2))
    for n in range(1, times + 1):
        before, now = now, (x * now + sigma * sigma * before) / n
    return now


def step_limit(step: float, sigma: float, readings: int = 0) -> float:
    """How far the mean of rounded readings may lie off, ±, in the unit of `step` and `sigma`.

    `sigma`: standard deviation of the readings as they came, rounding in it. Without noise all of them are off alike,
    by half a step at most; noise of a good part of a step averages it away: what is left is the first harmonic,
    step/π·e^(-2π²·(σ/step)²) (B. Widrow and I. Kollár, Quantization Noise, 2008; from memory).

    `readings`: how many of one level; 0 for those of many levels. Where the noise is 0.05 to 0.3 of a step, the scatter
    goes by where between two steps the level lies as well, and many readings tell no more of it, while their mean
    seems sharp: then at least what is left of half a step on average is counted (`LEFT`). No limit that goes by the
    scatter alone holds 95 of 100 at each such noise.
    """
    if step <= 0:
        return 0.0
    seen2 = sigma * sigma / (step * step)
    noise2 = max(seen2 - 1 / 12, 0.0)
    known = min(step / 2, step / math.pi * math.exp(-2 * math.pi**2 * noise2)) if noise2 > 0 else step / 2
    if readings < MANY:
        return known
    left: float = step / 2 * max(1 - seen2 / LEFT, 0.0) ** LEFT_POWER
    return max(known, left)


def degrees(step: float, sigma: float, readings: int) -> float:
    """Degrees of freedom of a scatter, for Student's factor: readings - 1; without an end where rounding makes most of
    it: that has no tails, and for readings that happened to scatter little `step_limit` counts more of a step already.

    Our choice, by drawn supplies; with fewer than 8 readings it would state too little at a noise of a step.
    """
    if readings >= FEW and 0 < sigma < MOSTLY_ROUNDED * step:
        return math.inf
    return max(readings - 1.0, 1.0)


class Parts(NamedTuple):
    """What a value is uncertain by, in its unit: parts that are independent of each other."""

    limits: tuple[float, ...] = ()
    """± each, rectangular."""
    scatters: tuple[tuple[float, float], ...] = ()
    """Standard deviations, each with its degrees of freedom."""

    def and_(self, other: Parts) -> Parts:
        """Those of a sum, or of a difference."""
        return Parts(self.limits + other.limits, self.scatters + other.scatters)

    def times(self, factor: float) -> Parts:
        """Those of a multiple."""
        by = abs(factor)
        return Parts(
            tuple(by * each for each in self.limits), tuple((by * sigma, degrees) for sigma, degrees in self.scatters)
        )

    def reach(self) -> float:
        """How far they may lie off together: the limits in full, and 95 % of the scatter.

        For whether two values differ at all: two that lie close together often read a whole step apart.
        """
        return sum(self.limits) + Parts((), self.scatters).half_width()

    def half_width(self) -> float:
        """Half of the 95 % interval.

        Scatter that was seen in a few readings is wider than it seems: Student's factor, with the effective degrees of
        freedom of Welch and Satterthwaite (JCGM 100 §G.3 and G.4).
        """
        variance = sum(sigma**2 for sigma, _ in self.scatters)
        if variance == 0:
            return half_width(self.limits)
        share = sum((sigma**2 / variance) ** 2 / degrees for sigma, degrees in self.scatters)
        wider = _student(1 / share) / NORMAL if share > 0 else 1.0
        return half_width(self.limits, [wider * math.sqrt(variance)])


def _student(degrees: float) -> float:
    """Student's factor for 95 %, two-sided, by its expansion about the normal's (M. Abramowitz and I. A. Stegun,
    Handbook of Mathematical Functions, 1964, 26.7.5). Within 1 % from 2 degrees of freedom on; 12.7 for 1."""
    if degrees < 1.5:
        return 12.706
    z = NORMAL
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(term / degrees**n for n, term in enumerate(terms, 1))
