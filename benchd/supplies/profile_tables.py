"""The tables of a driver profile, as types: what may stand in the file, and the defaults.

Common parts are in `profile_base.py`, the link and the identification in `profile_link.py`, the outputs in
`profile_outputs.py`; what makes a profile unusable is in `profile_checks.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Literal

import msgspec

from benchd.supplies.profile_base import (
    Ask,
    Asks,
    Bits,
    Command,
    Order,
    ProfileError,
    Query,
    Select,
    Table,
    as_command,
    as_queries,
    as_query,
    listed,
    told,
)
from benchd.supplies.profile_link import Identity, LinkProfile, Named, SerialPort
from benchd.supplies.profile_outputs import OutputRange

__all__ = [
    "Abilities", "ArrayRead", "Ask", "Bits", "Channels", "Command", "Commands", "ErrorQueue", "Identity", "LinkProfile",
    "ModeSource", "Named", "Order", "OutputRange", "Profile", "ProfileError", "Protection", "Query", "ReadCommand",
    "RemoteSense", "SerialPort", "Table", "Tracking", "Variant", "Watchdog", "Words", "as_command", "as_queries",
    "as_query", "listed",
]  # fmt: skip

Trust = Literal["unverified", "documented", "simulated", "recorded", "used"]


class Channels(Table, frozen=True, kw_only=True):
    """How a command reaches one output."""

    select: Annotated[
        Select,
        told(
            '"none": each command names its output itself, or there is only one. "same-message": the select command '
            'goes before it in the same message. "separate-message": in one of its own.'
        ),
    ] = "none"
    select_command: Annotated[str, told('Selects an output, as "INST:NSEL {channel}".')] = ""
    selected: Annotated[
        Ask | None,
        told(
            "Asks which output is selected, to make sure after a select message of its own and before what it is for."
        ),
    ] = None
    names: Annotated[tuple[str, ...], told("What {name} stands for, for each output in their order.")] = ()
    fixed: Annotated[
        tuple[int, ...],
        told("Outputs that are there but cannot be set or read, so that this program leaves them alone."),
    ] = ()
    switch: Annotated[
        Literal["each", "all"],
        told('"all": one switch for all outputs. Then one output may be used, and the others are set to the minimum.'),
    ] = "each"
    armed: Annotated[
        Ask | None,
        told(
            "Asks of one output whether it is armed behind a master switch, so that switching another one on would "
            "switch it on too. Then those in use here are disarmed first, and any other one refuses."
        ),
    ] = None


class Commands(Table, frozen=True, kw_only=True):
    """What every supply must be able to do."""

    set_voltage: Annotated[Order, told("Sets the voltage; {value} in V.")]
    get_voltage: Annotated[Ask, told("Asks for the voltage setting.")]
    set_limit: Annotated[Order, told("Sets the current limit; {value} in A.")]
    get_limit: Annotated[Ask, told("Asks for the current limit.")]
    output_on: Annotated[Order, told("Switches the output on.")]
    output_off: Annotated[Order, told("Switches it off. Must be harmless to repeat.")]
    output_state: Annotated[Asks, told("Asks whether it is on; of several questions all must say on.")]


class ReadCommand(Table, frozen=True, kw_only=True):
    """What brings voltage and current of one output: one message where the supply has it, else several."""

    query: Annotated[
        Asks, told('One or more questions whose fields have "voltage" and "current" once each, and may have others.')
    ]
    refresh_ms: Annotated[
        Annotated[float, msgspec.Meta(ge=0, le=2000)] | None,
        told(
            "The supply renews its readings this often, ms; asked sooner it repeats itself. 0: each is new. Left out: "
            "not known; a reading that is the same as the one before then counts as up to 100 ms old."
        ),
    ] = None


class ModeSource(Table, frozen=True, kw_only=True):
    """How constant voltage and constant current are told apart."""

    source: Annotated[
        Literal["derived", "bits", "word"],
        told(
            '"derived": from voltage and current against the settings. "bits", "word": from the field status or mode '
            "of the reading, or from a question of its own."
        ),
    ] = "derived"
    query: Annotated[Ask | None, told("The question of its own.")] = None
    every: Annotated[
        int, told("It is asked with every n-th reading; in between the mode is derived.", ge=1, le=1000)
    ] = 1
    off: Annotated[Bits | None, told("Bits that mean off. Looked at in this order: off, fault, cc, cv.")] = None
    fault: Annotated[Bits | None, told("Bits that mean a failure; the mode is then unknown.")] = None
    cc: Annotated[Bits | None, told("Bits that mean constant current.")] = None
    cv: Annotated[Bits | None, told("Bits that mean constant voltage.")] = None
    off_words: Annotated[tuple[str, ...], told("Words that mean off, compared without case.")] = ()
    cc_words: Annotated[tuple[str, ...], told("Words that mean constant current.")] = ()
    cv_words: Annotated[tuple[str, ...], told("Words that mean constant voltage.")] = ()


class Words(Table, frozen=True, kw_only=True):
    """The words of yes and no in replies, compared without case."""

    on: Annotated[tuple[str, ...], told("Words for on, or yes.")] = ("1", "ON")
    off: Annotated[tuple[str, ...], told("Words for off, or no.")] = ("0", "OFF")


class ErrorQueue(Table, frozen=True, kw_only=True):
    """What the supply says about errors. Leave the table out where it says nothing."""

    query: Annotated[
        str | tuple[str, ...],
        told("Asks for the oldest error, or for each of several error registers. Left out where only texts come."),
    ] = ()
    echo: Annotated[str, told("What stands before the reply and repeats the question, as ERR in `ERR 0`.")] = ""
    form: Annotated[
        Literal["scpi", "spaced", "number"],
        told('"scpi": `0,"No error"`. "spaced": `0  No Error`. "number": a register, 0 is no error.'),
    ] = "scpi"
    probe: Annotated[bool, told("Not every unit has it: asked once after connecting, left alone if nothing comes.")] = (
        False
    )
    most: Annotated[int, told("Entries taken in one go.", ge=1, le=200)] = 32
    texts: Annotated[
        tuple[str, ...], told("Expressions for error texts that come in the place of a reply, compared without case.")
    ] = ()


class Protection(Table, frozen=True, kw_only=True):
    """A protection that the supply has of its own, and which acts without us. Leave out what it has not."""

    level: Annotated[
        Literal["own", "limit"], told('"own": it has a level. "limit": it acts when the current limit is reached.')
    ] = "own"
    set_level: Annotated[Order | None, told("Sets the level; {value} in V or A.")] = None
    get_level: Annotated[Ask | None, told("Asks for the level; a none word means that it is off.")] = None
    level_decimals: Annotated[int, told("Digits written after the point of the level.", ge=0, le=9)] = 3
    level_resolution: Annotated[
        float, told("Smallest step of the level; 0: that of the voltage or limit setting.", ge=0, le=10)
    ] = 0.0
    enable: Annotated[Order | None, told("Switches the protection on. Leave it out where it is always on.")] = None
    disable: Annotated[
        Order | None,
        told("Switches it off. Only over-current protection that this program switched on itself is switched off."),
    ] = None
    enabled: Annotated[Ask | None, told("Asks whether it is on.")] = None
    set_delay: Annotated[
        Order | None,
        told(
            "Sets how long the cause must last; {value} in delay_unit_s. Only with it over-current protection is made "
            "use of: as the second layer, which acts by itself when nobody reads any more."
        ),
    ] = None
    get_delay: Annotated[Ask | None, told("Asks for that time.")] = None
    min_delay_s: Annotated[float, told("The shortest delay, s.", ge=0, le=3600)] = 0.0
    max_delay_s: Annotated[float, told("The longest delay, s. Needed with set_delay.", ge=0, le=3600)] = 0.0
    delay_step_s: Annotated[float, told("Smallest step of the delay, s.", gt=0, le=60)] = 0.001
    delay_unit_s: Annotated[float, told("What the delay is written and read in, s; 0.001 for ms.", gt=0, le=60)] = 1.0
    delay_decimals: Annotated[int, told("Digits written after the point of the delay.", ge=0, le=9)] = 3
    tripped: Annotated[Ask | None, told("Asks whether it has tripped.")] = None
    clear: Annotated[Order | None, told("Clears a trip.")] = None
    clear_switches_on: Annotated[
        bool, told("Clearing switches the output on again by itself, so that OFF and the smallest settings come first.")
    ] = False


class Watchdog(Table, frozen=True, kw_only=True):
    """Switches off by itself when no message came for a while. Armed where the settings ask for it."""

    scope: Annotated[
        Literal["supply", "channel"],
        told('"supply": one for all outputs, which it switches off together. "channel": each output has its own.'),
    ] = "supply"
    set_delay: Annotated[Order, told("Sets how long it waits for a message; {value} in s.")]
    get_delay: Annotated[Ask, told("Asks for that time.")]
    min_delay_s: Annotated[float, told("The shortest time, s.", gt=0, le=3600)]
    max_delay_s: Annotated[float, told("The longest time, s.", gt=0, le=86400)]
    delay_step_s: Annotated[float, told("Smallest step of the time, s.", gt=0, le=60)] = 1.0
    delay_decimals: Annotated[int, told("Digits written after the point of the time.", ge=0, le=9)] = 0
    enable: Annotated[Order, told("Arms it.")]
    disable: Annotated[Order, told("Disarms it, so that it does not trip after this program has ended in good order.")]
    enabled: Annotated[Ask, told("Asks whether it is armed.")]
    tripped: Annotated[Ask | None, told("Asks whether it has tripped.")] = None
    clear: Annotated[Order | None, told("Clears a trip.")] = None
    clear_switches_on: Annotated[
        bool, told("Clearing switches outputs on again by itself, so that OFF and the smallest settings come first.")
    ] = False


class Tracking(Table, frozen=True, kw_only=True):
    """Outputs may be coupled in series or parallel; settings and readings then mean something else: refused."""

    query: Annotated[Asks, told("Asks how they are coupled; of several answers each must mean: not coupled.")]
    independent: Annotated[tuple[str, ...] | Bits, told("Words, or bits, of the answer that mean: not coupled.")]


class RemoteSense(Table, frozen=True, kw_only=True):
    """Sense leads may be switched in from here. Leave the table out where they are wired, or found by the supply."""

    numbers: Annotated[tuple[int, ...], told("The outputs that have it; left out: all.")] = ()
    remote: Annotated[Order, told("Holds and measures the voltage at the far end of the sense leads.")]
    local: Annotated[Order, told("Holds and measures it at the supply's own terminals.")]
    state: Annotated[Ask, told("Asks whether it is remote: yes or no.")]


class ArrayRead(Table, frozen=True, kw_only=True):
    """Readings that the supply takes by itself at an even pace and hands back many at a time."""

    start: Annotated[Order, told("Begins to take readings of the output.")]
    stop: Annotated[Order | None, told("Ends it.")] = None
    ready: Annotated[Ask | None, told("Asks whether there are new ones.")] = None
    query: Annotated[Ask, told("Brings them, oldest first; its fields are repeated for each reading.")]
    interval_ms: Annotated[float, told("From one reading to the next, ms, where no time field tells.", gt=0, le=10000)]
    chunk_ms: Annotated[
        float, told("New ones are there this often, ms; fetch no later, or some are lost.", gt=0, le=60000)
    ]
    most: Annotated[int, told("The most that come at once.", ge=1, le=1_000_000)]


class Abilities(Table, frozen=True, kw_only=True):
    """What the family can do beside; false unless a document says so. Told to people; the first three are tried too."""

    opc: Annotated[bool, told("`*OPC?` answers.")] = False
    esr: Annotated[bool, told("`*ESR?` answers.")] = False
    stb: Annotated[bool, told("`*STB?` answers.")] = False
    clear_status: Annotated[bool, told("`*CLS` is understood.")] = False
    reset: Annotated[bool, told("`*RST` is understood and leaves the outputs off.")] = False
    power: Annotated[bool, told("Measures power itself.")] = False
    panel_lock: Annotated[bool, told("The panel can be locked.")] = False
    sense: Annotated[bool, told("Has remote sensing.")] = False
    over_temperature: Annotated[bool, told("Says when it is too hot.")] = False
    data_log: Annotated[bool, told("Can log by itself.")] = False


class Variant(Table, frozen=True, kw_only=True):
    """What differs for some units of the family. All the conditions that are given must hold; the first one counts."""

    model: Annotated[str, told("Regular expression that the model fits whole, without case.")] = ""
    firmware: Annotated[str, told("The same for the firmware.")] = ""
    option: Annotated[str, told("Expression that one of the fitted options fits.")] = ""
    without: Annotated[
        tuple[str, ...], told('Keys of such tables that these units do not have, as "mode.query" or "over_current".')
    ] = ()
    use: Annotated[
        dict[str, Any],
        told(
            "Tables that replace or change those of the file: words, outputs, mode, read, over_voltage, over_current, "
            "watchdog, tracking, remote_sense, array, errors, abilities, and the notes."
        ),
    ] = msgspec.field(default_factory=dict)


class Profile(Table, frozen=True, kw_only=True):
    """One family of supplies."""

    format: Annotated[int, told("The version of the file format: 2.")]
    name: Annotated[str, told("The profile's name, the same as the file's without .toml.")]
    description: Annotated[str, told("One line for lists.")]
    trust: Annotated[
        Trust,
        told(
            'How well it is verified: "unverified" (thin documents; the operator is asked once before power goes on), '
            '"documented" (checked line by line against documents), "recorded" (a recording of the hardware agrees), '
            '"used" (people have used it for repairs), "simulated" (for the simulated supply itself).'
        ),
    ]
    notes: Annotated[
        tuple[str, ...], told("Sentences for the operator, shown when a supply of the family is met.")
    ] = ()
    identity: Annotated[Identity, told("How it says who it is.")] = Identity()
    link: Annotated[LinkProfile, told("How messages travel.")] = LinkProfile()
    channels: Annotated[Channels, told("How a command reaches one output.")] = Channels()
    commands: Annotated[Commands, told("What every supply must be able to do.")]
    read: Annotated[ReadCommand, told("What brings voltage and current.")]
    mode: Annotated[ModeSource, told("How constant voltage and constant current are told apart.")] = ModeSource()
    words: Annotated[Words, told("The words of yes and no.")] = Words()
    errors: Annotated[ErrorQueue | None, told("What it says about errors.")] = None
    over_voltage: Annotated[Protection | None, told("Its own over-voltage protection.")] = None
    over_current: Annotated[Protection | None, told("Its own over-current protection.")] = None
    watchdog: Annotated[Watchdog | None, told("Its own watch over the link.")] = None
    tracking: Annotated[Tracking | None, told("Whether outputs are coupled.")] = None
    remote_sense: Annotated[RemoteSense | None, told("How sense leads are switched in.")] = None
    array: Annotated[ArrayRead | None, told("Many readings at a time.")] = None
    abilities: Annotated[Abilities, told("What it can do beside.")] = Abilities()
    outputs: Annotated[tuple[OutputRange, ...], told("What the outputs can do.")]
    variants: Annotated[tuple[Variant, ...], told("What differs for some units.")] = ()

    def output(self, channel: int) -> OutputRange:
        """The range of one output. Raises ProfileError for a number that the family does not have."""
        for output in self.outputs:
            if channel in output.numbers:
                return output
        if channel in self.channels.fixed:
            raise ProfileError(
                f"profile {self.name}: channel {channel} is a fixed output that cannot be set or read, so it cannot be "
                f"used safely; allowed: {listed(self.channel_numbers)}"
            )
        raise ProfileError(f"profile {self.name}: no channel {channel}; allowed: {listed(self.channel_numbers)}")

    @property
    def channel_numbers(self) -> list[int]:
        """All outputs that the profile can use, ascending."""
        return sorted(number for output in self.outputs for number in output.numbers)

    def senses(self, channel: int) -> bool:
        """Whether sense leads of this output can be switched in from here."""
        table = self.remote_sense
        return table is not None and (not table.numbers or channel in table.numbers)

    def channel_name(self, channel: int) -> str:
        """What {name} stands for; the number where there are no names."""
        names = self.channels.names
        return names[self.channel_numbers.index(channel)] if names else str(channel)

    def identity_fits(self, identity: str) -> bool:
        """Whether an identification reply is one of this family's."""
        return self.identity.named(identity) is not None

    def check_channels(self, channels: Sequence[int]) -> None:
        """Raises ProfileError for outputs that cannot be used, or not together."""
        for channel in channels:
            self.output(channel)
        if self.channels.switch == "all" and len(channels) > 1:
            raise ProfileError(
                f"profile {self.name}: channels {listed(channels)}: one switch switches all outputs of this family, so "
                "that cutting one off would cut them all and switching one on would power them all; use one channel "
                "of it (the others are set to the minimum)"
            )

    @property
    def takes_any(self) -> bool:
        """True for a profile that is made for no maker in particular."""
        return self.identity.maker == ".*" and not self.identity.pattern
