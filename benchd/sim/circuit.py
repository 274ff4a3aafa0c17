"""Two capacitors joined by the leads, solved exactly.

The output of a supply and the input of a board are two nodes, each with a capacitor and a resistance to ground,
joined by the resistance of the leads. While nothing switches, that network is linear, so its state after any time
is a sum of two exponentials. Solving it exactly (instead of in small steps) keeps time constants of under a
microsecond and of many seconds equally true, whatever the step. Source: solution of x' = A·x + b by the eigenvalues
of A, any textbook on linear circuits.
"""

from __future__ import annotations

from math import expm1, sqrt
from typing import NamedTuple


class Network(NamedTuple):
    """The network's natural behaviour: two rates (1/s, both negative) and the projection on the faster one."""

    fast: float
    slow: float
    fast_tt: float
    fast_tb: float
    fast_bt: float
    fast_bb: float
    terminal_s: float
    leads_s: float
    board_s: float
    det: float

    @classmethod
    def of(cls, terminal_s: float, terminal_f: float, leads_s: float, board_s: float, board_f: float) -> Network:
        """Conductances to ground and of the leads in S, capacitances in F. Both to ground must be above zero."""
        det = terminal_s * board_s + leads_s * (terminal_s + board_s)
        a = -(terminal_s + leads_s) / terminal_f
        d = -(board_s + leads_s) / board_f
        b = leads_s / terminal_f
        c = leads_s / board_f
        fast = (a + d) / 2 - sqrt(((a - d) / 2) ** 2 + b * c)
        # From the determinant, not from the other sign of the root: that one cancels when the rates are far apart.
        slow = det / (terminal_f * board_f) / fast
        if fast == slow:
            slow *= 1 - 1e-9
        span = fast - slow
        return cls(
            fast, slow, (a - slow) / span, b / span, c / span, (d - slow) / span, terminal_s, leads_s, board_s, det
        )

    def motion(self, terminal_v: float, board_v: float, terminal_a: float, board_a: float) -> Motion:
        """How the two voltages move from here while constant currents (A) flow into the two nodes."""
        end_t = ((self.board_s + self.leads_s) * terminal_a + self.leads_s * board_a) / self.det
        end_b = (self.leads_s * terminal_a + (self.terminal_s + self.leads_s) * board_a) / self.det
        away_t, away_b = terminal_v - end_t, board_v - end_b
        fast_t = self.fast_tt * away_t + self.fast_tb * away_b
        fast_b = self.fast_bt * away_t + self.fast_bb * away_b
        return Motion(
            self.fast, self.slow, terminal_v, board_v, fast_t, away_t - fast_t, fast_b, away_b - fast_b, end_t
        )


class Motion(NamedTuple):
    """One stretch of time in which nothing switches."""

    fast: float
    slow: float
    terminal_v: float
    board_v: float
    fast_t: float
    slow_t: float
    fast_b: float
    slow_b: float
    end_t: float

    def after(self, seconds: float) -> tuple[float, float]:
        """Terminal and board voltage in V."""
        fast, slow = expm1(self.fast * seconds), expm1(self.slow * seconds)
        return (
            self.terminal_v + self.fast_t * fast + self.slow_t * slow,
            self.board_v + self.fast_b * fast + self.slow_b * slow,
        )

    def terminal_area(self, seconds: float) -> float:
        """Integral of the terminal voltage in V·s."""
        fast, slow = expm1(self.fast * seconds), expm1(self.slow * seconds)
        return self.end_t * seconds + self.fast_t * fast / self.fast + self.slow_t * slow / self.slow
