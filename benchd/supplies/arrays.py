"""Readings that a supply takes by itself, at its own even pace, and hands back many at a time.

Many more readings come this way than one by one, but each is known only when its chunk is fetched. So they are for
traces; the guard goes on judging single readings.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.reading import Flag, Reading
from benchd.scpi.reply import ReplyError
from benchd.supplies.clock import ANCHOR_NS
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


class ArrayReader:
    """One output's array. Methods raise LinkError or SupplyError; after `start`, `fetch` no later than `chunk_s`.

    `interval_s`: between readings, where no time is told with them. `running`: from `start` to `stop`.
    """

    def __init__(self, supply: Supply, output: Output) -> None:
        """Raises ValueError for a profile without an array."""
        about = supply.profile.array
        if about is None or output.array is None:
            raise ValueError(f"profile {supply.profile.name} has no array of readings")
        self._supply = supply
        self._output = output
        self._messages = output.array
        self._most = about.most
        self.interval_s = about.interval_ms / 1e3
        self.chunk_s = about.chunk_ms / 1e3
        self.running = False
        self._newest_ns = 0
        self._told_s: float | None = None
        self._zero_ns: int | None = None

    def start(self) -> None:
        """Let the supply begin."""
        self._supply.order(self._output, self._messages.start)
        self.running = True
        self._newest_ns = 0
        self._told_s = self._zero_ns = None

    def stop(self) -> None:
        """Let it end; what was not fetched is lost."""
        self.running = False
        if self._messages.stop is not None:
            self._supply.order(self._output, self._messages.stop)

    def fetch(self) -> list[Reading]:
        """What is new, oldest first; empty when there is nothing yet.

        The newest is dated to the middle of the exchange that brought it, and may be up to a chunk older: that is in
        `half_trip_ns`. A reading that is no number is left out, and the next one has Flag.GAP.
        """
        supply, output, messages = self._supply, self._output, self._messages
        if messages.ready is not None and not supply.truth(output, messages.ready):
            return []
        raw = supply.ask(output, messages.query)
        link = supply.link
        with supply.making_sense(output):
            numbers = messages.query.block(raw)
            fields = messages.query.fields
            if len(numbers) % len(fields) or len(numbers) > self._most * len(fields):
                wanted = f"at most {self._most} groups of {len(fields)} numbers"
                raise ReplyError(messages.query.asked, f"{len(numbers)} numbers", wanted)
        rows: list[dict[str, float]] = [
            dict(zip(fields, numbers[at : at + len(fields)], strict=True)) for at in range(0, len(numbers), len(fields))
        ]
        half_trip_ns = (link.got_ns - link.sent_ns) // 2
        return self._dated(rows, ANCHOR_NS + link.sent_ns + half_trip_ns, half_trip_ns + int(self.chunk_s * 1e9))

    def _dated(self, rows: list[dict[str, float]], newest_ns: int, half_trip_ns: int) -> list[Reading]:
        if "time" in self._messages.query.fields and rows:
            if self._told_s is not None:
                rows = [row for row in rows if row["time"] > (self._told_s or 0.0)]
            if rows:
                self._told_s = rows[-1]["time"]
                # The supply's own clock is believed from the first chunk on; its drift (some 50 ppm, common practice)
                # stays below a chunk for an hour.
                if self._zero_ns is None:
                    self._zero_ns = newest_ns - int(self._told_s * 1e9)
        found: list[Reading] = []
        missed = False
        for place, row in enumerate(rows):
            if self._zero_ns is not None:
                t_ns = self._zero_ns + int(row["time"] * 1e9)
            else:
                t_ns = newest_ns - int((len(rows) - 1 - place) * self.interval_s * 1e9)
            voltage_v, current_a = row["voltage"], row["current"]
            # Infinity is an overload and NaN no reading (SCPI-1999 vol. 1 §7.2.1); neither may pass for a number.
            if not (abs(voltage_v) < 9e37 and abs(current_a) < 9e37) or t_ns <= self._newest_ns:
                missed = True
                continue
            if self._output.range.negative:
                voltage_v, current_a = -voltage_v, abs(current_a)
            mode = self._output.derived_mode(voltage_v, current_a)
            found.append(Reading(t_ns, voltage_v, current_a, mode, Flag.GAP if missed else Flag.NONE, half_trip_ns))
            self._newest_ns, missed = t_ns, False
        return found
