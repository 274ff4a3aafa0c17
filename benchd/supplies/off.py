"""Proof that an output is off. A hope is reported as unknown."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import NamedTuple

from benchd.reading import Flag, OutputState, Reading
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, LinkLost, SupplyError
from benchd.supplies.supply import Supply

PAUSE_S = 0.002
"""Between two looks, so that a fast supply is not asked thousands of times for one fresh reading."""
DEAF_PAUSE_S = 0.02
"""Between two tries at a supply that takes no notice."""
REPEATS = 2
"""OFF is repeated this often before voltage and limit are taken down as well."""
MOST_READINGS = 1000
"""Kept of one switch-off; the newest are dropped beyond it."""


class OffOutcome(NamedTuple):
    """How a switch-off ended. `state` is OFF (confirmed) or UNKNOWN, never ON.

    `confirmed_ns`: ns since the epoch, None when not confirmed. `text`: one sentence with figures and units.
    `readings`: those taken meanwhile, oldest first.
    """

    state: OutputState
    confirmed_ns: int | None
    text: str
    readings: list[Reading]


def confirm_off(
    supply: Supply, channel: int, deadline_s: float = 0.5, on_step: Callable[[str], None] | None = None
) -> OffOutcome:
    """Prove that an output is off, after `send_off`: the instrument says off, and no current flows.

    While it says on: OFF again; still on: voltage and limit to the minimum, and OFF again; until `deadline_s` has
    passed. Never raises LinkError or SupplyError: what cannot be proved ends in UNKNOWN. The deadline may be passed
    by the exchange that is running, which is shortened to fit.
    """
    return _Confirmation(supply, channel, deadline_s, on_step).run()


class _Confirmation:
    def __init__(self, supply: Supply, channel: int, deadline_s: float, on_step: Callable[[str], None] | None) -> None:
        self._supply = supply
        self._channel = channel
        self._ends = time.monotonic() + deadline_s
        self._deadline_s = deadline_s
        self._on_step = on_step
        self._readings: list[Reading] = []
        self._seen = "nothing was read back"
        self._said_on = 0

    def run(self) -> OffOutcome:
        usual_s = self._supply.link.timeout_s
        try:
            while (left_s := self._ends - time.monotonic()) > 0:
                self._supply.link.timeout_s = min(usual_s, left_s)
                try:
                    if self._look():
                        return OffOutcome(OutputState.OFF, now_ns(), self._seen, self._readings)
                except (LinkError, SupplyError) as error:
                    self._seen = str(error)
                    self._again("link trouble")
                    if isinstance(error, LinkLost):  # opening again and again would only keep the instrument busy
                        time.sleep(DEAF_PAUSE_S)
                self._supply.between()
                time.sleep(PAUSE_S)
        finally:
            self._supply.link.timeout_s = usual_s
        text = f"not confirmed off within {self._deadline_s * 1e3:.0f} ms: {self._seen}"
        return OffOutcome(OutputState.UNKNOWN, None, text, self._readings)

    def _look(self) -> bool:
        """Whether the output is proved off; acts where it is not."""
        supply, channel = self._supply, self._channel
        if supply.output_state(channel):
            self._still_on()
            return False
        reading = self._read()
        # A capacitor or a battery on the leads may hold the voltage up, and a battery may feed the supply's bleeder,
        # which reads as a negative current; with the output off neither can draw current from the supply.
        most_a = supply.profile.output(channel).no_current_a
        # An overload tells no current at all, whatever its sign.
        gone = reading.current_a <= most_a and not reading.flags & Flag.OVERLOAD
        self._seen = f"output says off, {_figures(reading)}" + ("" if gone else f" (above {most_a * 1e3:.1f} mA)")
        return gone

    def _still_on(self) -> None:
        self._said_on += 1
        self._seen = "the output still says on"
        minimised = self._said_on > REPEATS
        if minimised:
            self._step(f"channel {self._channel}: still on, voltage and limit to the minimum")
            self._supply.minimise(self._channel)
        self._again("still on")
        self._seen += f", {_figures(self._read())}"
        if minimised:
            self._seen += ", voltage and limit set to the minimum"
            time.sleep(DEAF_PAUSE_S)

    def _read(self) -> Reading:
        reading = self._supply.read(self._channel)
        if len(self._readings) < MOST_READINGS:
            self._readings.append(reading)
        return reading

    def _again(self, why: str) -> None:
        self._step(f"channel {self._channel}: {why}, OFF again")
        try:
            self._supply.send_off(self._channel)
        except LinkError as error:
            self._seen = str(error)

    def _step(self, text: str) -> None:
        if self._on_step is not None:
            self._on_step(text)


def _figures(reading: Reading) -> str:
    return f"{reading.current_a * 1e3:.1f} mA and {reading.voltage_v:.3f} V at the terminals"
