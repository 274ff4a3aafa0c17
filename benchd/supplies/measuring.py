"""One reading of an output: asked, read, and never made up."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchd.reading import Flag, Mode, Reading
from benchd.scpi import reply
from benchd.scpi.reply import ReplyError
from benchd.supplies.asking import Question
from benchd.supplies.clock import ANCHOR_NS
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


def read(supply: Supply, output: Output) -> Reading:
    """One reading, Flag.GAP on the first one after a failed read of this channel.

    Raises ReplyGarbled also for the 'not a number' of SCPI-99: an instrument without a reading gave none.
    """
    missed = output.missed
    output.missed = True
    plain = output.plain
    if plain is not None:
        voltage_v, current_a, mode = _read_plain(supply, output, plain)
        sent_ns = supply.link.sent_ns
    else:
        voltage_v, current_a, mode, sent_ns = _read_all(supply, output)
    half_trip_ns = (supply.link.got_ns - sent_ns) // 2
    flags = Flag.GAP if missed else Flag.NONE
    if math.isinf(voltage_v) or math.isinf(current_a):
        flags |= Flag.OVERLOAD
        voltage_v = _clipped(voltage_v, output.range.max_voltage_v)
        current_a = _clipped(current_a, output.range.max_limit_a)
    if mode is None:
        mode = output.derived_mode(voltage_v, current_a)
        if output.mode_is_due():
            mode = _asked_mode(supply, output, mode)
    if output.is_on is False:
        # Some supplies go on naming the mode that the output would be in.
        mode = output.derived_mode(voltage_v, current_a)
    output.missed = False
    return Reading(ANCHOR_NS + sent_ns + half_trip_ns, voltage_v, current_a, mode, flags, half_trip_ns)


def _read_plain(supply: Supply, output: Output, question: Question) -> tuple[float, float, Mode | None]:
    text = supply.ask(output, question).decode("latin-1")
    places = output.places
    bits: int | None = None
    try:
        parts = reply.split(text, question.separators)
        if len(parts) != len(question.fields):
            raise ReplyError(question.asked, text, f"{len(question.fields)} values")
        voltage_v = reply.number(parts[places["voltage"]])
        current_a = reply.number(parts[places["current"]])
        _refuse_no_reading(voltage_v, current_a, question.asked, text)
        if "status" in places:
            bits = reply.integer(parts[places["status"]])
        word = parts[places["mode"]] if "mode" in places else None
    except ReplyError as error:
        raise supply.link.garbled(ReplyError(question.asked, text, error.expected)) from error
    if output.range.negative:
        voltage_v, current_a = -voltage_v, abs(current_a)
    if bits is not None and output.mode_source.source == "bits":
        return voltage_v, current_a, output.mode_of_bits(bits, Mode.UNKNOWN)
    return voltage_v, current_a, output.mode_of_word(word) if word is not None else None


def _read_all(supply: Supply, output: Output) -> tuple[float, float, Mode | None, int]:
    """Several questions, or a reply that is more than numbers; `sent_ns` is of the first."""
    values: dict[str, float] = {}
    mode: Mode | None = None
    sent_ns = 0
    for question in output.reads:
        raw = supply.ask(output, question)
        sent_ns = sent_ns or supply.link.sent_ns
        with supply.making_sense(output):
            for field, part in zip(question.fields, question.parts(raw), strict=True):
                if field in ("voltage", "current"):
                    value = question.number(part)
                    values[field] = math.nan if value is None else value
                elif field == "mode":
                    mode = output.mode_of_word(part)
                elif field == "status" and output.mode_source.source == "bits":
                    mode = output.mode_of_bits(question.bits(part), Mode.UNKNOWN)
            found = (values.get("voltage", 0.0), values.get("current", 0.0))
            _refuse_no_reading(*found, question.asked, raw.decode("latin-1"))
    voltage_v, current_a = values["voltage"], values["current"]
    if output.range.negative:
        voltage_v, current_a = -voltage_v, abs(current_a)
    return voltage_v, current_a, mode, sent_ns


def _asked_mode(supply: Supply, output: Output, derived: Mode) -> Mode:
    question = output.mode_question
    assert question is not None
    # The times of the reading are those of its own exchange, not of this one.
    sent_ns, got_ns = supply.link.sent_ns, supply.link.got_ns
    raw = supply.ask(output, question)
    supply.link.sent_ns, supply.link.got_ns = sent_ns, got_ns
    with supply.making_sense(output):
        if output.mode_source.source == "word":
            return output.mode_of_word(question.word(raw))
        return output.mode_of_bits(question.one_register(raw), derived)


def _refuse_no_reading(voltage_v: float, current_a: float, asked: str, text: str) -> None:
    if voltage_v != voltage_v or current_a != current_a:
        raise ReplyError(asked, text, "a voltage and a current, not 9.91E37 or a word (no reading)")


def _clipped(value: float, end: float) -> float:
    return math.copysign(end, value) if math.isinf(value) else value
