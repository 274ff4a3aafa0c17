"""A guided check of a profile on one output of a real instrument: what passes, what fails, and what went over the wire.

    identification ─▶ output off, confirmed ─▶ settings, protections, questions, readings, link ─▶ settings as before
                                                     └─▶ only when wanted, and agreed to: on at a low voltage ─▶ off

However it ends (a failed check, Ctrl-C, any exception) the output is switched off, and proved off or called unknown.
Nothing but the identification is asked of a unit that is not the profile's.
"""

from __future__ import annotations

import contextlib
import enum
import math
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from types import FrameType
from typing import NamedTuple

from benchd.reading import OutputState
from benchd.supplies.errors import LinkError, LinkLost, SupplyError
from benchd.supplies.link import Link
from benchd.supplies.off import OffOutcome, confirm_off
from benchd.supplies.profile_tables import Profile
from benchd.supplies.recording import Recorder
from benchd.supplies.recording_text import Entry
from benchd.supplies.setting import read_setting, write_setting
from benchd.supplies.supply import Supply, identification
from benchd.supplies.supply_output import Output
from benchd.supplies.wire import Opener, open_wire

VOLTAGE_V = 1.0
"""Low enough for what was forgotten on the leads, high enough to stand out (common practice, no source)."""
LIMIT_A = 0.1
OFF_S = 5.0
"""For the proof that the output is off; one look at the slowest families takes a second."""


class Verdict(enum.StrEnum):
    """How a check ended."""

    PASSES = "passes"
    FAILS = "fails"
    SKIPPED = "skipped"


class Result(NamedTuple):
    """One check. `text`: one sentence with figures and units, the reason where it failed or was skipped."""

    check: str
    verdict: Verdict
    text: str
    exchange: tuple[Entry, ...]


class Fails(Exception):
    """A check did not find what it should."""


class Skipped(Exception):
    """A check does not apply; says why."""


class Stop(Exception):
    """After this nothing more can be checked."""


@dataclass(frozen=True)
class Unit:
    """Which output of which instrument. `serial`: of the unit that it must be, empty for any.

    `most_v`, `most_a`: no more than this is ever set, whatever the profile allows; V and A.
    """

    resource: str
    profile: Profile
    channel: int
    serial: str = ""
    timeout_s: float = 1.0
    baud_rate: int | None = None
    library: str = "@py"
    most_v: float = math.inf
    most_a: float = math.inf


class Tryout:
    """One run over one output, for one thread.

    `report` gets each result as it is known. `results`, `recorder`: all of them, and the whole exchange. `state`: of
    the output when it is over. Other modules add checks: functions that take this and return a sentence, or raise
    Fails, Skipped, LinkError or SupplyError.
    """

    def __init__(self, unit: Unit, report: Callable[[Result], None], opener: Opener = open_wire) -> None:
        self.unit = unit
        self.recorder = Recorder(opener)
        self.results: list[Result] = []
        self.state = OutputState.UNKNOWN
        self.voltage_v = VOLTAGE_V
        self.limit_a = LIMIT_A
        self._report = report
        self._saved: dict[tuple[int, str], float] = {}
        self._link: Link | None = None
        self._supply: Supply | None = None
        self._powered = False
        self._ending = False
        self._untold: Exception | None = None

    @property
    def supply(self) -> Supply:
        """The supply, once it is identified."""
        assert self._supply is not None
        return self._supply

    @property
    def identified(self) -> Supply | None:
        """The supply if it was identified as the profile's."""
        return self._supply

    @property
    def output(self) -> Output:
        """The output that is tried."""
        found = self.supply.ours(self.unit.channel)
        assert found is not None
        return found

    @property
    def failed(self) -> bool:
        """Whether a check failed so far."""
        return any(result.verdict is Verdict.FAILS for result in self.results)

    def run(self, checks: Sequence[Callable[[Tryout], None]]) -> None:
        """Identify, switch off, run the groups of checks, end safely.

        Raises what a group or `report` raises beside its own exceptions, and KeyboardInterrupt, after the end.
        """
        with _one_interrupt() as ending:
            try:
                self.check("identification", self._identify, needed=True)
                self.check("output-off", self._off, needed=True)
                for group in checks:
                    group(self)
            except Stop:
                pass
            finally:
                ending()
                self._end()

    def check(self, name: str, what: Callable[[], str], needed: bool = False) -> bool:
        """Run one check and report it; whether it did not fail. With `needed` a failure ends it all (Stop)."""
        self.recorder.step(name)
        verdict = Verdict.PASSES
        try:
            text = what()
        except Skipped as reason:
            verdict, text = Verdict.SKIPPED, str(reason)
        except (Fails, LinkError, SupplyError) as error:
            if self._powered:
                with contextlib.suppress(LinkError):
                    self.supply.send_off(self.unit.channel)
            verdict, text = Verdict.FAILS, str(error)
        self._tell(Result(name, verdict, text, tuple(self.recorder.present)))
        if needed and verdict is Verdict.FAILS:
            raise Stop
        return verdict is not Verdict.FAILS

    def skip(self, names: Sequence[str], reason: str) -> None:
        """Report that these were not checked."""
        for name in names:
            self._tell(Result(name, Verdict.SKIPPED, reason, ()))

    # ---- for the checks --------------------------------------------------------------------------------------

    def save_settings(self, output: Output) -> None:
        """Remember voltage and limit of an output, to set them again at the end."""
        for what in ("voltage", "limit"):
            if (output.channel, what) not in self._saved:
                self._saved[output.channel, what] = read_setting(self.supply, output, what)

    def saved(self, what: str) -> float:
        """What `voltage` (V) or `limit` (A) of the output was set to before; NaN where it is not known."""
        return self._saved.get((self.unit.channel, what), math.nan)

    def power_goes_on(self) -> None:
        """From here on OFF comes before any word."""
        self._powered = True

    def off(self) -> OffOutcome:
        """OFF at once, and the proof. Raises LinkLost where OFF cannot be written."""
        try:
            self.supply.send_off(self.unit.channel)
        finally:
            outcome = confirm_off(self.supply, self.unit.channel, OFF_S)
        return outcome

    # ---- inside ----------------------------------------------------------------------------------------------

    def _tell(self, result: Result) -> None:
        self.results.append(result)
        try:
            self._report(result)
        except Exception as error:
            if not self._ending:
                raise
            self._untold = error  # a closed terminal, say: the end goes on, whatever becomes of its words

    def _identify(self) -> str:
        unit = self.unit
        profile = unit.profile
        self._link = link = Link.open(
            unit.resource, profile.link, unit.timeout_s, unit.baud_rate, unit.library, identification(profile),
            self.recorder.open,
        )  # fmt: skip
        supply = Supply(unit.resource, profile, link, [unit.channel])
        supply.identify()
        named = supply.named
        assert named is not None
        if unit.serial and named.serial.upper() != unit.serial.upper():
            given = f"serial number {named.serial}" if named.serial else "no serial number of its own"
            raise Fails(
                f"another unit: the settings name serial number {unit.serial}, this one has {given}. Nothing was set"
            )
        self._supply = supply
        self.voltage_v, self.limit_a = self._low_values()
        firmware = f", firmware {named.firmware}" if named.firmware else ""
        return f"{named.maker} {named.model}{firmware}; profile {profile.name} ({profile.trust})".strip()

    def _low_values(self) -> tuple[float, float]:
        span = self.output.range
        voltage_v, limit_a = max(VOLTAGE_V, span.min_voltage_v), max(LIMIT_A, span.min_limit_a)
        voltage_v, limit_a = min(voltage_v, span.max_voltage_v), min(limit_a, span.max_limit_a)
        for value, least, most, unit in (
            (voltage_v, span.min_voltage_v, self.unit.most_v, "V"),
            (limit_a, span.min_limit_a, self.unit.most_a, "A"),
        ):
            if not least <= min(value, most):
                raise Fails(
                    f"the smallest setting is {least:g} {unit}, the settings of the bench allow {most:g} {unit}"
                )
        return min(voltage_v, self.unit.most_v), min(limit_a, self.unit.most_a)

    def _off(self) -> str:
        outcome = self.off()
        if outcome.state is not OutputState.OFF:
            raise Fails(outcome.text)
        channels = self.supply.profile.channels
        return outcome.text + ("; one switch, so all outputs are off" if channels.switch == "all" else "")

    def _end(self) -> None:
        self._ending = True
        if self._supply is not None:
            with contextlib.suppress(Stop):
                self.check("output-off-at-the-end", self._off_at_the_end, needed=True)
                self.check("settings-as-before", self._restore)
            self.recorder.step("close")
        if self._link is not None:
            self._link.close()
        if self._untold is not None:
            raise self._untold

    def _off_at_the_end(self) -> str:
        try:
            outcome = self.off()
        except LinkLost as error:
            outcome = OffOutcome(OutputState.UNKNOWN, None, str(error), [])
        self.state = outcome.state
        if outcome.state is not OutputState.OFF:
            raise Fails(f"THE OUTPUT MAY BE ON: {outcome.text}. Switch it off at the supply, or pull its plug")
        return outcome.text

    def _restore(self) -> str:
        wanted = {place: value for place, value in self._saved.items() if not math.isnan(value)}
        if not wanted:
            raise Skipped("nothing was changed")
        told = []
        for (channel, what), value in wanted.items():
            output = self.supply.ours(channel) or Output(self.supply.profile, self.supply.link, channel)
            write_setting(self.supply, output, what, value)
            told.append(f"{what} {value:g} {output.step(what)[1]}")
        return ", ".join(told)


@contextlib.contextmanager
def _one_interrupt() -> Iterator[Callable[[], None]]:
    """Ctrl-C, SIGTERM and SIGHUP raise KeyboardInterrupt once, and not any more once the yielded function was called.

    So that neither a second Ctrl-C nor one that comes late keeps the output from being switched off.
    """
    over = threading.Event()

    def interrupted(_number: int, _frame: FrameType | None) -> None:
        if not over.is_set():
            over.set()
            raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():
        yield over.set
        return
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, interrupted) for number in numbers]
    try:
        yield over.set
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)
