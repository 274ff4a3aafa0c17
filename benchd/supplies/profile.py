"""Driver profiles: how one family of supplies speaks, as facts in a TOML file (see `drivers/README.md`).

A profile states facts; `supply.py` acts on them. A file that cannot be used is refused as a whole, with the
place, what was given and what is allowed.
"""

from __future__ import annotations

import functools
import re
import tomllib
from pathlib import Path
from typing import Any, Literal

import msgspec

from benchd.scpi import message
from benchd.share import share_path

FORMAT = 1
"""The version of the file format that this code reads."""


class ProfileError(Exception):
    """A profile cannot be used; says file, table, key, what was given and what is allowed."""


class _Table(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A TOML table in which a misspelt key is an error, not a silent default."""


class Identity(_Table):
    """Patterns for the first two fields of the identification; the serial number is never matched."""

    maker: str = ".*"
    model: str = ".*"


class SerialPort(_Table):
    """What a serial port is set to."""

    baud_rate: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow_control: Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"] = "none"
    gap_ms: float = 20.0


class LinkProfile(_Table):
    """How messages travel. Gaps are in ms."""

    write_end: Literal["\n", "\r\n", "\r"] = "\n"
    read_end: Literal["\n", "\r\n", "\r"] = "\n"
    tcp_port: int = 5025
    gap_ms: float = 0.0
    reply_gap_ms: float = 0.0
    after_set_ms: float = 0.0
    connect: tuple[str, ...] = ()
    close: tuple[str, ...] = ()
    serial: SerialPort = SerialPort()


class Channels(_Table):
    """How a command reaches one output."""

    select: Literal["none", "same-message", "separate-message"] = "none"
    select_command: str = ""


class Commands(_Table):
    """One template for each thing that is asked of the supply."""

    identify: str = "*IDN?"
    set_voltage: str
    get_voltage: str
    set_limit: str
    get_limit: str
    output_on: str
    output_off: str
    output_state: str


class ReadCommand(_Table):
    """One message that brings voltage and current of one output together."""

    query: str
    separators: str = ";"
    fields: tuple[Literal["voltage", "current", "status", "-"], ...] = ("voltage", "current")


class ModeSource(_Table):
    """How constant voltage and constant current are told apart."""

    source: Literal["derived", "bits"] = "derived"
    cc_mask: int = 0
    cv_mask: int = 0


class Words(_Table):
    """The words of on and off in replies, compared without case."""

    on: tuple[str, ...] = ("1", "ON")
    off: tuple[str, ...] = ("0", "OFF")


class ErrorQueue(_Table):
    """The error queue. `probe`: not every unit has one, so try it once after connecting."""

    query: str = "SYST:ERR?"
    probe: bool = False


class OverVoltage(_Table):
    """The supply's own over-voltage protection, which acts without us."""

    set_level: str
    get_level: str
    enable: str = ""
    enabled: str = ""


class OutputRange(_Table):
    """What some outputs can do; the numbers they have, V and A, and how well the readings can be trusted."""

    numbers: tuple[int, ...]
    min_voltage_v: float = 0.0
    max_voltage_v: float
    min_limit_a: float = 0.0
    max_limit_a: float
    voltage_decimals: int = 3
    limit_decimals: int = 3
    set_resolution_v: float
    set_resolution_a: float
    read_resolution_v: float
    read_resolution_a: float
    accuracy_fraction_v: float = 0.0
    accuracy_offset_v: float = 0.0
    accuracy_fraction_a: float = 0.0
    accuracy_offset_a: float = 0.0

    def voltage_tolerance_v(self, voltage_v: float) -> float:
        """How far a true reading of a voltage can be from its setting, V."""
        steps = self.set_resolution_v + self.read_resolution_v
        return self.accuracy_fraction_v * abs(voltage_v) + self.accuracy_offset_v + steps

    def current_tolerance_a(self, current_a: float) -> float:
        """How far a true reading of a current can be from its setting, A."""
        steps = self.set_resolution_a + self.read_resolution_a
        return self.accuracy_fraction_a * abs(current_a) + self.accuracy_offset_a + steps

    @property
    def no_current_a(self) -> float:
        """Readings of no current at all are not above this, A."""
        return self.accuracy_offset_a + 2 * self.read_resolution_a


class Profile(_Table):
    """One family of supplies."""

    format: int
    name: str
    description: str
    trust: Literal["untested", "simulated", "hardware"]
    identity: Identity = Identity()
    link: LinkProfile = LinkProfile()
    channels: Channels = Channels()
    commands: Commands
    read: ReadCommand
    mode: ModeSource = ModeSource()
    words: Words = Words()
    errors: ErrorQueue | None = None
    over_voltage: OverVoltage | None = None
    outputs: tuple[OutputRange, ...]

    def output(self, channel: int) -> OutputRange:
        """The range of one output. Raises ProfileError for a number that the family does not have."""
        for output in self.outputs:
            if channel in output.numbers:
                return output
        raise ProfileError(f"profile {self.name}: no channel {channel}; allowed: {_listed(self.channel_numbers)}")

    @property
    def channel_numbers(self) -> list[int]:
        """All outputs that the profile knows."""
        return [number for output in self.outputs for number in output.numbers]

    def identity_fits(self, identity: str) -> bool:
        """Whether an identification reply is one of this family's."""
        fields = [field.strip() for field in identity.split(",")]
        patterns = (self.identity.maker, self.identity.model)
        fields += [""] * (len(patterns) - len(fields))
        return all(
            re.fullmatch(pattern, field, re.IGNORECASE) for pattern, field in zip(patterns, fields, strict=False)
        )


def profile_names() -> list[str]:
    """The names of the shipped profiles, sorted."""
    return sorted(path.stem for path in share_path("drivers").glob("*.toml"))


@functools.lru_cache(maxsize=64)
def load_profile(name_or_path: str | Path) -> Profile:
    """A shipped profile by its name, or any profile file by its path (with a `/`, or ending in `.toml`).

    Raises ProfileError. A profile is read once per process: an edited file counts from the next start.
    """
    text = str(name_or_path)
    path = Path(text) if "/" in text or text.endswith(".toml") else share_path("drivers") / f"{text}.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ProfileError(
            f"no profile {text!r} at {path}; shipped: {_listed(profile_names())}, or give a file's path"
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ProfileError(f"{path}: cannot be read as TOML: {error}") from error
    return parse_profile(data, str(path))


def parse_profile(data: dict[str, Any], file: str) -> Profile:
    """A checked profile of decoded TOML; `file` is named in errors. Raises ProfileError."""
    if data.get("format") != FORMAT:
        raise ProfileError(f"{file}: key format: given {data.get('format')!r}, allowed {FORMAT}")
    try:
        profile = msgspec.convert(data, Profile)
    except msgspec.ValidationError as error:
        raise ProfileError(f"{file}: {_explained(str(error), data)}") from error
    for place, given, allowed in _faults(profile):
        raise ProfileError(f"{file}: {place}: given {given!r}, allowed {allowed}")
    return profile


# ---- errors of shape: what msgspec found, with the place in TOML's words --------------------------------------


def _explained(found: str, data: dict[str, Any]) -> str:
    reason, _, where = found.partition(" - at `$")
    steps = re.findall(r"\.(\w+)|\[(\d+)\]", where)
    table: type | None = Profile
    value: Any = data
    names: list[str] = []
    for key, index in steps:
        value = value[key] if key else value[int(index)]
        if key:
            names.append(key)
            table = _table_of(table, key)
    unknown = re.match(r"Object contains unknown field `(.*)`", reason)
    missing = re.match(r"Object missing required field `(.*)`", reason)
    if unknown or missing:
        key = (unknown or missing)[1]  # type: ignore[index]
        known = [field.name for field in msgspec.structs.fields(table)] if table else []
        given = repr(value[key]) if unknown else "nothing"
        problem = f"unknown, given {given}, allowed keys: {_listed(known)}" if unknown else "given nothing, required"
        return f"table [{'.'.join(names)}], key {key}: {problem}"
    return f"table [{'.'.join(names[:-1])}], key {names[-1] if names else '?'}: given {value!r}, allowed: {reason}"


def _table_of(table: type | None, key: str) -> type | None:
    """The table class that a key of a table holds, if it holds one."""
    fields = {field.name: field.type for field in msgspec.structs.fields(table)} if table else {}
    kind = fields.get(key)
    for candidate in (kind, *getattr(kind, "__args__", ())):
        if isinstance(candidate, type) and issubclass(candidate, _Table):
            return candidate
    return None


# ---- errors of meaning ---------------------------------------------------------------------------------------

_Fault = tuple[str, object, str]
_SETTERS = ("set_voltage", "set_limit")


def _faults(profile: Profile) -> list[_Fault]:
    return [
        *_identity_faults(profile.identity),
        *_link_faults(profile.link),
        *_command_faults(profile),
        *_read_faults(profile),
        *_word_faults(profile.words),
        *_output_faults(profile.outputs),
    ]


def _identity_faults(identity: Identity) -> list[_Fault]:
    faults: list[_Fault] = []
    for key in ("maker", "model"):
        pattern = getattr(identity, key)
        try:
            re.compile(pattern)
        except re.error as error:
            faults.append((f"table [identity], key {key}", pattern, f"a regular expression ({error})"))
    return faults


def _link_faults(link: LinkProfile) -> list[_Fault]:
    faults: list[_Fault] = []
    if not 1 <= link.tcp_port <= 65535:
        faults.append(("table [link], key tcp_port", link.tcp_port, "1 to 65535"))
    if not 50 <= link.serial.baud_rate <= 4_000_000:
        faults.append(("table [link.serial], key baud_rate", link.serial.baud_rate, "50 to 4000000 baud"))
    gaps = {key: getattr(link, key) for key in ("gap_ms", "reply_gap_ms", "after_set_ms")}
    for key, gap in {**gaps, "serial.gap_ms": link.serial.gap_ms}.items():
        if not 0 <= gap <= 1000:
            faults.append((f"table [link], key {key}", gap, "0 to 1000 ms"))
    return faults


def _command_faults(profile: Profile) -> list[_Fault]:
    commands = {("commands", key): text for key, text in msgspec.structs.asdict(profile.commands).items()}
    commands["read", "query"] = profile.read.query
    if profile.errors:
        commands["errors", "query"] = profile.errors.query
    if profile.over_voltage:
        optional = msgspec.structs.asdict(profile.over_voltage)
        commands.update({("over_voltage", key): text for key, text in optional.items() if text})
    for key in ("connect", "close"):
        commands.update({("link", f"{key}[{i}]"): text for i, text in enumerate(getattr(profile.link, key))})
    faults: list[_Fault] = []
    if profile.channels.select != "none":
        commands["channels", "select_command"] = profile.channels.select_command
        if "{channel}" not in profile.channels.select_command:
            given = profile.channels.select_command
            faults.append(("table [channels], key select_command", given, "a command with {channel} in it"))
    elif profile.channels.select_command:
        given = profile.channels.select_command
        faults.append(("table [channels], key select_command", given, 'nothing where select is "none"'))
    for (table, key), text in commands.items():
        faults += [(f"table [{table}], key {key}", text, allowed) for allowed in _template_faults(table, key, text)]
    return faults


def _template_faults(table: str, key: str, text: str) -> list[str]:
    try:
        names = message.placeholders(text)
    except ValueError:
        return ["no placeholders but {channel} and {value}"]
    if not text.strip() or not text.isascii() or not text.isprintable():
        return ["one line of printable ASCII; the line's end is added by the link"]
    if ("value" in names) != (key in _SETTERS or key == "set_level"):
        return ["{value} in the set commands, and nowhere else"]
    per_channel = table not in ("link", "errors") and key != "identify"
    return [] if per_channel or "channel" not in names else ["no {channel}, it is not about one output"]


def _read_faults(profile: Profile) -> list[_Fault]:
    read, mode = profile.read, profile.mode
    faults: list[_Fault] = []
    if not read.separators or set(read.separators) - set(";, "):
        faults.append(("table [read], key separators", read.separators, "one or more of ; , and space"))
    for name in ("voltage", "current"):
        if read.fields.count(name) != 1:  # type: ignore[arg-type]
            faults.append(("table [read], key fields", read.fields, f"{name} exactly once"))
    if read.fields.count("status") != (mode.source == "bits"):
        wanted = 'status exactly once where mode.source is "bits", else not at all'
        faults.append(("table [read], key fields", read.fields, wanted))
    if mode.source == "bits" and not (mode.cc_mask > 0 and mode.cv_mask > 0 and not mode.cc_mask & mode.cv_mask):
        faults.append(("table [mode], keys cc_mask and cv_mask", (mode.cc_mask, mode.cv_mask), "two different bits"))
    return faults


def _word_faults(words: Words) -> list[_Fault]:
    on, off = {word.upper() for word in words.on}, {word.upper() for word in words.off}
    if not on or not off or on & off:
        return [("table [words], keys on and off", (words.on, words.off), "at least one word each, none in both")]
    return []


def _output_faults(outputs: tuple[OutputRange, ...]) -> list[_Fault]:
    numbers = [number for output in outputs for number in output.numbers]
    faults: list[_Fault] = []
    if not numbers or len(set(numbers)) != len(numbers) or not all(1 <= n <= 99 for n in numbers):
        faults.append(("table [[outputs]], key numbers", numbers, "1 to 99, each once, at least one"))
    for output in outputs:
        place = f"table [[outputs]] of {_listed(output.numbers)}, key "
        for low, high in (("min_voltage_v", "max_voltage_v"), ("min_limit_a", "max_limit_a")):
            # Negative outputs would turn every comparison round; they are not served yet.
            if not 0 <= getattr(output, low) < getattr(output, high) < 1e4:
                faults.append(
                    (f"{place}{low} and {high}", (getattr(output, low), getattr(output, high)), "0 <= low < high")
                )
        for key in ("set_resolution_v", "set_resolution_a", "read_resolution_v", "read_resolution_a"):
            if not 0 < getattr(output, key) <= 1:
                faults.append((place + key, getattr(output, key), "above 0, at most 1"))
        for key in ("accuracy_fraction_v", "accuracy_offset_v", "accuracy_fraction_a", "accuracy_offset_a"):
            if not 0 <= getattr(output, key) <= 1:
                faults.append((place + key, getattr(output, key), "0 to 1"))
        for key in ("voltage_decimals", "limit_decimals"):
            if not 0 <= getattr(output, key) <= 9:
                faults.append((place + key, getattr(output, key), "0 to 9"))
    return faults


def _listed(items: object) -> str:
    return ", ".join(str(item) for item in items) or "none"  # type: ignore[attr-defined]
