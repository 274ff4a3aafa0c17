"""One guarded output as the sampler holds it: state, rules, recent readings, and what the daemon was told.

No I/O. The state is changed by `SupplyThread` alone and only as `states.TABLE` says.
"""

from __future__ import annotations

from collections import deque

import msgspec

from benchd.guard import states
from benchd.guard.envelope import ceilings, check_envelope
from benchd.guard.health import Meter
from benchd.guard.let_through import LetThrough
from benchd.guard.rearm import RearmBound
from benchd.guard.ring import Ring
from benchd.guard.rules import Rules, Verdict
from benchd.guard.stage import StageRun
from benchd.guard.states import POWERED, ChannelState
from benchd.guard.wire import Adjust, ChannelConfig, OutputChanged, PowerOn, RuleLimits, Stage, Tripped
from benchd.reading import Mode, OutputState, Reading, pack

BEFORE_READINGS = 200
"""Readings kept for `Tripped.before`."""
LOOKS_ON_V = 0.3
"""More than this at an output that is off is looked into: a charged board, a cell, or somebody at the panel. V"""
LOOKS_ON_A = 0.02
"""Likewise, A: an output that somebody switched on into a short shows hardly any voltage."""
ENVELOPE_SHARE = 1.05
"""A reading above the highest voltage allowed, times this, was set by somebody else: the panel or another program. Our
choice, wider than the overshoot of a supply whose load falls away."""
FIRST_RETRY_NS = 500_000_000
LONGEST_RETRY_NS = 8_000_000_000
"""An output that could not be confirmed off is tried again after a delay that doubles from the first to this."""


class Channel:
    """State and memory of one output. Used by its supply's thread only, apart from `ring`."""

    def __init__(self, supply: str, config: ChannelConfig, ring: Ring, bound: RearmBound | None = None) -> None:
        self.supply = supply
        self.config = config
        self.number = config.number
        self.ring = ring
        self.bound = bound or RearmBound(0.0, 60)
        self.meter = Meter()
        self.array_runs = False
        """Its traces are made of the supply's own array of readings."""
        self.state = ChannelState.UNKNOWN
        self.rules: Rules | None = None
        """Present exactly while the output is on."""
        self.asked: PowerOn | None = None
        self.settings = (0.0, 0.0)
        """Voltage in V and limit in A of the boot: as the power-on asked, or as they were adjusted since."""
        self.run: StageRun | None = None
        """The stage under way, in the states `probing` and `holding`."""
        self.second_layer: tuple[str, ...] = ()
        """What the supply protects by itself since the last power-on, for people."""
        self.on_ns = 0
        """When the output was switched on last."""
        self.drift_told = False
        """That its settings were lowered by somebody has been told since the last power-on."""
        self._stages: list[Stage] = []
        """Those that are still to come before the boot."""
        self.reason = "link-back"
        """Why the output is in its state: a word of `states.REASONS`."""
        self.text = ""
        """The sentence that goes with the reason."""
        self.doubt = ""
        """Why the output could not be confirmed off; empty when it was."""
        self.ended: Rules | None = None
        """The rules of the power-on that was ended last."""
        self.verdict: Verdict | None = None
        """The trip that is being carried out."""
        self.let_through: LetThrough | None = None
        self.off_sent_ns: int | None = None
        """When OFF was written for the switch-off under way; None when it was not, or could not be."""
        self.after: list[Reading] = []
        self.before: deque[Reading] = deque(maxlen=BEFORE_READINGS)
        self.retry_ns = 0
        """Not before this time is an unconfirmed off tried again."""
        self.retry_delay_ns = 0
        self._told: tuple[OutputState, bool, str, str, tuple[float, float]] | None = None

    @property
    def output(self) -> OutputState:
        """What may be said about the output."""
        return states.OUTPUT_OF[self.state]

    @property
    def latched(self) -> bool:
        """True after a trip until someone re-arms."""
        return self.state in states.LATCHED

    @property
    def words(self) -> str:
        """Reason and doubt in words."""
        doubt = self.doubt
        if self.text and doubt and not doubt.startswith("not confirmed off"):
            doubt = f"not confirmed off: {doubt}"
        return "; ".join(part for part in (self.text, doubt) if part)

    def contradicts(self, reading: Reading) -> bool:
        """True when a reading does not look like the state the output is held to be in, or that state is not known."""
        if self.state in POWERED:
            rules = self.rules
            collapsed = rules is not None and reading.voltage_v < rules.set_voltage_v / 2
            return reading.mode is Mode.OFF or (collapsed and reading.mode is not Mode.CC)
        if self.state is ChannelState.OFF or self.state is ChannelState.TRIPPED:
            return reading.voltage_v > LOOKS_ON_V or reading.current_a > LOOKS_ON_A
        return True

    def keep(self, reading: Reading) -> None:
        """Remember a reading and hand it to the sender."""
        self.before.append(reading)
        self.ring.add(reading)

    def keep_in_between(self, reading: Reading) -> None:
        """The same for one that was taken while something else was done: traces made of an array need it not."""
        self.before.append(reading)
        if not self.array_runs:
            self.ring.add(reading)

    def begin(self, command: PowerOn) -> None:
        """A power-on is accepted: its stages are to come."""
        self.asked = command
        self.settings = (command.voltage_v, command.limit_a)
        self.drift_told = False
        self._stages = list(command.before)

    @property
    def coming(self) -> Stage | None:
        """The stage to come; None is the boot."""
        return self._stages[0] if self._stages else None

    def settings_of(self, stage: Stage | None) -> tuple[float, float]:
        """Voltage in V and limit in A of a stage; None is the boot."""
        return self.settings if stage is None else (stage.voltage_v, stage.limit_a)

    def enter_stage(self, now_ns: int) -> states.Event:
        """The settings of the stage to come are in force; the event that says so."""
        if not self._stages:
            self.run = None
            return states.Event.ON_CONFIRMED
        stage = self._stages.pop(0)
        self.run = StageRun(stage, now_ns)
        return states.Event.PROBE_ON if stage.name == "probe" else states.Event.HOLD_ON

    @property
    def stage(self) -> str:
        """Name of the stage under way: probe, hold, boot."""
        return self.run.stage.name if self.run is not None else "boot"

    def within_envelope(self, limits: RuleLimits) -> RuleLimits:
        """The limits, with a voltage beyond the envelope counted as over-voltage whatever was asked for.

        What is written is checked before; this is for a voltage that is changed at the panel or by another program.
        """
        most_v = ENVELOPE_SHARE * self.config.max_voltage_v
        if limits.over_voltage_v is not None and limits.over_voltage_v <= most_v:
            return limits
        return msgspec.structs.replace(limits, over_voltage_v=most_v)

    def end_rules(self) -> None:
        """The output is being switched off: nothing is on any more that the rules could judge."""
        rules, self.rules = self.rules, None
        if rules is None:
            return
        self.ended = rules
        # A probe that fails has had no voltage that could collapse: all of it was the fault.
        self.let_through = rules.since_on if self.stage == "probe" else rules.let_through

    def forget_told(self) -> None:
        """The daemon was told other things by somebody else: the next report is news, whatever it says."""
        self._told = None

    def retry_later(self, now_ns: int) -> None:
        """Switching off was not confirmed: wait longer each time, so that the other outputs are still read."""
        self.retry_delay_ns = min(max(2 * self.retry_delay_ns, FIRST_RETRY_NS), LONGEST_RETRY_NS)
        self.retry_ns = now_ns + self.retry_delay_ns

    def refusal(self, command: PowerOn) -> str:
        """Why this power-on cannot be accepted now; empty when it can."""
        problem = check_envelope(self.config, command)
        if problem:
            return problem
        if self.state is ChannelState.OFF:
            return ""
        return self.what_to_do(f"{command.voltage_v:g} V at {command.limit_a:g} A was asked for")

    def adjust_refusal(self, command: Adjust) -> str:
        """Why these settings cannot be had now; empty when they can."""
        asked = f"{command.voltage_v:g} V at {command.limit_a:g} A was asked for"
        if self.state is not ChannelState.ON or self.asked is None:
            doing = f"in stage {self.stage}" if self.state in POWERED else self.state.value
            words = f"; {self.words}" if self.words and self.state not in POWERED else ""
            return (
                f"{self.supply} channel {self.number}: {asked} while on, but it is {doing}{words}; nothing was changed"
            )
        most_v, most_a = ceilings(self.asked)
        if 0 < command.voltage_v <= most_v and 0 < command.limit_a <= most_a:
            return ""
        return (
            f"{self.supply} channel {self.number}: {asked}; allowed are above 0 V up to {most_v:g} V and above 0 A up "
            f"to {most_a:g} A, as the power-on said. Nothing was changed"
        )

    def what_to_do(self, asked: str) -> str:
        """The refusal of something in the present state: what was asked, what the state is, what to do."""
        advice = {
            **dict.fromkeys(POWERED, "it is already on: switch it off first"),
            ChannelState.TRIPPED: f"it has tripped ({self.words}): find the cause, then re-arm",
            ChannelState.TRIPPED_UNKNOWN: (
                f"it has tripped and nobody could confirm that it is off ({self.words}): "
                "disconnect the board and look at the instrument"
            ),
            ChannelState.UNKNOWN: (
                f"its state is unknown ({self.words or 'not read yet'}): look at the instrument and its link"
            ),
        }.get(self.state, f"it is {self.state.value}: wait and ask again")
        return f"{self.supply} channel {self.number}: {asked}, but {advice}"

    def changed(self, t_ns: int, state: OutputState | None = None) -> OutputChanged | None:
        """The report to send when what is known differs from what the daemon was told last, else None."""
        output = self.output if state is None else state
        # An output that was found on is not on as asked: its settings are not known.
        on = self.state in POWERED and self.asked is not None and output is OutputState.ON
        stage = self.stage if on else ""
        rules = self.rules if on else None
        settings = (rules.set_voltage_v, rules.limit_a) if rules else (0.0, 0.0)
        now = (output, self.latched, self.reason, stage, settings)
        if now == self._told or (output is OutputState.OFF and self._told and now[:2] == self._told[:2]):
            return None  # off again for another reason is no news
        self._told = now
        return OutputChanged(
            self.supply,
            self.number,
            output,
            self.reason,
            t_ns,
            voltage_v=settings[0],
            limit_a=settings[1],
            latched=self.latched,
            text=self.words,
            stage=stage,
            second_layer=self.second_layer if on else (),
            rearm_from_ns=self.bound.free_from_ns() if self.latched else 0,
        )

    def trip_report(self, confirmed_ns: int | None, given_up_ns: int, text: str) -> Tripped:
        """The complete record of the trip that has just been carried out; forgets it."""
        verdict, asked = self.verdict, self.asked
        assert verdict is not None
        sent_ns = self.off_sent_ns if self.off_sent_ns is not None else given_up_ns
        through, ended = self.let_through, self.ended
        since = ended.since_on if ended is not None else None
        for sum_ in (through, since) if through is not since else (through,):
            if sum_ is not None:
                sum_.hold_until(sent_ns)
                for reading in self.after:
                    sum_.add(reading.t_ns, reading.voltage_v, reading.current_a)
        report = Tripped(
            self.supply,
            self.number,
            verdict.rule,
            verdict.text if confirmed_ns is not None else f"{verdict.text}; {text}",
            verdict.onset_ns,
            verdict.detected_ns,
            sent_ns,
            confirmed_ns,
            set_voltage_v=ended.set_voltage_v if ended else 0.0,
            limit_a=ended.limit_a if ended else 0.0,
            let_through_c=through.charge_c if through else 0.0,
            let_through_j=through.energy_j if through else 0.0,
            let_through_a2s=through.square_a2s if through else 0.0,
            before=pack(self.supply, self.number, list(self.before)),
            after=pack(self.supply, self.number, self.after),
            off_sent=self.off_sent_ns is not None,
            stage=self.stage,
            on_ns=self.on_ns,
            since_on_c=since.charge_c if since else 0.0,
            since_on_j=since.energy_j if since else 0.0,
            since_on_a2s=since.square_a2s if since else 0.0,
            budget_j=asked.rules.fault_j if asked else None,
        )
        self.verdict = None
        self.let_through = None
        return report
