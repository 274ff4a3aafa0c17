"""What the guard process and the daemon say to each other: the messages, and nothing else.

Framing: a 4-byte little-endian length, then one msgpack object with a `type` tag (see `framing.py`).
Times are ns since the epoch; every number carries its unit in its name.
"""

from __future__ import annotations

from typing import Literal

import msgspec

from benchd.reading import Block, OutputState, SenseAt


class RuleLimits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the trip rules of one channel compare with. None switches a rule off."""

    over_current_a: float | None = None
    """Trip above this current, A. (Below the supply's limit, else the supply's own limit acts first.)"""
    over_voltage_v: float | None = None
    """Trip above this voltage, V."""
    short_voltage_fraction: float = 0.5
    """In limit with less than this share of the set voltage counts as collapsed."""
    short_hold_s: float = 0.010
    """Collapsed for longer than this, and not rising as a charging capacitor would: a short. s"""
    harmless_bulk_f: float = 0.002
    """Largest bulk capacitance believed harmless, F: it sets how fast a good board's voltage must rise."""
    stale_s: float = 1.0
    """No valid reading for this long while the output is on: trip. s"""
    limit_hold_s: float | None = 1.0
    """In limit for longer than this with the voltage pulled down, though not collapsed: trip as `short`. s"""
    energy_j: float | None = None
    """Most energy since the output went on, J: rule `budget`."""
    square_a2s: float | None = None
    """Most I²t since the output went on, A²s: rule `budget`."""
    fault_j: float | None = None
    """Most energy into one collapsed stretch, J, however it rises: rule `budget`."""
    longest_on_s: float | None = None
    """Switched off after this long, s. Not a trip: nothing is wrong, but nobody is looking either."""
    power_w: float | None = None
    """Most power, W: more in one reading, by more than it may be wrong, is rule `budget`."""
    collapse_allowed: bool = False
    """The rail is known to be shorted: a collapsed voltage decides nothing. Only with `energy_j`, `longest_on_s` and
    `power_w`, and with settings that cannot give more than that power."""


class Stage(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One part of a power-up before the boot: lower settings, for a while."""

    name: Literal["probe", "hold"]
    voltage_v: float
    limit_a: float
    seconds: float
    """How long the stage lasts, s; longer where the supply has not given STAGE_READINGS by then."""
    least_ohm: float | None = None
    """A rail of less than this is a dead short: nothing more is applied. Ω"""
    by_hand: bool = False
    """Goes on only when somebody says so (`Advance`), not earlier than after `seconds`."""


class ChannelConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One output and the envelope that no caller can exceed."""

    number: int
    max_voltage_v: float
    max_limit_a: float


class SupplyConfig(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One supply for the guard to hold."""

    name: str
    resource: str
    """VISA resource name, e.g. TCPIP0::192.0.2.5::5025::SOCKET or ASRL/dev/ttyUSB0::INSTR."""
    profile: str
    """Name of a shipped profile or path of a profile file."""
    channels: tuple[ChannelConfig, ...]
    reading_interval_s: float = 0.0
    """Time between readings of one channel, s; 0 reads as fast as the supply answers."""
    timeout_s: float = 0.3
    """How long one reply may take, s."""
    on_daemon_loss: Literal["off", "hold"] = "off"
    baud_rate: int | None = None
    """Serial only; None takes the profile's."""
    array_readback: bool = False
    """Make traces of the supply's own array of readings, where its family has one."""
    visa_library: str = "@py"
    """The VISA backend, in PyVISA's words: @py, @ivi, or the path of a library."""
    serial: str = ""
    """Serial number of the unit; another one is refused, and this one looked for at other places. Empty: any unit."""
    identity: str = ""
    """The identification of the unit that was held last: making it safe believes no other one. Empty: not known."""
    leave_alone: tuple[str, ...] = ()
    """Resources of the other supplies, which are not asked when this one is looked for."""
    link_watchdog_s: float | None = None
    """The supply is to switch off by itself after so long without a message, where its family can, s. None: not."""


# ---- daemon → guard -------------------------------------------------------------------------------------------


class Configure(msgspec.Struct, frozen=True, tag=True):
    """First message. The guard opens the supplies and reads them; it switches nothing on."""

    supplies: tuple[SupplyConfig, ...]
    lock_dir: str
    daemon_timeout_s: float = 0.4
    """Heartbeats missing for this long mean the daemon is gone, s."""
    rearm_pause_s: float = 2.0
    """From a trip until it may be re-armed, s."""
    rearm_per_minute: int = 6
    """So often may one output be re-armed within a minute."""


class PowerOn(msgspec.Struct, frozen=True, tag=True):
    """Prepare, read back, and switch one output on. Refused while tripped, unknown, or outside the envelope.

    `voltage_v`, `limit_a`: of the boot, the highest of all. `before`: the stages that come first, in their order.
    """

    id: int
    supply: str
    channel: int
    voltage_v: float
    limit_a: float
    rules: RuleLimits
    consent: str = ""
    """What the operator consented to where the profile is unverified: `Met.consent` as it was then."""
    before: tuple[Stage, ...] = ()
    over_current_delay_s: float | None = None
    """The supply's own over-current protection is to act after so long in limit, s. None: it is left as it is."""
    most_voltage_v: float | None = None
    """Ceiling of what `Adjust` may ask for later, V. None: `voltage_v`."""
    most_limit_a: float | None = None
    """The same for the current limit, A. None: `limit_a`."""
    most_before_v: float | None = None
    """Refused where the output, still off, shows more than this at its terminals, V: a battery or another source is on
    them. None: not looked at, since a board that was on a moment ago holds its charge for a while."""
    sense: SenseAt = ""
    """Where its voltage is held and measured: at its terminals, or at the far end of sense leads. Empty: as it is."""


class PowerOff(msgspec.Struct, frozen=True, tag=True):
    """Switch off and confirm. `supply` None: every output of every supply. Always accepted."""

    id: int
    supply: str | None = None
    channel: int | None = None
    why: str = ""
    """A sentence, where it was no person who asked."""


class Rearm(msgspec.Struct, frozen=True, tag=True):
    """A person releases the latch after a trip; refused unless the output is confirmed off."""

    id: int
    supply: str
    channel: int


class Advance(msgspec.Struct, frozen=True, tag=True):
    """A person ends the stage `hold`; refused in any other."""

    id: int
    supply: str
    channel: int


class Adjust(msgspec.Struct, frozen=True, tag=True):
    """Other settings for an output that is on, in no stage before the boot; answered when they were read back.

    Refused outside the ceilings of the power-on; nothing is changed then. Settings that do not come back as written
    end with the output off.
    """

    id: int
    supply: str
    channel: int
    voltage_v: float
    limit_a: float


class DaemonBeat(msgspec.Struct, frozen=True, tag=True):
    """The daemon lives."""

    seq: int


class Shutdown(msgspec.Struct, frozen=True, tag=True):
    """Switch everything off, confirm, answer, end."""

    id: int


Command = Configure | PowerOn | PowerOff | Rearm | Advance | Adjust | DaemonBeat | Shutdown


# ---- guard → daemon -------------------------------------------------------------------------------------------


class GuardBeat(msgspec.Struct, frozen=True, tag=True):
    """The guard lives. `ages_s`: per supply, time since its thread last came round, s."""

    seq: int
    ages_s: dict[str, float]


class Answer(msgspec.Struct, frozen=True, tag=True):
    """The outcome of one command, by its id. `error` says what was asked, what came back, and what to do."""

    id: int
    ok: bool
    error: str = ""
    code: str = ""
    """A word for programs where there is one: `consent-needed`."""


class Met(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Who answers, and by which profile it is driven."""

    resource: str
    """Where it answers; not always where the settings say."""
    profile: str
    trust: str
    """How well the profile is verified: unverified, documented, simulated, recorded, used."""
    notes: tuple[str, ...]
    maker: str
    model: str
    serial: str
    firmware: str
    consent: str
    """What has to come with a power-on as `PowerOn.consent`; empty where no consent is needed."""


class LinkChanged(msgspec.Struct, frozen=True, tag=True):
    """The link to a supply came up (with its identity) or went down (with the reason)."""

    supply: str
    up: bool
    t_ns: int
    identity: str = ""
    text: str = ""
    met: Met | None = None
    """Present where the link is up."""
    warning: str = ""
    """A sentence that the operator must see: another unit, or found at another place."""


class OutputChanged(msgspec.Struct, frozen=True, tag=True):
    """The known state of an output changed. `reason` is one of the words in `states.REASONS`."""

    supply: str
    channel: int
    state: OutputState
    reason: str
    t_ns: int
    voltage_v: float = 0.0
    """The set voltage when on, V."""
    limit_a: float = 0.0
    """The current limit when on, A."""
    latched: bool = False
    text: str = ""
    stage: str = ""
    """When on as asked: probe, hold, boot."""
    second_layer: tuple[str, ...] = ()
    """When on as asked: what the supply protects by itself, as read back; for people."""
    rearm_from_ns: int = 0
    """When latched: not before this time may it be re-armed."""


class StageOver(msgspec.Struct, frozen=True, tag=True):
    """What a stage has shown: means over the readings of its last half."""

    supply: str
    channel: int
    stage: str
    t_ns: int
    passed: bool
    set_voltage_v: float
    limit_a: float
    readings: int
    """So many were averaged."""
    voltage_v: float
    current_a: float
    spread_v: float
    """Standard deviation of the readings, V."""
    spread_a: float
    in_limit: bool
    """True: it was in limit at the end of the stage."""


class Health(msgspec.Struct, frozen=True, tag=True):
    """How the readings of one output have come in, since the report before (about once a second)."""

    supply: str
    channel: int
    t_ns: int
    readings: int
    interval_ms: float
    """Mean time from one reading to the next, ms."""
    jitter_ms: float
    """Standard deviation of that time, ms."""
    worst_ms: float
    """The longest, ms."""
    round_trip_ms: float
    """Mean time from question to reply, ms."""
    overrun_ms: float
    """The most that a round came late, against what was asked for, for reasons of this computer, ms."""


class Tripping(msgspec.Struct, frozen=True, tag=True):
    """OFF has been sent after a trip; `Tripped` follows when that is proved or given up on. It latches at once."""

    supply: str
    channel: int
    text: str


class Tripped(msgspec.Struct, frozen=True, tag=True):
    """One trip, complete: sent when the off was confirmed or given up on."""

    supply: str
    channel: int
    rule: str
    """short, over-current, over-voltage, reverse, budget, stale, instrument, panel."""
    text: str
    """One sentence with the figures and units that decided."""
    onset_ns: int
    """First reading that belonged to the fault."""
    detected_ns: int
    """Reading at which the rule decided."""
    off_sent_ns: int
    off_confirmed_ns: int | None
    """None: the output could not be confirmed off; its state is `unknown`."""
    set_voltage_v: float
    limit_a: float
    let_through_c: float
    """Charge from onset to off confirmed (or given up), C, trapezoid over the readings."""
    let_through_j: float
    let_through_a2s: float
    before: Block
    """The newest readings up to the decision (at most 200)."""
    after: Block
    """Readings between off sent and the end of the confirmation; may be empty."""
    off_sent: bool = True
    """False: OFF could not be written, since there was no link; `off_sent_ns` is when that was given up."""
    stage: str = ""
    """probe, hold, boot."""
    on_ns: int = 0
    """When the output was switched on; 0: not known."""
    since_on_c: float = 0.0
    """Charge since then, C, trapezoid over all readings."""
    since_on_j: float = 0.0
    since_on_a2s: float = 0.0
    budget_j: float | None = None
    """`RuleLimits.fault_j` of this power-on: what the plan thinks harmless."""


class SupplyErrors(msgspec.Struct, frozen=True, tag=True):
    """Entries of the instrument's error queue, oldest first, as (number, text)."""

    supply: str
    t_ns: int
    errors: tuple[tuple[int, str], ...]
    during: str
    """What was being done, for the message to the operator."""


Report = (
    GuardBeat | Answer | LinkChanged | OutputChanged | StageOver | Health | Tripping | Tripped | SupplyErrors | Block
)
