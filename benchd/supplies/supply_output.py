"""One output of a supply: its messages, made beforehand, what is known of its settings, and in which mode it is."""

from __future__ import annotations

import math

from benchd.reading import Mode
from benchd.scpi import message
from benchd.supplies.asking import Maker, Orders
from benchd.supplies.link import Link
from benchd.supplies.profile_base import Bits, Order, as_queries, as_query
from benchd.supplies.profile_tables import (
    ArrayRead,
    ModeSource,
    OutputRange,
    Profile,
    Protection,
    RemoteSense,
    Watchdog,
)


class TripMessages:
    """What everything that trips has: a switch, a trip and a delay; None for what it has not."""

    def __init__(self, maker: Maker, table: Protection | Watchdog) -> None:
        self._maker = maker
        self._set_delay = table.set_delay
        self._delay_unit_s = table.delay_unit_s if isinstance(table, Protection) else 1.0
        self._delay_decimals = table.delay_decimals
        self.min_delay_s, self.max_delay_s, self.delay_step_s = (
            table.min_delay_s, table.max_delay_s, table.delay_step_s
        )  # fmt: skip
        self.clear_switches_on = table.clear_switches_on
        self.get_delay, self.enabled, self.tripped = (
            maker.ask(as_query(ask), state) if ask is not None else None
            for ask, state in ((table.get_delay, False), (table.enabled, True), (table.tripped, True))
        )
        self.enable, self.disable, self.clear = (
            maker.order(order) if order is not None else None for order in (table.enable, table.disable, table.clear)
        )
        self.ours = False
        """This program switched it on."""

    @property
    def has_delay(self) -> bool:
        """Whether its delay can be set."""
        return self._set_delay is not None

    def nearest_delay_s(self, wanted_s: float) -> float:
        """The delay that it can have, s: the next step that is no shorter, within its range."""
        step_s = self.delay_step_s
        steps = math.ceil(min(max(wanted_s, self.min_delay_s), self.max_delay_s) / step_s - 1e-6)
        return steps * step_s if steps * step_s <= self.max_delay_s * (1 + 1e-9) else self.max_delay_s

    def set_delay(self, delay_s: float) -> Orders:
        """The messages that set the delay."""
        assert self._set_delay is not None
        return self._maker.order(self._set_delay, message.decimal(delay_s / self._delay_unit_s, self._delay_decimals))

    def delay_s(self, came_back: float | None) -> float | None:
        """What the instrument says of its delay, s."""
        return None if came_back is None else came_back * self._delay_unit_s


class ProtectionMessages(TripMessages):
    """The messages of one protection."""

    def __init__(self, maker: Maker, protection: Protection) -> None:
        super().__init__(maker, protection)
        self.about = protection
        self.get_level = maker.ask(as_query(protection.get_level)) if protection.get_level is not None else None


class WatchdogMessages(TripMessages):
    """The messages of the watch over the link."""

    def __init__(self, maker: Maker, watchdog: Watchdog) -> None:
        super().__init__(maker, watchdog)
        self.about = watchdog


class SenseMessages:
    """The messages that switch sense leads in and out."""

    def __init__(self, maker: Maker, sense: RemoteSense) -> None:
        self.orders = {"remote": maker.order(sense.remote), "local": maker.order(sense.local)}
        self.state = maker.ask(as_query(sense.state), True)


class ArrayMessages:
    """The messages of readings that come many at a time."""

    def __init__(self, maker: Maker, array: ArrayRead) -> None:
        self.start = maker.order(array.start)
        self.stop = maker.order(array.stop) if array.stop is not None else None
        self.ready = maker.ask(as_query(array.ready), True) if array.ready is not None else None
        self.query = maker.ask(as_query(array.query))


class Output:
    """One output of one supply. `is_on`: what it last said, None when it was not asked since it was switched.

    `settings`: voltage in V and limit in A as written last and read back; None when that is not known. `level_v`: the
    same of the over-voltage level.
    """

    def __init__(self, profile: Profile, link: Link, channel: int) -> None:
        self.channel = channel
        self.range: OutputRange = profile.output(channel)
        self.is_on: bool | None = None
        self.missed = False
        self._maker = maker = Maker(profile, link, channel)
        self.set_gap_ns, self.select_gap_ns, self.output_gap_ns = (
            maker.set_gap_ns, maker.select_gap_ns, maker.output_gap_ns
        )  # fmt: skip
        self.settings: tuple[float, float] | None = None
        self.level_v: float | None = None
        self._cc_above_a = self._cc_below_v = math.nan
        commands = profile.commands
        self._commands = commands
        self.on = maker.order(commands.output_on)
        self.off = maker.order(commands.output_off)
        self.off_at_once = b"".join((self.off.selection or b"", *self.off.messages))
        self.states = tuple(maker.ask(query, True) for query in as_queries(commands.output_state))
        self.reads = tuple(maker.ask(query) for query in as_queries(profile.read.query))
        self.getters = {
            "voltage": maker.ask(as_query(commands.get_voltage)), "limit": maker.ask(as_query(commands.get_limit))
        }  # fmt: skip
        channels, tracking = profile.channels, profile.tracking
        self.selected = maker.ask(as_query(channels.selected), True) if channels.selected is not None else None
        self.selected_answers = {str(channel), maker.name.upper()}
        self.armed = maker.ask(as_query(channels.armed), True) if channels.armed is not None else None
        apart = tracking.independent if tracking is not None else None
        bits = apart if isinstance(apart, Bits) else None
        self.tracking = (
            tuple(maker.ask(query, True, bits) for query in as_queries(tracking.query)) if tracking is not None else ()
        )
        self.protections = [
            ProtectionMessages(maker, protection)
            for protection in (profile.over_voltage, profile.over_current)
            if protection is not None
        ]
        self.over_voltage = self.protections[0] if profile.over_voltage is not None else None
        self.over_current = self.protections[-1] if profile.over_current is not None else None
        self.watchdog = WatchdogMessages(maker, profile.watchdog) if profile.watchdog is not None else None
        sense = profile.remote_sense if profile.senses(channel) else None
        self.sense = SenseMessages(maker, sense) if sense is not None else None
        self.array = ArrayMessages(maker, profile.array) if profile.array is not None else None
        self.mode_source = profile.mode
        self.mode_question = maker.ask(as_query(profile.mode.query), True) if profile.mode.query is not None else None
        self._mode_due = 0
        self._event_mode = Mode.UNKNOWN
        # The usual case, one query that brings nothing but numbers, is read without a detour.
        self.plain = self.reads[0] if len(self.reads) == 1 and self.reads[0].is_plain else None
        self.places = {field: at for at, field in enumerate(self.plain.fields)} if self.plain else {}

    # ---- settings -------------------------------------------------------------------------------------------

    def setter(self, what: str, value: float) -> Orders:
        """The messages that set `voltage` (V) or `limit` (A)."""
        order = self._commands.set_limit if what == "limit" else self._commands.set_voltage
        return self._maker.order(order, self.written(what, value))

    def set_level(self, protection: ProtectionMessages, level: float) -> Orders:
        """The messages that set a protection's level."""
        order: Order | None = protection.about.set_level
        assert order is not None
        return self._maker.order(order, self.written_level(protection, level))

    def written_level(self, protection: ProtectionMessages, level: float) -> str:
        """A protection's level as text."""
        sign = -1 if self.range.negative and protection is self.over_voltage else 1
        return message.decimal(sign * level, protection.about.level_decimals)

    def written(self, what: str, value: float) -> str:
        """A setting as text."""
        span = self.range
        if what == "limit":
            return message.decimal(value, span.limit_decimals).zfill(span.limit_width)
        signed = -value if span.negative else value
        return message.decimal(signed, span.voltage_decimals).zfill(span.voltage_width)

    def step(self, what: str) -> tuple[float, str]:
        """The programming resolution and its unit."""
        return (self.range.set_resolution_a, "A") if what == "limit" else (self.range.set_resolution_v, "V")

    def forget_settings(self) -> None:
        """What is set is not known from here on."""
        self.settings = None
        self._cc_above_a = self._cc_below_v = math.nan

    def remember_settings(self, voltage_v: float, limit_a: float) -> None:
        """These are set, and were read back."""
        self.settings = voltage_v, limit_a
        self._cc_above_a = limit_a - self.range.current_tolerance_a(limit_a)
        self._cc_below_v = voltage_v - self.range.voltage_tolerance_v(voltage_v)

    @property
    def all_that_trip(self) -> list[TripMessages]:
        """What may have switched it off by itself."""
        return [*self.protections, *([self.watchdog] if self.watchdog is not None else [])]

    # ---- mode -----------------------------------------------------------------------------------------------

    def derived_mode(self, voltage_v: float, current_a: float) -> Mode:
        """In limit: at the limit and below the voltage, each by more than the instrument may be wrong."""
        if self.is_on is False:  # when it was last asked; somebody else may have switched it on since
            return Mode.OFF if current_a <= self.range.no_current_a else Mode.UNKNOWN
        if self.is_on is None or self._cc_above_a != self._cc_above_a:
            return Mode.UNKNOWN
        return Mode.CC if current_a >= self._cc_above_a and voltage_v < self._cc_below_v else Mode.CV

    def mode_is_due(self) -> bool:
        """Whether the question of its own is to be asked with this reading."""
        if self.mode_question is None:
            return False
        self._mode_due -= 1
        if self._mode_due > 0:
            return False
        self._mode_due = self.mode_source.every
        return True

    def mode_of_bits(self, bits: int, derived: Mode) -> Mode:
        """The mode that a register tells. `derived`: what voltage and current tell, for where it tells nothing."""
        source, place = self.mode_source, self._maker.place
        if source.off is not None and source.off.match(bits, place):
            return Mode.OFF
        if source.fault is not None and source.fault.match(bits, place):
            return Mode.UNKNOWN
        assert source.cc is not None
        assert source.cv is not None
        in_cc, in_cv = source.cc.match(bits, place), source.cv.match(bits, place)
        question = self.mode_question
        if question is not None and question.cleared_by_reading:
            # Events since the last question: one of them tells the mode, none means no change, both tell nothing.
            if in_cc is not in_cv:
                self._event_mode = Mode.CC if in_cc else Mode.CV
            elif in_cc:
                self._event_mode = derived
            return derived if self._event_mode is Mode.UNKNOWN or self.is_on is not True else self._event_mode
        if in_cc == in_cv:  # neither: off or unregulated; both: a fault of the instrument
            return Mode.UNKNOWN if in_cc else Mode.OFF
        return Mode.CC if in_cc else Mode.CV

    def mode_of_word(self, word: str) -> Mode:
        """The mode that a word tells."""
        return mode_of_word(self.mode_source, word)

    def forget_mode(self) -> None:
        """The output is being switched: what events told is over, and the next reading asks again."""
        self._event_mode = Mode.UNKNOWN
        self._mode_due = 0


def mode_of_word(source: ModeSource, word: str) -> Mode:
    """Compared without case; any other word is unknown."""
    given = word.strip().strip("\"'").upper()
    for words, mode in ((source.off_words, Mode.OFF), (source.cc_words, Mode.CC), (source.cv_words, Mode.CV)):
        if given in (each.upper() for each in words):
            return mode
    return Mode.UNKNOWN
