"""Fuzzed replies through every parser: `python -m tests.scpi.fuzz [--count 1000000] [--parser NAME] [--seed 1]`.

Real replies are cut, glued, repeated and spoilt; one in ten is random bytes, one in a thousand is very long. For
every reply a parser must give a value or raise ReplyError, in bounded time, and a number that it gives must stand
in the reply: the checks read it again in a way of their own (Decimal, slices, byte comparison).

Prints one line for each parser: replies, seconds, how many were refused, the longest call in ms.
"""

from __future__ import annotations

import argparse
import faulthandler
import math
import random
import re
import struct
import sys
import time
from collections.abc import Callable, Iterable
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

from benchd.scpi import reply, status
from benchd.scpi.framing import BlockFrame, EndFrame, GapFrame, LengthFrame
from benchd.scpi.reply import ReplyError
from benchd.supplies.asking import Maker, Question
from benchd.supplies.link import Identify, Link
from benchd.supplies.profile import load_profile
from benchd.supplies.profile_base import Query

LONGEST_CALL_S = 0.25
"""Processor time that one reply may take, however long it is."""

VOLTS = re.compile(r"CH(?P<channel>\d): (?P<voltage>[+-]?\d+\.\d+)V(?: (?P<mode>CC|CV))?")


class Target(NamedTuple):
    """A parser, replies that it takes, and whether what it gave stands in the reply."""

    parse: Callable[[bytes], Any]
    samples: tuple[bytes, ...]
    sent: Callable[[bytes, Any], bool]


class Figures(NamedTuple):
    """What came of one parser's replies."""

    name: str
    count: int
    seconds: float
    refused: int
    longest_ms: float


def texts(parse: Callable[[str], Any]) -> Callable[[bytes], Any]:
    """A parser of text as one of bytes, decoded as the link does."""
    return lambda data: parse(data.decode("latin-1"))


# ---- was it sent? --------------------------------------------------------------------------------------------


def says(text: str, value: float) -> bool:
    """Whether `text`, blanks around it aside, is this number and nothing else."""
    body = text.strip()
    try:
        if body[:1] == "#":
            return type(value)(int(body[2:], {"H": 16, "Q": 8, "B": 2}[body[1].upper()])) == value
        exact = Decimal(body)
    except (ValueError, KeyError, IndexError, InvalidOperation):
        return False
    if not set(body) <= set("+-.0123456789eE"):
        return False
    if math.isnan(value):
        return Decimal("9.909E37") < abs(exact) < Decimal("9.911E37")
    if math.isinf(value):
        return (exact > 0) == (value > 0) and Decimal("9.899E37") < abs(exact) < Decimal("9.901E37")
    return exact == value if isinstance(value, int) else float(exact) == value


def one(data: bytes, value: float) -> bool:
    return says(data.decode("latin-1"), value)


def number_or_word(data: bytes, value: float | None) -> bool:
    return data.decode("latin-1").strip().upper() in ("OFF", "NONE") if value is None else one(data, value)


def each(data: bytes, values: list[float]) -> bool:
    parts = data.decode("latin-1").split(",")
    return len(parts) == len(values) and all(map(says, parts, values))


def parts_in_order(data: bytes, parts: list[str]) -> bool:
    text, at = data.decode("latin-1"), 0
    for part in parts:
        at = text.find(part, at)
        if at < 0:
            return False
        at += len(part)
    return True


def in_quotes(data: bytes, parts: list[str]) -> bool:
    body = data.decode("latin-1").strip()
    inner = body[1:-1].replace(2 * body[0], body[0])
    return body[0] == body[-1] and parts_in_order(inner.encode("latin-1"), parts)


def of_a_block(data: bytes, body: bytes) -> bool:
    start = 2 + int(data[1:2])
    return data[:1] == b"#" and data[start : start + len(body)] == body


def floats_sent(order: str, code: str, size: int) -> Callable[[bytes, tuple[float, ...]], bool]:
    def sent(data: bytes, values: tuple[float, ...]) -> bool:
        start = 2 + int(data[1:2])
        for at, value in enumerate(values):
            (there,) = struct.unpack_from(order + code, data, start + at * size)
            special = not math.isfinite(there) or abs(there) >= 9e37
            if not (value == there or (special and not math.isfinite(value))):
                return False
        return True

    return sent


def is_word(data: bytes, value: bool) -> bool:
    return data.decode("latin-1").strip().upper() in (("1", "ON") if value else ("0", "OFF"))


def unquoted(data: bytes, text: str) -> bool:
    body = data.decode("latin-1").strip()
    return body[1:-1].replace(2 * body[0], body[0]) == text


def between_echo_and_unit(data: bytes, value: float) -> bool:
    text = data.decode("latin-1").strip()
    return text[:3].upper() == "V1 " and text[-1:].upper() == "V" and says(text[3:-1], value)


def after_echo(data: bytes, value: str) -> bool:
    text = data.decode("latin-1").strip()
    return text[:3].upper() == "V1 " and text[3:].strip() == value


def before_unit(data: bytes, value: str) -> bool:
    text = data.decode("latin-1").strip()
    return text.startswith(value) and text[len(value) :].strip().upper() == "V"


def hexadecimal_sent(data: bytes, value: int) -> bool:
    body = data.decode("latin-1").strip().lower()
    return body.removeprefix("0x").removeprefix("#h").lstrip("0") == f"{value:x}".lstrip("0")


def flags_sent(data: bytes, value: int) -> bool:
    told = [char for char in data.decode("latin-1").upper() if not char.isspace()]
    return all(bool(value >> bit & 1) == (char == "1") for bit, char in enumerate(told)) and value >> len(told) == 0


def entry_sent(data: bytes, entry: status.ErrorEntry) -> bool:
    head = re.match(r"\s*([+-]?[0-9]+|#[HQBhqb][0-9A-Fa-f]+)", data.decode("latin-1"))
    return head is not None and says(head.group(1), entry.number)


def group_sent(data: bytes, groups: dict[str, str]) -> bool:
    return all(value in data.decode("latin-1") for value in groups.values()) and "voltage" in groups


def framed(frame: Any) -> tuple[Callable[[bytes], Any], Callable[[bytes, Any], bool]]:
    """A frame as a parser: the reply's bytes and its body. What it says must not depend on what comes after it."""

    def parse(data: bytes) -> tuple[int, bytes] | None:
        for quiet in (False, True):
            size = frame.complete(data, quiet)
            if size is not None:
                return size, frame.body(data[:size])
        return None

    def sent(data: bytes, found: tuple[int, bytes] | None) -> bool:
        if found is None:
            return len(data) == 0 or not isinstance(frame, GapFrame)
        size, body = found
        lines = body.split(b"\n") if isinstance(frame, EndFrame) and frame.lines > 1 else [body]
        return 0 < size <= len(data) and all(line.removesuffix(b"\n") in data[:size] for line in lines)

    return parse, sent


def asked(**keys: Any) -> Question:
    """A question of a profile, which is how all that makes its reply is put together."""
    profile = load_profile("generic-scpi")
    link = Link("nowhere", profile.link, 1.0, None, "@py", Identify())
    return Maker(profile, link, 1).ask(Query(send="MEAS:ALL?", **keys))


def framing(frame: Any, *samples: bytes) -> Target:
    parse, sent = framed(frame)
    return Target(parse, samples, sent)


NUMBERS = (
    b"4.000", b"+6.12000E-02", b"42", b"-5.", b".1E2", b"#H1F", b"#Q17", b"#B101", b"9.9E37", b"9.91E37", b"nan",
    b"-9.90000E+37", b" 7\r", b"1_0", b"0x10", b"inf", b"1e400", b"Data out of range",
)  # fmt: skip
BLOCKS = (
    b"#15hello", b"#204ABCD", b"#3005ABCDE", b"#0hello\n", b"#10", b"#15a\nb\nc\n", b"#9000000003abc\r\n",
    b"#216" + struct.pack(">4f", 1, -2.5, 9.9e37, math.nan), b"#216" + struct.pack("<2d", 4.0, 0.061),
    b"-230,\"Data corrupt or stale\"\n",
)  # fmt: skip
LINES = (b"4.000\n", b"\r\n1.2V\r\n", b"1\r\n2\r\n", b"a\nb\nc\n", b"\n", b"1;2\r")
ERRORS = (
    b'0,"No error"', b'-113,"Undefined header;ABCD"', b'-222, "Data out of range; 99 ""V"""', b"-100,Command error",
    b"0 No Error", b'+0,"No error"', b"101,'x'", b"4.000,0.123", b"#H1,x",
)  # fmt: skip

TARGETS: dict[str, Target] = {
    "number": Target(texts(reply.number), NUMBERS, one),
    "integer": Target(texts(reply.integer), NUMBERS, one),
    "boolean": Target(texts(reply.boolean), (b"1", b"0", b"ON", b"off\r", b"0.000", b"2"), is_word),
    "string": Target(texts(reply.string), (b'"a""c"', b"'a''c'", b'"it\'s"', b'"', b'"a"b"', b'""'), unquoted),
    "numbers": Target(texts(reply.numbers), (b"+5.050, +1.100", b"1,2,3", b"4.0,0.1,0.4", b"1,,2", b"1"), each),
    "split": Target(
        texts(lambda text: reply.split(text, ";,")),
        (b"10;20", b'"a;b";2', b"'a;''b';2", b"#15a;b;c;7", b"1, 2 ,3", b"#H20;#B1", b'"open', b"#25"),
        parts_in_order,
    ),
    "block": Target(texts(reply.block), BLOCKS, of_a_block),
    "floats-32-big": Target(reply.floats, BLOCKS, floats_sent(">", "f", 4)),
    "floats-64-little": Target(
        lambda data: reply.floats(data, "f64", "little"), BLOCKS, floats_sent("<", "d", 8)
    ),
    "echo": Target(
        texts(lambda text: reply.strip_echo(text, "V1")), (b"V1 1.2", b"v1  0.5\r", b"V2 1.2", b"VP1 OFF"), after_echo
    ),
    "unit": Target(
        texts(lambda text: reply.strip_unit(text, "V")), (b"1.2V", b"0.5 v", b"12mV", b"1.2", b"-.5E-3V"), before_unit
    ),
    "hexadecimal": Target(
        texts(reply.hexadecimal), (b"0x0224", b"#H224", b"0224", b"0XfF\r", b"4.0", b"-1"), hexadecimal_sent
    ),
    "byte": Target(reply.raw_byte, (b"\x51", b"\n", b"", b"12", b"\xff"), lambda data, value: data == bytes([value])),
    "flags": Target(texts(lambda text: reply.flags(text, "", 0)), (b"10010111", b"1 0 X 1", b"01\r", b"2"), flags_sent),
    "question-quoted": Target(
        asked(quoted=True, separators=",", fields=("voltage", "current")).parts,
        (b'"5.00,1.00"', b"'1,2'", b'"1', b'"a""b,c"', b'",,"'), in_quotes,
    ),
    "question-none-words": Target(
        asked(none_words=("OFF", "NONE")).one_number, (*NUMBERS, b"OFF", b"none\r", b"ON"), number_or_word
    ),
    "question-echo-and-unit": Target(
        asked(echo="V1", units=("V",)).one_number, (b"V1 1.2V", b"v1 -0.5 V\r", b"V1 1.2", b"V2 1.2V", b"V1 9.91E37V"),
        between_echo_and_unit,
    ),
    "question-block": Target(
        asked(form="block", fields=("voltage", "current")).block, BLOCKS, floats_sent(">", "f", 4)
    ),
    "pattern": Target(
        texts(lambda text: reply.pattern(text, VOLTS)), (b"CH1: 4.0V CC", b"CH2: -1.5V", b"CH1: V"), group_sent
    ),
    "error-entry": Target(texts(status.error_entry), ERRORS, entry_sent),
    "error-register": Target(
        texts(lambda text: status.error_entry(text, "EER?", register=True)), (b"0", b"103", b"EER 0", *ERRORS),
        entry_sent,
    ),
    "frame-line": framing(EndFrame(), *LINES),
    "frame-lines": framing(EndFrame(b"\n", 2, skip_leading=True), *LINES),
    "frame-length": framing(LengthFrame(5, 1), b"12.34", b"1.234\x01", b"Invalid character", b"1"),
    "frame-gap": framing(GapFrame(), b"12.34", b"EXAMPLEPS30V2.0\x01"),
    "frame-block": framing(BlockFrame(), *BLOCKS),
    "frame-block-unended": framing(BlockFrame(b""), *BLOCKS),
}  # fmt: skip

TOKENS = (
    b'"', b"'", b"#", b"#1", b"#0", b"#9", b";", b",", b" ", b"\r", b"\n", b"-", b"+", b".", b"E", b"e5", b"9.9E37",
    b"9.91E37", b"nan", b"inf", b"0", b"1", b"X", b"V", b"mV", b"OFF", b"0x", b"_", b"\xb2", b"\xa0", b"\x00", b"\xff",
)  # fmt: skip


def fuzzed(samples: tuple[bytes, ...], rng: random.Random) -> bytes:
    """One reply, spoilt."""
    lot = rng.random()
    if lot < 0.1:
        return rng.randbytes(rng.randrange(24))
    data = rng.choice(samples)
    for _ in range(rng.randrange(4)):
        at, to = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
        match rng.randrange(6):
            case 0:
                data = data[:at] + data[to:]
            case 1:
                data = data[:at] + rng.choice(TOKENS) + data[at:]
            case 2:
                data = data[:at] + rng.choice(TOKENS) + data[to:]
            case 3:
                data = data[:to] + data[at:]
            case 4:
                data = data[:at] + rng.randbytes(1) + data[at + 1 :]
            case _:
                data = data[:at] + rng.choice(samples)[rng.randrange(4) :]
    return data * 2000 if lot > 0.999 else data


def run(name: str, count: int, seed: int = 1) -> Figures:
    """Send `count` fuzzed replies through one parser. Raises AssertionError with the reply that it failed on."""
    target, rng = TARGETS[name], random.Random(f"{name} {seed}")
    refused, longest_s = 0, 0.0
    began = time.perf_counter()
    for _ in range(count):
        data = fuzzed(target.samples, rng)
        started = time.thread_time()
        try:
            value = target.parse(data)
        except ReplyError:
            refused += 1
        except Exception as error:
            raise AssertionError(f"{name}: {data[:200]!r} raised {error!r}") from error
        else:
            assert target.sent(data, value), f"{name}: {data[:200]!r} gave {value!r}, which does not stand in it"
        longest_s = max(longest_s, time.thread_time() - started)
    assert longest_s < LONGEST_CALL_S, f"{name}: one reply took {longest_s:.3f} s of processor time"
    return Figures(name, count, time.perf_counter() - began, refused, longest_s * 1e3)


def main(arguments: Iterable[str]) -> None:
    """Run from the command line; ends with status 1 and a traceback when a reply breaks a parser or hangs it."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--count", type=int, default=1_000_000)
    options.add_argument("--parser", choices=TARGETS, help="this one only")
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args(list(arguments))
    for name in [given.parser] if given.parser else TARGETS:
        faulthandler.dump_traceback_later(max(120.0, given.count / 1000), exit=True)
        done = run(name, given.count, given.seed)
        print(f"{name:20} {done.count} replies {done.seconds:7.1f} s {done.refused:8} refused "
              f"longest {done.longest_ms:.2f} ms", flush=True)  # fmt: skip
    faulthandler.cancel_dump_traceback_later()


if __name__ == "__main__":
    main(sys.argv[1:])
