"""One programmable supply: the engine that acts on what a profile states.

Settings are written, read back and compared; an output is called on or off only after asking. The reading path and
the off path use messages encoded beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from benchd.reading import Flag, Mode, Reading
from benchd.scpi import message, reply, status
from benchd.scpi.reply import ReplyError
from benchd.supplies.clock import ANCHOR_NS
from benchd.supplies.errors import LinkError, ReplyGarbled, ReplyLate, SupplyError
from benchd.supplies.link import Link
from benchd.supplies.profile_tables import OutputRange, Profile

__all__ = ["LinkError", "Supply", "SupplyError"]

MOST_ERRORS = 32
"""Entries taken from an error queue in one go; the deepest queues common on supplies hold 20 to 32."""
ON_ATTEMPTS = 5
"""How often the output state is asked for after switching on; relays and soft starts take their time."""


class Supply:
    """One programmable supply, for one thread.

    Every method raises LinkError or SupplyError and nothing else. After any of them the state of the outputs is
    what `output_state` says, not what was asked for.

    `between` is called between the exchanges of whatever takes many (preparing, draining errors, proving off), so
    that the caller can look after the other outputs; it may use this supply and must not raise.
    """

    def __init__(self, name: str, profile: Profile, link: Link, channels: Sequence[int]) -> None:
        """Raises ProfileError for a channel that the profile does not have."""
        self.name = name
        self.profile = profile
        self.link = link
        self.channels = tuple(channels)
        self._outputs = {channel: _Output(profile, link, channel) for channel in self.channels}
        self._fields = {field: at for at, field in enumerate(profile.read.fields)}
        self._has_errors = profile.errors is not None
        self._probe_errors = profile.errors is not None and profile.errors.probe
        self._old_errors: list[tuple[int, str]] = []
        self.between: Callable[[], None] = _nothing

    @classmethod
    def open(
        cls,
        name: str,
        resource: str,
        profile: Profile,
        channels: Sequence[int],
        timeout_s: float,
        baud_rate: int | None = None,
        library: str = "@py",
    ) -> Supply:
        """Open the link and identify; changes no output. Closes the link again when that fails."""
        supply = cls(name, profile, Link.open(resource, profile.link, timeout_s, baud_rate, library), channels)
        try:
            supply.identify()
        except (LinkError, SupplyError):
            supply.close()
            raise
        return supply

    def identify(self) -> str:
        """The identification, checked against the profile. Finds out whether there is an error queue to drain."""
        identity = self.link.identify()
        if not self.profile.identity_fits(identity):
            wanted = self.profile.identity
            self.link.identity = None
            raise SupplyError(
                f"{self.name}: asked {self.profile.link.identify}, came back {identity!r}, but profile "
                f"{self.profile.name} is for maker {wanted.maker!r}, model {wanted.model!r}; choose another profile"
            )
        if self._probe_errors:
            self._probe_errors = False
            try:
                self._old_errors += self._drain_errors()
            except (ReplyLate, ReplyGarbled):
                self._has_errors = False
                self.link.resync()
        return identity

    def reconnect(self) -> str:
        """Make the link anew and check that the same instrument answers. For retrying after LinkLost."""
        self.link.resync()
        return self.link.identity or self.identify()

    def prepare(self, channel: int, voltage_v: float, limit_a: float, over_voltage_v: float | None = None) -> None:
        """Output off and confirmed, then limit, voltage and protection, each read back.

        Raises SupplyError where something is out of range, comes back different, or the instrument reports an
        error; the output is then off if it answered at all. Errors that stood in the queue before are not held
        against it: `errors` gives them later.
        """
        output = self._outputs[channel]
        self._check_range(output, voltage_v, limit_a, over_voltage_v)
        output.forget_settings()
        self.send_off(channel)
        if self.output_state(channel):
            raise SupplyError(
                f"{self._place(channel)}: asked {self.profile.commands.output_off}, but the output still says on; "
                "nothing was set. Switch it off at its panel"
            )
        self._old_errors = self.errors()
        self._set(output, "limit", limit_a)
        if over_voltage_v is None:
            self._set(output, "voltage", voltage_v)
        elif over_voltage_v >= self._get(output, "voltage"):
            # A level below the voltage that is set is a conflict on many supplies, so whichever rises goes first.
            self._protect(output, over_voltage_v)
            self._set(output, "voltage", voltage_v)
        else:
            self._set(output, "voltage", voltage_v)
            self._protect(output, over_voltage_v)
        complaints = self._drain_errors() if self._has_errors else []
        if complaints:
            told = "; ".join(f'{number} "{text}"' for number, text in complaints)
            raise SupplyError(
                f"{self._place(channel)}: asked {voltage_v} V, {limit_a} A; the instrument reports {told}. "
                "The output stays off; look the numbers up in its manual"
            )
        output.remember_settings(voltage_v, limit_a)

    def output_on(self, channel: int) -> None:
        """Switch on and confirm by asking. Raises SupplyError when the instrument says that it is not on."""
        output = self._outputs[channel]
        output.is_on = None
        self._send(output.on)
        for _ in range(ON_ATTEMPTS):
            if self.output_state(channel):
                return
        raise SupplyError(
            f"{self._place(channel)}: asked {self.profile.commands.output_on}, but the output says off "
            f"({ON_ATTEMPTS} times); a protection may have tripped: look at the supply"
        )

    def send_off(self, channel: int) -> None:
        """Write OFF at once, waiting for nothing; confirms nothing. Raises LinkLost where it cannot be written."""
        output = self._outputs[channel]
        output.is_on = None
        self.link.send_now(output.off)

    def output_state(self, channel: int) -> bool:
        """Ask the instrument: True is on."""
        output = self._outputs[channel]
        words = self.profile.words
        output.is_on = None
        text = self._ask(output.state)
        try:
            output.is_on = reply.boolean(text, self.profile.commands.output_state, words.on, words.off)
        except ReplyError as error:
            raise self.link.garbled(error) from error
        return output.is_on

    def minimise(self, channel: int) -> None:
        """Voltage and limit to the smallest settings, written without reading back."""
        output = self._outputs[channel]
        output.forget_settings()
        for what, value in (("voltage", output.range.min_voltage_v), ("limit", output.range.min_limit_a)):
            self._send(output.setter(what, value))

    def read(self, channel: int) -> Reading:
        """One reading, Flag.GAP on the first one after a failed read of this channel.

        Raises ReplyGarbled also for the 'not a number' of SCPI-99: an instrument without a reading gave none.
        """
        output = self._outputs[channel]
        missed = output.missed
        output.missed = True
        text = self._ask(output.read)
        link = self.link
        try:
            parts = reply.split(text, self.profile.read.separators)
            if len(parts) != len(self._fields):
                raise ReplyError(self.profile.read.query, text, f"{len(self._fields)} values")
            voltage_v = reply.number(parts[self._fields["voltage"]])
            current_a = reply.number(parts[self._fields["current"]])
            if voltage_v != voltage_v or current_a != current_a:
                raise ReplyError(self.profile.read.query, text, "a voltage and a current, not 9.91E37 (no reading)")
            bits = reply.integer(parts[self._fields["status"]]) if "status" in self._fields else None
        except ReplyError as error:
            named = ReplyError(self.profile.read.query, text, error.expected)
            raise link.garbled(named) from error
        flags = Flag.GAP if missed else Flag.NONE
        if math.isinf(voltage_v) or math.isinf(current_a):
            flags |= Flag.OVERLOAD
            voltage_v = _clipped(voltage_v, output.range.max_voltage_v)
            current_a = _clipped(current_a, output.range.max_limit_a)
        output.missed = False
        half_trip_ns = (link.got_ns - link.sent_ns) // 2
        mode = output.derived_mode(voltage_v, current_a) if bits is None else self._mode_of(bits)
        return Reading(ANCHOR_NS + link.sent_ns + half_trip_ns, voltage_v, current_a, mode, flags, half_trip_ns)

    def errors(self) -> list[tuple[int, str]]:
        """The error queue, oldest first, drained; empty where the supply has none."""
        found = self._old_errors + (self._drain_errors() if self._has_errors else [])
        self._old_errors = []
        return found

    def earlier_errors(self) -> list[tuple[int, str]]:
        """Errors that were in the queue before the last `prepare`, once; nothing is asked of the instrument."""
        found, self._old_errors = self._old_errors, []
        return found

    def close(self) -> None:
        """Close the link. Switches nothing."""
        self.link.close()

    # ---- inside ----------------------------------------------------------------------------------------------

    def _place(self, channel: int) -> str:
        return f"{self.name} channel {channel}"

    def _ask(self, messages: tuple[bytes, ...]) -> str:
        if len(messages) > 1:
            self.link.make_ready()
            self._send(messages[:-1])
        return self.link.exchange(messages[-1]).decode("latin-1")

    def _send(self, messages: tuple[bytes, ...]) -> None:
        for data in messages:
            self.link.send(data)

    def _check_range(self, output: _Output, voltage_v: float, limit_a: float, over_voltage_v: float | None) -> None:
        span, place = output.range, self._place(output.channel)
        checks = [
            ("voltage", voltage_v, span.min_voltage_v, span.max_voltage_v, "V"),
            ("current limit", limit_a, span.min_limit_a, span.max_limit_a, "A"),
        ]
        if over_voltage_v is not None:
            if self.profile.over_voltage is None:
                raise SupplyError(
                    f"{place}: asked for over-voltage protection at {over_voltage_v} V, but profile "
                    f"{self.profile.name} knows none; leave it out"
                )
            checks.append(("over-voltage level", over_voltage_v, voltage_v, math.inf, "V"))
        for what, value, low, high, unit in checks:
            if not (low <= value <= high and math.isfinite(value)):
                raise SupplyError(
                    f"{place}: asked for a {what} of {value} {unit}; allowed {low} to {high} {unit}. Nothing was sent"
                )

    def _set(self, output: _Output, what: str, value: float) -> None:
        """Write a setting, read it back, compare."""
        self._send(output.setter(what, value))
        self._compare(output, what, value, self._get(output, what))
        self.between()

    def _get(self, output: _Output, what: str) -> float:
        return self._number(output.getter(what))

    def _number(self, messages: tuple[bytes, ...]) -> float:
        text = self._ask(messages)
        try:
            return reply.number(text, messages[-1].decode("ascii").strip())
        except ReplyError as error:
            raise self.link.garbled(error) from error

    def _compare(self, output: _Output, what: str, asked: float, came_back: float) -> None:
        step, unit = output.step(what)
        if abs(asked - came_back) <= step * (1 + 1e-6):
            return
        raise SupplyError(
            f"{self._place(output.channel)}: asked for a {what} of {asked:g} {unit}, came back {came_back:g} {unit} "
            f"(they may differ by {step:g} {unit}). The output stays off; check the supply's own limits and ranges"
        )

    def _protect(self, output: _Output, level_v: float) -> None:
        protection = self.profile.over_voltage
        assert protection is not None
        self._send(output.message(protection.set_level, output.written("over-voltage level", level_v)))
        came_back = self._number(output.message(protection.get_level))
        self._compare(output, "over-voltage level", level_v, came_back)
        if protection.enable:
            self._send(output.message(protection.enable))
        if not protection.enabled:
            return
        words = self.profile.words
        text = self._ask(output.message(protection.enabled))
        try:
            enabled = reply.boolean(text, protection.enabled, words.on, words.off)
        except ReplyError as error:
            raise self.link.garbled(error) from error
        if not enabled:
            raise SupplyError(
                f"{self._place(output.channel)}: asked {protection.enable or 'for over-voltage protection'}, came back "
                f"{text!r}: the protection is off. The output stays off; switch the protection on at the supply"
            )

    def _drain_errors(self) -> list[tuple[int, str]]:
        assert self.profile.errors is not None
        asked = self.link.encode(self.profile.errors.query)
        found: list[tuple[int, str]] = []
        for _ in range(MOST_ERRORS):
            try:
                entry = status.error_entry(self.link.exchange(asked).decode("latin-1"), self.profile.errors.query)
            except ReplyError as error:
                raise self.link.garbled(error) from error
            if entry.number == 0:
                break
            found.append((entry.number, entry.text))
            self.between()
        return found

    def _mode_of(self, bits: int) -> Mode:
        in_cc, in_cv = bool(bits & self.profile.mode.cc_mask), bool(bits & self.profile.mode.cv_mask)
        if in_cc == in_cv:  # neither: off or unregulated; both: a fault of the instrument
            return Mode.UNKNOWN if in_cc else Mode.OFF
        return Mode.CC if in_cc else Mode.CV


class _Output:
    """One output: its messages, encoded, and what is known of its settings."""

    def __init__(self, profile: Profile, link: Link, channel: int) -> None:
        self.channel = channel
        self.range: OutputRange = profile.output(channel)
        self.is_on: bool | None = None
        self.missed = False
        self._profile = profile
        self._link = link
        self._cc_above_a = self._cc_below_v = math.nan
        commands = profile.commands
        self.on = self.message(commands.output_on)
        self.off = b"".join(self.message(commands.output_off))
        self.state = self.message(commands.output_state)
        self.read = self.message(profile.read.query)

    def message(self, template: str, value: str | None = None) -> tuple[bytes, ...]:
        """The messages for a command to this output, with the channel selected as the profile wants."""
        command = message.fill(template, channel=self.channel, value=value)
        select = self._profile.channels.select
        if select == "none":
            return (self._link.encode(command),)
        selection = message.fill(self._profile.channels.select_command, channel=self.channel)
        if select == "same-message":
            return (self._link.encode(message.join([selection, command])),)
        return (self._link.encode(selection), self._link.encode(command))

    def written(self, what: str, value: float) -> str:
        """A setting as text."""
        return message.decimal(value, self.range.limit_decimals if what == "limit" else self.range.voltage_decimals)

    def setter(self, what: str, value: float) -> tuple[bytes, ...]:
        """Messages that set `voltage` (V) or `limit` (A)."""
        commands = self._profile.commands
        template = commands.set_limit if what == "limit" else commands.set_voltage
        return self.message(template, self.written(what, value))

    def getter(self, what: str) -> tuple[bytes, ...]:
        """Messages that ask for them."""
        commands = self._profile.commands
        return self.message(commands.get_limit if what == "limit" else commands.get_voltage)

    def step(self, what: str) -> tuple[float, str]:
        """The programming resolution and its unit."""
        return (self.range.set_resolution_a, "A") if what == "limit" else (self.range.set_resolution_v, "V")

    def forget_settings(self) -> None:
        """What is set is not known from here on."""
        self._cc_above_a = self._cc_below_v = math.nan

    def remember_settings(self, voltage_v: float, limit_a: float) -> None:
        """These are set."""
        self._cc_above_a = limit_a - self.range.current_tolerance_a(limit_a)
        self._cc_below_v = voltage_v - self.range.voltage_tolerance_v(voltage_v)

    def derived_mode(self, voltage_v: float, current_a: float) -> Mode:
        """In limit: at the limit and below the voltage, each by more than the instrument may be wrong."""
        if self.is_on is False:  # when it was last asked; somebody else may have switched it on since
            return Mode.OFF if current_a <= self.range.no_current_a else Mode.UNKNOWN
        if self.is_on is None or self._cc_above_a != self._cc_above_a:
            return Mode.UNKNOWN
        return Mode.CC if current_a >= self._cc_above_a and voltage_v < self._cc_below_v else Mode.CV


def _nothing() -> None:
    """Nobody wants to do anything in between."""


def _clipped(value: float, end: float) -> float:
    return math.copysign(end, value) if math.isinf(value) else value
