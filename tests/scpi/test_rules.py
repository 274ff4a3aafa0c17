"""Keywords and paths (SCPI-1999 vol. 1 §6.2.1, §6.2.4) as properties: the driver writes, the simulator's reader reads.

The reader shares no code with the driver; it is checked here against the rules themselves first.
"""

import re

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from benchd.scpi import message
from benchd.sim.errors import ScpiError
from benchd.sim.parser import Tree, short_form, units
from benchd.supplies.profile import load_profile

UNDEFINED_HEADER = -113

KEYWORDS = [
    "APPLy", "CLEar", "CONDition", "CURRent", "DELay", "ENABle", "ERRor", "EVENt", "INSTrument", "ISUMmary", "LEVel",
    "LOCal", "MEASure", "NEXT", "NSELect", "OPERation", "OUTPut", "POWer", "PRESet", "PROTection", "QUEStionable",
    "REMote", "SELect", "SOURce", "STATe", "STATus", "SYSTem", "TRIPped", "VERSion", "VOLTage",
]  # fmt: skip
"""Keywords of SCPI-1999 vol. 2 and of its DC supply class (vol. 4), capitals as printed there (from memory)."""


def shortened(long):
    """§6.2.1: the first four letters; three if there are more than four and the fourth is a vowel."""
    if len(long) <= 4:
        return long
    return long[:3] if long[3].upper() in "AEIOU" else long[:4]


def as_printed(long):
    return shortened(long).upper() + long[len(shortened(long)) :].lower()


mnemonics = st.from_regex(r"[A-Z]{1,12}", fullmatch=True)
headers = st.lists(mnemonics, min_size=1, max_size=4).map(":".join)
common = st.sampled_from(["*CLS", "*OPC?", "*WAI", "*IDN?"])
parameters = st.sampled_from(["", " 4.000", " 1,2", ' "a;b"', " MAX", " (@1)", " ';:X'"])


@st.composite
def commands(draw):
    if draw(st.integers(0, 4)) == 0:
        return draw(common)
    colon, query = draw(st.sampled_from(["", ":"])), draw(st.sampled_from(["", "?"]))
    return f"{colon}{draw(headers)}{query}{draw(parameters)}"


def from_the_root(command):
    return re.match(r":?([^? ]*)(\??)", command).groups()


@pytest.mark.parametrize("keyword", KEYWORDS)
def test_printed_short_forms_follow_the_rule(keyword):
    assert short_form(keyword) == shortened(keyword).upper()


@given(mnemonics)
@example("VOLTAGE")
@example("POWER")
@example("NEXT")
def test_a_keyword_is_read_in_its_long_and_its_short_form_and_no_other(long):
    """§6.2.1: an instrument takes the exact short or long form, in either case, and nothing in between."""
    tree = Tree()
    tree.add(as_printed(long), False, "found")
    assert tree.find(long, False)[0] == tree.find(shortened(long), False)[0] == "found"
    for length in range(1, len(long)):
        if long[:length] in (shortened(long), long):
            continue
        with pytest.raises(ScpiError) as caught:
            tree.find(long[:length], False)
        assert caught.value.number == UNDEFINED_HEADER


@given(headers, st.randoms(use_true_random=False))
def test_case_does_not_matter(header, rng):
    spoilt = "".join(rng.choice((letter.lower(), letter)) for letter in header)
    assert next(units(f"{spoilt}?")) == next(units(f"{header}?"))


@given(st.lists(commands(), min_size=1, max_size=6))
@example(["VOLT:PROT 5", "CURR 1"])
@example(["INST:NSEL 2", "*OPC?", "MEAS:VOLT?"])
def test_joined_commands_are_read_from_the_root_each(given_commands):
    """§6.2.4: after `;` a header goes on where the last one stood, unless a colon leads; common ones have no path."""
    read = [(unit.header, "?" if unit.query else "") for unit in units(message.join(given_commands))]
    assert read == [from_the_root(command) for command in given_commands]


@given(st.lists(commands(), min_size=1, max_size=3), st.lists(commands(), min_size=1, max_size=3))
def test_joining_what_is_joined_changes_nothing(first, second):
    assert message.join([message.join(first), message.join(second)]) == message.join(first + second)


@given(headers, mnemonics)
def test_without_the_colon_a_header_would_go_on_from_the_path(header, keyword):
    """Why `join` is needed at all: the same rule, seen from the other side."""
    assume(":" in header)
    read = [unit.header for unit in units(f"{header} 1;{keyword} 2")]
    assert read == [header, header[: header.rfind(":") + 1] + keyword]


@pytest.mark.parametrize("name", ["generic-scpi", "generic-scpi-multi"])
def test_the_generic_profiles_keep_to_exact_forms(name):
    """§6.2.1: any other abbreviation may be refused by an instrument that keeps to the standard."""
    exact = {form for keyword in KEYWORDS for form in (keyword.upper(), shortened(keyword).upper())}
    profile = load_profile(name)
    texts = [getattr(each, "send", each) for each in _orders(profile.commands)]
    written = [text for each in texts for text in ([each] if isinstance(each, str) else each)]
    assert written
    for text in written:
        for unit in units(re.sub(r"\{\w+\}", "1", text)):
            assert set(re.sub(r"\d", "", unit.header).split(":")) <= exact, text


def _orders(table):
    return [value for value in (getattr(table, key) for key in table.__struct_fields__) if value is not None]
