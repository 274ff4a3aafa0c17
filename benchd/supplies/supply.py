"""One programmable supply: the engine that acts on what a profile states.

Settings are written, read back and compared; an output is called on or off only after asking. The reading path and
the off path use messages encoded beforehand (`supply_output.py`).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence

from benchd.reading import Reading, SenseAt
from benchd.scpi.reply import ReplyError
from benchd.supplies import adjusting, measuring, preparing, protecting, selecting
from benchd.supplies.adjusting import Drift
from benchd.supplies.arrays import ArrayReader
from benchd.supplies.asking import InstrumentSays, Orders, Question
from benchd.supplies.complaints import Complaints
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.link import Identify, Link
from benchd.supplies.profile import fitted
from benchd.supplies.profile_tables import Named, Profile, ProfileError
from benchd.supplies.supply_output import Output

__all__ = ["LinkError", "Supply", "SupplyError"]

ON_ATTEMPTS = 5
"""How often the output state is asked for after switching on; relays and soft starts take their time."""


class Supply:
    """One programmable supply, for one thread.

    Every method raises LinkError or SupplyError and nothing else. After any of them the state of the outputs is
    what `output_state` says, not what was asked for.

    `profile`: as it is for this unit once it is identified. `named`: maker, model, serial number and firmware, None
    before. `between` is called between the exchanges of whatever takes many (preparing, draining errors, proving
    off), so that the caller can look after the other outputs; it may use this supply and must not raise.
    """

    def __init__(self, name: str, profile: Profile, link: Link, channels: Sequence[int]) -> None:
        """Raises ProfileError for a channel that the profile does not have."""
        profile.check_channels(channels)
        self.name = name
        self.profile = self._family = profile
        self.link = link
        self.named: Named | None = None
        self.channels = tuple(channels)
        self._complaints = Complaints(self)
        self._outputs = {channel: Output(profile, link, channel) for channel in self.channels}
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
        """Open the link and identify; changes no output. Closes the link again when that fails.

        Raises ProfileError before anything is opened, for a channel that the profile does not have.
        """
        profile.check_channels(channels)
        link = Link.open(resource, profile.link, timeout_s, baud_rate, library, identification(profile))
        supply = cls(name, profile, link, channels)
        try:
            supply.identify()
        except (LinkError, SupplyError):
            supply.close()
            raise
        return supply

    def identify(self) -> str:
        """The identification, checked against the profile, which is fitted to the unit.

        Finds out whether there is an error queue to drain.
        """
        identity = self.link.identify()
        named = self._family.identity.named(identity)
        if named is None:
            self.link.identity = None
            wanted = self._family.identity
            family = (
                f"maker {wanted.maker!r}, model {wanted.model!r}" if not wanted.pattern else self._family.description
            )
            raise SupplyError(
                f"{self.name}: asked {wanted.query}, came back {identity!r}, but profile {self._family.name} is for "
                f"{family}; choose another profile (`benchd supplies --identify` names those that fit)"
            )
        self.named = named
        options = self._family.identity.options_query
        try:
            profile = fitted(self._family, named, self.link.query(options) if options else "")
            profile.check_channels(self.channels)
            if profile != self.profile:
                self._outputs = {channel: Output(profile, self.link, channel) for channel in self.channels}
                self.profile = profile
                self._complaints = Complaints(self)
        except ProfileError as error:
            raise SupplyError(f"{self.name}: {identity!r}: {error}") from error
        self._complaints.probe()
        return identity

    def reconnect(self) -> str:
        """Make the link anew and check that the same instrument answers. For retrying after LinkLost."""
        self.link.resync()
        return self.link.identity or self.identify()

    def prepare(
        self,
        channel: int,
        voltage_v: float,
        limit_a: float,
        over_voltage_v: float | None = None,
        over_current_delay_s: float | None = None,
        watchdog_s: float | None = None,
        sense: SenseAt = "",
    ) -> tuple[str, ...]:
        """Output off and confirmed, then limit, voltage and what the supply protects by itself, each read back.

        `over_current_delay_s`: it is to switch off after so long in limit; `watchdog_s`: when no message came for so
        long. Both are moved into the supply's range, and left out where the profile has no such thing or they are
        None. `sense`: where the voltage is held and measured. What comes back names what it now does by itself, each
        as a short sentence for people.

        Raises SupplyError where something is out of range, comes back different, outputs are coupled, a trip cannot
        be cleared, or the instrument reports an error; the output is then off if it answered at all. Errors that
        stood in the queue before are not held against it: `errors` gives them later.
        """
        wanted = preparing.Wanted(voltage_v, limit_a, over_voltage_v, over_current_delay_s, watchdog_s, sense)
        return preparing.prepare(self, self._outputs[channel], wanted)

    def check_settings(self, channel: int, voltage_v: float, limit_a: float) -> None:
        """Raises SupplyError where `adjust` would refuse these, V and A, with nothing sent. Asks nothing."""
        adjusting.check(self, self._outputs[channel], voltage_v, limit_a)

    def adjust(self, channel: int, voltage_v: float, limit_a: float) -> None:
        """Other settings, V and A, for an output that stays as it is, on or off; each read back. Never switches.

        What gets lower is written first, and the limit before the voltage. Raises SupplyError where something is out
        of range (a voltage above the over-voltage level is) or comes back different; then nothing is known of the
        settings.
        """
        adjusting.adjust(self, self._outputs[channel], voltage_v, limit_a)

    def drift(self, channel: int) -> Drift | None:
        """Whether voltage or limit are set to something else than was written last: by a panel, another program.

        None where nothing differs by more than a step, or nothing was written.
        """
        return adjusting.drift(self, self._outputs[channel])

    def output_on(self, channel: int) -> None:
        """Switch on and confirm by asking. Raises SupplyError when the instrument says that it is not on."""
        output = self._outputs[channel]
        output.is_on = None
        output.forget_mode()
        self.order(output, output.on, output.output_gap_ns)
        for _ in range(ON_ATTEMPTS):
            if self.output_state(channel):
                return
            self.between()
        raise SupplyError(
            f"{self.place(channel)}: asked {_told(output.on)}, but the output says off "
            f"({ON_ATTEMPTS} times); a protection may have tripped: look at the supply"
        )

    def send_off(self, channel: int) -> None:
        """Write OFF at once, waiting for nothing; confirms nothing. Raises LinkLost where it cannot be written."""
        output = self._outputs[channel]
        output.is_on = None
        output.forget_mode()
        # A supply that takes its time works on every message of it, and answers nothing before it is through.
        gap_ns = output.output_gap_ns or output.set_gap_ns or 0
        works_ns = len(output.off.messages) * gap_ns
        if output.off.selection is None or not output.select_gap_ns:
            self.link.send_now(output.off_at_once, works_ns or None)
            return
        # The supply may lose what comes right behind the selection, so once more at its own pace.
        self.link.send_now(output.off_at_once, 0, again=False)
        self.link.send(output.off.selection, output.select_gap_ns)
        *first, last = output.off.messages
        for data in first:
            self.link.send(data, gap_ns)
        self.link.send(last, output.select_gap_ns + works_ns + gap_ns)

    def off_at_once(self) -> None:
        """Write OFF to every channel in one go, before `send_off` does it to one after the other at the family's pace.

        A supply that needs rests may miss some of it, so this replaces nothing. Raises LinkLost.
        """
        if len(self.channels) > 1 and self.profile.link.write_end:
            for output in self._outputs.values():
                output.is_on = None
                output.forget_mode()
            self.link.send_now(b"".join(output.off_at_once for output in self._outputs.values()), 0, again=False)

    def output_state(self, channel: int) -> bool:
        """Ask the instrument: True is on."""
        output = self._outputs[channel]
        output.is_on = None
        for question in output.states:
            on = self.truth(output, question)
            if not on:
                selecting.refuse_other(self, output, question)
                break
        output.is_on = on
        return on

    def minimise(self, channel: int) -> None:
        """Voltage and limit to the smallest settings, written without reading back."""
        output = self._outputs[channel]
        output.forget_settings()
        for what, value in (("voltage", output.range.min_voltage_v), ("limit", output.range.min_limit_a)):
            self.order(output, output.setter(what, value))

    def read(self, channel: int) -> Reading:
        """One reading, Flag.GAP on the first one after a failed read of this channel.

        Raises ReplyGarbled also for the 'not a number' of SCPI-99: an instrument without a reading gave none.
        """
        return measuring.read(self, self._outputs[channel])

    def errors(self) -> list[tuple[int, str]]:
        """What the instrument says about errors, oldest first, drained; empty where it says nothing."""
        return self._complaints.take() + self._complaints.drain()

    def earlier_errors(self) -> list[tuple[int, str]]:
        """Errors that were there before the last `prepare`, once; nothing is asked of the instrument."""
        return self._complaints.take()

    def tripped(self, channel: int) -> list[str]:
        """Which of its own protections have tripped, the watch over the link among them, by the questions that tell.

        Empty where none has, or it is not known.
        """
        output = self._outputs[channel]
        return [
            each.tripped.asked
            for each in output.all_that_trip
            if each.tripped is not None and self.truth(output, each.tripped)
        ]

    def tells_trips(self, channel: int) -> bool:
        """Whether it can be asked if its over-current protection has tripped."""
        protection = self._outputs[channel].over_current
        return protection is not None and protection.tripped is not None

    def array(self, channel: int) -> ArrayReader | None:
        """The output's own array of readings; None where the family has none."""
        output = self._outputs[channel]
        return ArrayReader(self, output) if output.array is not None else None

    def close(self) -> None:
        """Close the link. Switches nothing.

        A watch over the link that this program began is ended first, if the link is in order and all outputs are off.
        """
        protecting.disarm_watchdog(self)
        self.link.close()

    # ---- for the modules beside this one ---------------------------------------------------------------

    @property
    def complaints(self) -> Complaints:
        """The error queue or registers."""
        return self._complaints

    @property
    def used(self) -> tuple[Output, ...]:
        """The outputs that this program uses."""
        return tuple(self._outputs.values())

    def ours(self, channel: int) -> Output | None:
        """The output of that number if it is one that this program uses."""
        return self._outputs.get(channel)

    def place(self, channel: int) -> str:
        """For error texts."""
        return f"{self.name} channel {channel}"

    def ask(self, output: Output, question: Question) -> bytes:
        """The reply to a question, its output selected. Raises LinkError."""
        if question.selection is None:
            return self.link.exchange(question.data, question.frame, question.gap_ns)
        raw = b""
        for _ in range(2):
            self.link.make_ready()
            selecting.select(self, output, question.selection)
            resyncs = self.link.resyncs
            raw = self.link.exchange(question.data, question.frame, question.gap_ns)
            if self.link.resyncs == resyncs:
                return raw
            # The link was made clean, perhaps anew, after the selection: who knows whose reply it is.
        raise self.link.garbled(
            ReplyError(question.asked, raw.decode("latin-1"), "a link that is in order after the output was selected")
        )

    @contextlib.contextmanager
    def making_sense(self, output: Output) -> Iterator[None]:
        """What cannot be read makes the link dirty; what the instrument says in words becomes a SupplyError."""
        try:
            yield
        except ReplyError as error:
            raise self.link.garbled(error) from error
        except InstrumentSays as error:
            raise SupplyError(
                f"{self.place(output.channel)}: {error}: an error text in the place of a reply; look it up in the "
                "supply's manual"
            ) from error

    def number(self, output: Output, question: Question) -> float | None:
        """The reply as a number; None where the instrument has none to say (a level that is off)."""
        raw = self.ask(output, question)
        with self.making_sense(output):
            return question.one_number(raw)

    def truth(self, output: Output, question: Question) -> bool:
        """The reply as yes or no."""
        raw = self.ask(output, question)
        with self.making_sense(output):
            return question.truth(raw)

    def order(self, output: Output, orders: Orders, gap_ns: int | None = None) -> None:
        """Send a command, its output selected."""
        if orders.selection is not None:
            self.link.make_ready()
            selecting.select(self, output, orders.selection)
        for data in orders.messages:
            self.link.send(data, gap_ns or output.set_gap_ns)


def identification(profile: Profile) -> Identify:
    """How the link asks for the identification, and what looks like one."""
    identity = profile.identity
    if not identity.pattern:
        return Identify(identity.query, attempts=identity.attempts)
    return Identify(identity.query, attempts=identity.attempts, looks=lambda text: identity.named(text) is not None)


def _told(orders: Orders) -> str:
    return " ".join(data.decode("ascii").strip() for data in orders.messages)


def _nothing() -> None:
    """Nobody wants to do anything in between."""
