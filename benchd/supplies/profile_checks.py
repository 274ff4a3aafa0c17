"""What makes a driver profile unusable, told with the place, what was given and what is allowed."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator

import msgspec

from benchd.scpi import message
from benchd.supplies.profile_base import Bits, Command, Query, Table, as_command, as_queries, as_query, listed
from benchd.supplies.profile_outputs import OutputRange
from benchd.supplies.profile_protections import protection_faults
from benchd.supplies.profile_shape import Fault, place_of
from benchd.supplies.profile_tables import Profile

VARIABLE = frozenset(
    {
        "notes",
        "words",
        "outputs",
        "mode",
        "read",
        "over_voltage",
        "over_current",
        "watchdog",
        "tracking",
        "remote_sense",
        "array",
        "errors",
        "abilities",
    }
)
"""Tables that [[variants]] may change. Not the commands: OFF must be right before it is known which unit it is."""

SETTERS = frozenset({"set_voltage", "set_limit", "set_level", "set_delay"})
NOT_ABOUT_AN_OUTPUT = frozenset({"link", "identity", "errors"})


def faults(profile: Profile) -> list[Fault]:
    """Everything wrong with a profile of the right shape, as (place, given, allowed)."""
    return [
        *_endless_faults(profile, ""),
        *_expression_faults(profile),
        *_channel_faults(profile),
        *_template_faults(profile),
        *_query_faults(profile),
        *_read_faults(profile),
        *_mode_faults(profile),
        *_word_faults(profile),
        *_error_faults(profile),
        *protection_faults(profile),
        *_output_faults(profile),
    ]


def templates(profile: Profile) -> Iterator[tuple[str, str, str]]:
    """Every message of a profile as (table, key, template)."""
    for table, key, query in queries(profile):
        yield table, key, query.send
    yield "identity", "query", profile.identity.query
    if profile.identity.options_query:
        yield "identity", "options_query", profile.identity.options_query
    if profile.errors:
        asked = profile.errors.query
        yield from (("errors", "query", text) for text in ((asked,) if isinstance(asked, str) else asked))
    if profile.channels.select_command:
        yield "channels", "select_command", profile.channels.select_command
    for key in ("connect", "close"):
        yield from (("link", f"{key}[{place}]", text) for place, text in enumerate(getattr(profile.link, key)))
    for name, holder in _tables(profile):
        for place in _keys(type(holder)):
            value = getattr(holder, place.name)
            if (place.name.startswith("set_") or place.name in _ORDERS) and isinstance(value, str | tuple | Command):
                yield from ((name, place.name, text) for text in as_command(value)[0])


def _setters(profile: Profile) -> Iterator[tuple[str, str, tuple[str, ...]]]:
    for name, table in _tables(profile):
        for key in SETTERS:
            order = getattr(table, key, None)
            if order is not None:
                yield name, key, as_command(order)[0]


_ORDERS = frozenset({"output_on", "output_off", "enable", "disable", "clear", "start", "stop", "remote", "local"})
_ASKS = frozenset(
    {
        "get_voltage",
        "get_limit",
        "output_state",
        "query",
        "get_level",
        "enabled",
        "get_delay",
        "tripped",
        "ready",
        "selected",
        "armed",
        "state",
    }
)


@functools.cache
def _keys(table: type[Table]) -> tuple[msgspec.structs.FieldInfo, ...]:
    """msgspec works a table's types out anew at each call: a second for all shipped profiles."""
    return msgspec.structs.fields(table)


def queries(profile: Profile) -> Iterator[tuple[str, str, Query]]:
    """Every question about outputs as (table, key, query)."""
    for name, table in _tables(profile):
        for key in _keys(type(table)):
            value = getattr(table, key.name)
            if key.name in _ASKS and value is not None:
                yield from ((name, key.name, query) for query in as_queries(value))


def _tables(profile: Profile) -> Iterator[tuple[str, Table]]:
    """The tables that hold commands about outputs."""
    for name in (
        "channels",
        "commands",
        "read",
        "mode",
        "over_voltage",
        "over_current",
        "watchdog",
        "tracking",
        "remote_sense",
        "array",
    ):
        table = getattr(profile, name)
        if table is not None:
            yield name, table


def _endless_faults(table: Table, place: str) -> list[Fault]:
    """Infinity and NaN are numbers in TOML, and NaN passes every bound."""
    found: list[Fault] = []
    for key in _keys(type(table)):
        for value in held if isinstance(held := getattr(table, key.name), tuple) else (held,):
            if isinstance(value, Table):
                found += _endless_faults(value, f"{place}.{key.name}".strip("."))
            elif isinstance(value, float) and not math.isfinite(value):
                found.append((place_of([place] if place else [], key.name), value, "a finite number"))
    return found


def _expression_faults(profile: Profile) -> list[Fault]:
    expressions = [
        (f"table [identity], key {key}", getattr(profile.identity, key)) for key in ("maker", "model", "pattern")
    ]
    for variant in profile.variants:
        expressions += [
            (f"table [[variants]], key {key}", getattr(variant, key)) for key in ("model", "firmware", "option")
        ]
    expressions += [("table [errors], key texts", text) for text in (profile.errors.texts if profile.errors else ())]
    expressions += [(f"table [{table}], key {key}.pattern", query.pattern) for table, key, query in queries(profile)]
    found: list[Fault] = []
    for place, pattern in expressions:
        try:
            re.compile(pattern)
        except re.error as error:
            found.append((place, pattern, f"a regular expression ({error})"))
    for variant in profile.variants:
        if not (variant.model or variant.firmware or variant.option):
            found.append(("table [[variants]]", variant.use, "at least one of model, firmware, option"))
    return found


def _channel_faults(profile: Profile) -> list[Fault]:
    channels, found = profile.channels, list[Fault]()
    command = channels.select_command
    uses = {channels.select, *(query.select for _, _, query in queries(profile))}
    if "same-message" in uses or "separate-message" in uses:
        if not {"channel", "name"} & _names(command):
            found.append(("table [channels], key select_command", command, "a command with {channel} or {name} in it"))
    elif command:
        found.append(("table [channels], key select_command", command, 'nothing where select is "none"'))
    if channels.selected is not None and channels.select != "separate-message":
        found.append(
            ("table [channels], key selected", channels.selected, 'nothing unless select is "separate-message"')
        )
    count = len(profile.channel_numbers)
    if channels.names and len(channels.names) != count:
        found.append(("table [channels], key names", channels.names, f"as many as there are outputs ({count})"))
    if set(channels.fixed) & set(profile.channel_numbers):
        found.append(("table [channels], key fixed", channels.fixed, "numbers that stand in no [[outputs]]"))
    for table, key, bits in _all_bits(profile):
        for part in (bits.mask, bits.value):
            if isinstance(part, tuple) and len(part) != count:
                found.append((f"table [{table}], key {key}", part, f"as many numbers as there are outputs ({count})"))
        masks = bits.mask if isinstance(bits.mask, tuple) else (bits.mask,)
        values = bits.value if isinstance(bits.value, tuple) else (bits.value,)
        if min(masks) <= 0 or any(v is not None and v & ~m for m, v in zip(masks, values * len(masks), strict=False)):
            found.append((f"table [{table}], key {key}", bits, "a mask above 0, and a value with no bits outside it"))
    return found


def _all_bits(profile: Profile) -> Iterator[tuple[str, str, Bits]]:
    for table, key, query in queries(profile):
        if query.on is not None:
            yield table, f"{key}.on", query.on
    for key in ("off", "fault", "cc", "cv"):
        bits = getattr(profile.mode, key)
        if bits is not None:
            yield "mode", key, bits
    if profile.tracking and isinstance(profile.tracking.independent, Bits):
        yield "tracking", "independent", profile.tracking.independent


def _names(template: str) -> set[str]:
    try:
        return message.placeholders(template)
    except ValueError:
        return set()


def _template_faults(profile: Profile) -> list[Fault]:
    found: list[Fault] = []
    for table, key, texts in _setters(profile):
        if sum("value" in _names(text) for text in texts) != 1:
            found.append((f"table [{table}], key {key}", texts, "{value} in one of the messages"))
    for table, key, text in templates(profile):
        allowed = _template_fault(table, key.partition("[")[0], text)
        if allowed:
            found.append((f"table [{table}], key {key}", text, allowed))
        elif not profile.channels.names and "name" in _names(text):
            found.append((f"table [{table}], key {key}", text, "no {name} without names in table [channels]"))
        longest = profile.link.longest_message
        if (
            longest
            and len(text.replace("{value}", "00.000").replace("{channel}", "1").replace("{name}", "CH1")) > longest
        ):
            found.append((f"table [{table}], key {key}", text, f"at most {longest} characters (link.longest_message)"))
    return found


def _template_fault(table: str, key: str, text: str) -> str:
    try:
        names = message.placeholders(text)
    except ValueError:
        return "no placeholders but {channel}, {name} and {value}"
    if not text.strip() or not text.isascii() or not text.isprintable():
        return "one line of printable ASCII; the line's end is added by the link"
    if "value" in names and key not in SETTERS:
        return "{value} in the set commands, and nowhere else"
    if table in NOT_ABOUT_AN_OUTPUT and names:
        return "no {channel} or {name}, it is not about one output"
    return ""


def _query_faults(profile: Profile) -> list[Fault]:
    found: list[Fault] = []
    for table, key, query in queries(profile):
        place = f"table [{table}], key {key}"
        if set(query.separators) - set(";, ") or not query.separators:
            found.append(
                (f"{place}.separators", query.separators, "one or more of ; , and space; for others give pattern")
            )
        if query.pattern and not _expression_fits_fields(query):
            groups = ", ".join(f"(?P<{name}>…)" for name in query.fields or ("value",) if name != "-")
            also = "" if query.fields else ", or fields beside it that name its groups"
            found.append((f"{place}.pattern", query.pattern, f"an expression with {groups}{also}"))
        if query.units and len(query.units) != max(1, len(query.fields)):
            found.append((f"{place}.units", query.units, "one for each value"))
        if (query.form == "byte") and query.length == 0 and profile.link.frame == "end":
            found.append((f"{place}.length", query.length, 'the number of bytes where form is "byte"'))
        if query.length and query.lines > 1:
            found.append((f"{place}.length", query.length, "0 where lines is above 1"))
        if query.on is not None and query.form not in ("number", "hex", "byte", "flags"):
            found.append((f"{place}.form", query.form, "number, hex, byte or flags where `on` is given"))
        both = {word.upper() for word in query.on_words} & {word.upper() for word in query.off_words}
        if bool(query.on_words) != bool(query.off_words) or both:
            found.append(
                (f"{place}.on_words and off_words", (query.on_words, query.off_words), "both, with no word in both")
            )
    return found


def _expression_fits_fields(query: Query) -> bool:
    try:
        groups = set(re.compile(query.pattern).groupindex)
    except re.error:
        return True  # told already
    return set(query.fields) - {"-"} <= groups if query.fields else "value" in groups


def _read_faults(profile: Profile) -> list[Fault]:
    found: list[Fault] = []
    fields: list[str] = [name for query in as_queries(profile.read.query) for name in query.fields]
    for name in ("voltage", "current"):
        if fields.count(name) != 1:
            found.append(("table [read], key query.fields", fields, f"{name} exactly once"))
    for name in ("status", "mode", "power"):
        if fields.count(name) > 1:
            found.append(("table [read], key query.fields", fields, f"{name} at most once"))
    array = profile.array
    if array is not None and not {"voltage", "current"} <= set(as_query(array.query).fields):
        found.append(("table [array], key query.fields", as_query(array.query).fields, "voltage and current"))
    return found


def _mode_faults(profile: Profile) -> list[Fault]:
    mode, found = profile.mode, list[Fault]()
    fields = [name for query in as_queries(profile.read.query) for name in query.fields]
    wanted = {"derived": "", "bits": "status", "word": "mode"}[mode.source]
    if wanted and (wanted in fields) == (mode.query is not None):
        found.append(
            ("table [mode], key query", mode.query, f"a question, or the field {wanted} in [read]; one of the two")
        )
    if not wanted and mode.query is not None:
        found.append(("table [mode], key query", mode.query, 'nothing where source is "derived"'))
    if mode.source == "bits" and not (mode.cc and mode.cv and mode.cc != mode.cv):
        found.append(("table [mode], keys cc and cv", (mode.cc, mode.cv), "two different conditions"))
    words = [word.upper() for word in (*mode.off_words, *mode.cc_words, *mode.cv_words)]
    if mode.source == "word" and not (mode.cc_words and mode.cv_words and len(set(words)) == len(words)):
        found.append(("table [mode], keys cc_words and cv_words", words, "words for each, none twice"))
    if mode.query is not None and as_query(mode.query).fields:
        found.append(("table [mode], key query.fields", as_query(mode.query).fields, "none: it brings one value"))
    return found


def _word_faults(profile: Profile) -> list[Fault]:
    words = profile.words
    on, off = {word.upper() for word in words.on}, {word.upper() for word in words.off}
    if not on or not off or on & off:
        return [("table [words], keys on and off", (words.on, words.off), "at least one word each, none in both")]
    return []


def _error_faults(profile: Profile) -> list[Fault]:
    errors = profile.errors
    if errors is not None and not errors.query and (errors.probe or not errors.texts):
        return [("table [errors], key query", errors.query, "a question, or texts and no probe")]
    return []


def _output_faults(profile: Profile) -> list[Fault]:
    numbers = profile.channel_numbers
    found: list[Fault] = []
    if not numbers or len(set(numbers)) != len(numbers) or not all(1 <= n <= 31 for n in numbers):
        found.append(("table [[outputs]], key numbers", numbers, "1 to 31, each once, at least one"))
    for output in profile.outputs:
        found += _range_faults(output)
    sensed = profile.remote_sense.numbers if profile.remote_sense is not None else ()
    if set(sensed) - set(numbers):
        found.append(("table [remote_sense], key numbers", sensed, f"outputs of the profile: {listed(numbers)}"))
    return found


def _range_faults(output: OutputRange) -> list[Fault]:
    found: list[Fault] = []
    place = f"table [[outputs]] of {listed(output.numbers)}, key "
    for low, high in (("min_voltage_v", "max_voltage_v"), ("min_limit_a", "max_limit_a")):
        if not 0 <= getattr(output, low) < getattr(output, high) < 1e4:
            given = (getattr(output, low), getattr(output, high))
            found.append(
                (f"{place}{low} and {high}", given, "0 <= low < high; a negative output has `negative = true`")
            )
    for key in ("set_resolution_v", "set_resolution_a", "read_resolution_v", "read_resolution_a"):
        if not 0 < getattr(output, key) <= 1:
            found.append((place + key, getattr(output, key), "above 0, at most 1"))
    for key in ("accuracy_fraction_v", "accuracy_offset_v", "accuracy_fraction_a", "accuracy_offset_a"):
        if not 0 <= getattr(output, key) <= 1:
            found.append((place + key, getattr(output, key), "0 to 1"))
    for key, decimals in (("set_resolution_v", output.voltage_decimals), ("set_resolution_a", output.limit_decimals)):
        if getattr(output, key) * 10**decimals < 1 - 1e-9:
            found.append(
                (place + key, getattr(output, key), f"no less than the last digit written ({decimals} decimals)")
            )
    return found
