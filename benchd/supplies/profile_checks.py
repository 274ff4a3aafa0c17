"""What makes a driver profile unusable, told with the place, what was given and what is allowed."""

from __future__ import annotations

import re
from typing import Any, Literal, get_args, get_origin

import msgspec

from benchd.scpi import message
from benchd.supplies.profile_tables import Identity, LinkProfile, OutputRange, Profile, Table, Words, listed

# ---- errors of shape: what msgspec found, with the place in TOML's words --------------------------------------


def explained(found: str, data: dict[str, Any], top: type) -> str:
    """msgspec's complaint about `data` as a place in TOML's words. `top`: the type that was asked for."""
    reason, _, where = found.partition(" - at `$")
    table: type | None = top
    kind: Any = None
    value: Any = data
    names: list[str] = []
    for key, index in re.findall(r"\.(\w+)|\[(\d+)\]", where):
        value = value[key] if key else value[int(index)]
        if key:
            names.append(key)
            kind = _kind_of(table, key)
            table = _table_in(kind)
    unknown = re.match(r"Object contains unknown field `(.*)`", reason)
    missing = re.match(r"Object missing required field `(.*)`", reason)
    if unknown:
        known = listed(field.name for field in msgspec.structs.fields(table)) if table else "none"
        return f"{_place(names, unknown[1])}: unknown, given {value[unknown[1]]!r}, allowed keys: {known}"
    if missing:
        return f"{_place(names, missing[1])}: given nothing, required"
    words = _words_in(kind) if reason.startswith("Invalid enum value") else []
    allowed = listed(repr(word) for word in words) if words else reason
    return f"{_place(names[:-1], names[-1] if names else '?')}: given {value!r}, allowed: {allowed}"


def _place(tables: list[str], key: str) -> str:
    return f"table [{'.'.join(tables)}], key {key}" if tables else f"key {key}"


def _kind_of(table: type | None, key: str) -> Any:
    return next((f.type for f in msgspec.structs.fields(table) if f.name == key), None) if table else None


def _table_in(kind: Any) -> type | None:
    """The table class that a key's type is or holds."""
    for candidate in (kind, *get_args(kind)):
        if isinstance(candidate, type) and issubclass(candidate, Table):
            return candidate
    return None


def _words_in(kind: Any) -> list[object]:
    """The words or numbers that a key's type is limited to."""
    if get_origin(kind) is Literal:
        return list(get_args(kind))
    return [word for inner in get_args(kind) for word in _words_in(inner)]


# ---- errors of meaning ---------------------------------------------------------------------------------------

Fault = tuple[str, object, str]
_SETTERS = ("set_voltage", "set_limit")


def faults(profile: Profile) -> list[Fault]:
    """Everything wrong with a profile of the right shape, as (place, given, allowed)."""
    return [
        *_identity_faults(profile.identity),
        *_link_faults(profile.link),
        *_command_faults(profile),
        *_read_faults(profile),
        *_word_faults(profile.words),
        *_output_faults(profile.outputs),
    ]


def _identity_faults(identity: Identity) -> list[Fault]:
    found: list[Fault] = []
    for key in ("maker", "model"):
        pattern = getattr(identity, key)
        try:
            re.compile(pattern)
        except re.error as error:
            found.append((f"table [identity], key {key}", pattern, f"a regular expression ({error})"))
    return found


def _link_faults(link: LinkProfile) -> list[Fault]:
    found: list[Fault] = []
    if not 1 <= link.tcp_port <= 65535:
        found.append(("table [link], key tcp_port", link.tcp_port, "1 to 65535"))
    if not 50 <= link.serial.baud_rate <= 4_000_000:
        found.append(("table [link.serial], key baud_rate", link.serial.baud_rate, "50 to 4000000 baud"))
    gaps = {key: getattr(link, key) for key in ("gap_ms", "reply_gap_ms", "after_set_ms")}
    for key, gap in {**gaps, "serial.gap_ms": link.serial.gap_ms}.items():
        if not 0 <= gap <= 1000:
            found.append((f"table [link], key {key}", gap, "0 to 1000 ms"))
    return found


def _command_faults(profile: Profile) -> list[Fault]:
    commands = {("commands", key): text for key, text in msgspec.structs.asdict(profile.commands).items()}
    commands["read", "query"] = profile.read.query
    if profile.errors:
        commands["errors", "query"] = profile.errors.query
    if profile.over_voltage:
        optional = msgspec.structs.asdict(profile.over_voltage)
        commands.update({("over_voltage", key): text for key, text in optional.items() if text})
    commands["link", "identify"] = profile.link.identify
    for key in ("connect", "close"):
        commands.update({("link", f"{key}[{i}]"): text for i, text in enumerate(getattr(profile.link, key))})
    found: list[Fault] = []
    if profile.channels.select != "none":
        commands["channels", "select_command"] = profile.channels.select_command
        if "{channel}" not in profile.channels.select_command:
            given = profile.channels.select_command
            found.append(("table [channels], key select_command", given, "a command with {channel} in it"))
    elif profile.channels.select_command:
        given = profile.channels.select_command
        found.append(("table [channels], key select_command", given, 'nothing where select is "none"'))
    for (table, key), text in commands.items():
        found += [(f"table [{table}], key {key}", text, allowed) for allowed in _template_faults(table, key, text)]
    return found


def _template_faults(table: str, key: str, text: str) -> list[str]:
    try:
        names = message.placeholders(text)
    except ValueError:
        return ["no placeholders but {channel} and {value}"]
    if not text.strip() or not text.isascii() or not text.isprintable():
        return ["one line of printable ASCII; the line's end is added by the link"]
    if ("value" in names) != (key in _SETTERS or key == "set_level"):
        return ["{value} in the set commands, and nowhere else"]
    per_channel = table not in ("link", "errors")
    return [] if per_channel or "channel" not in names else ["no {channel}, it is not about one output"]


def _read_faults(profile: Profile) -> list[Fault]:
    read, mode = profile.read, profile.mode
    found: list[Fault] = []
    if not read.separators or set(read.separators) - set(";, "):
        found.append(("table [read], key separators", read.separators, "one or more of ; , and space"))
    if not 0 <= read.refresh_ms <= 2000:
        found.append(("table [read], key refresh_ms", read.refresh_ms, "0 to 2000 ms"))
    for name in ("voltage", "current"):
        if read.fields.count(name) != 1:
            found.append(("table [read], key fields", read.fields, f"{name} exactly once"))
    if read.fields.count("status") != (mode.source == "bits"):
        wanted = 'status exactly once where mode.source is "bits", else not at all'
        found.append(("table [read], key fields", read.fields, wanted))
    if mode.source == "bits" and not (mode.cc_mask > 0 and mode.cv_mask > 0 and not mode.cc_mask & mode.cv_mask):
        found.append(("table [mode], keys cc_mask and cv_mask", (mode.cc_mask, mode.cv_mask), "two different bits"))
    return found


def _word_faults(words: Words) -> list[Fault]:
    on, off = {word.upper() for word in words.on}, {word.upper() for word in words.off}
    if not on or not off or on & off:
        return [("table [words], keys on and off", (words.on, words.off), "at least one word each, none in both")]
    return []


def _output_faults(outputs: tuple[OutputRange, ...]) -> list[Fault]:
    numbers = [number for output in outputs for number in output.numbers]
    found: list[Fault] = []
    if not numbers or len(set(numbers)) != len(numbers) or not all(1 <= n <= 99 for n in numbers):
        found.append(("table [[outputs]], key numbers", numbers, "1 to 99, each once, at least one"))
    for output in outputs:
        place = f"table [[outputs]] of {listed(output.numbers)}, key "
        for low, high in (("min_voltage_v", "max_voltage_v"), ("min_limit_a", "max_limit_a")):
            # Negative outputs would turn every comparison round; they are not served yet.
            if not 0 <= getattr(output, low) < getattr(output, high) < 1e4:
                found.append(
                    (f"{place}{low} and {high}", (getattr(output, low), getattr(output, high)), "0 <= low < high")
                )
        for key in ("set_resolution_v", "set_resolution_a", "read_resolution_v", "read_resolution_a"):
            if not 0 < getattr(output, key) <= 1:
                found.append((place + key, getattr(output, key), "above 0, at most 1"))
        for key in ("accuracy_fraction_v", "accuracy_offset_v", "accuracy_fraction_a", "accuracy_offset_a"):
            if not 0 <= getattr(output, key) <= 1:
                found.append((place + key, getattr(output, key), "0 to 1"))
        for key in ("voltage_decimals", "limit_decimals"):
            if not 0 <= getattr(output, key) <= 9:
                found.append((place + key, getattr(output, key), "0 to 9"))
    return found
