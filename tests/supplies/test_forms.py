"""What profiles can say beyond plain SCPI, acted out against small instruments that answer line by line."""

from __future__ import annotations

import struct

import pytest

from benchd.reading import Flag, Mode
from benchd.supplies.errors import ReplyGarbled, SupplyError
from benchd.supplies.link import Link
from benchd.supplies.profile import ProfileError
from benchd.supplies.supply import Supply
from tests.supplies.small import MULTI, OUTPUT, Instrument, profile


def test_a_selection_of_its_own_is_proved_before_anything_is_set(open_on):
    instrument = Instrument(**{"INST?": lambda self: self.sets.get("INST", "1")})
    used = profile(
        channels={"select": "separate-message", "select_command": "INST {channel}", "selected": "INST?"}, outputs=MULTI
    )
    supply, lines = open_on(instrument, used, (1, 2))
    supply.prepare(2, 1.0, 0.1)
    # OFF does not wait for a proof; everything after it does, and a reply of off is believed only if it still stands.
    assert lines[:4] == ["INST 2", "OUTP OFF", "INST?", "OUTP?"]
    assert lines[4:9] == ["INST?", "INST?", "CURR 0.100", "INST?", "CURR?"]


def test_a_selection_that_somebody_takes_away_again_refuses(open_on):
    instrument = Instrument(**{"INST?": "1"})
    used = profile(
        channels={"select": "separate-message", "select_command": "INST {channel}", "selected": "INST?"}, outputs=MULTI
    )
    supply, lines = open_on(instrument, used, (1, 2))
    with pytest.raises(SupplyError, match=r"asked 'INST 2', but the supply says that '1' is selected; somebody"):
        supply.prepare(2, 1.0, 0.1)
    assert not [line for line in lines if line.startswith(("CURR ", "VOLT ", "OUTP ON"))]


@pytest.mark.parametrize(
    ("templates", "sent"),
    [  # argument, prefix, suffix, list, word: the ways that need no selection
        ({"get_voltage": "VOLT? CH{channel}"}, "VOLT? CH2"),
        ({"get_voltage": "CH{channel}:VOLT?"}, "CH2:VOLT?"),
        ({"get_voltage": ":SOUR{channel}:VOLT?"}, ":SOUR2:VOLT?"),
        ({"get_voltage": "VOLT? (@{channel})"}, "VOLT? (@2)"),
        ({"get_voltage": "VOLT? {name}"}, "VOLT? P25V"),
    ],
)
def test_ways_of_naming_an_output(open_on, templates, sent):
    used = profile(commands=templates, outputs=MULTI, channels={"names": ["P6V", "P25V"]})
    supply, lines = open_on(Instrument(**{sent: "0"}), used, (2,))
    with pytest.raises(SupplyError, match=r"voltage of 1 V, came back 0 V"):
        supply.prepare(2, 1.0, 0.1)
    assert sent in lines


def test_one_command_may_go_another_way_than_the_rest(open_on):
    used = profile(
        channels={"select": "same-message", "select_command": "INST {channel}"},
        commands={"output_off": {"send": "OUTP CH{channel},OFF", "select": "none"}},
        outputs=MULTI,
    )
    supply, lines = open_on(Instrument(), used, (1, 2))
    supply.send_off(2)
    supply.link.query("*IDN?")
    assert lines == ["OUTP CH2,OFF", "*IDN?"]


def test_echo_units_and_words_for_no_number(open_on):
    answers = {"V?": "V1 1.000", "VO?": "1.000V", "IO?": "0.002A"}
    used = profile(
        commands={"get_voltage": {"send": "V?", "echo": "V{channel}"}},
        read={"query": [{"send": "VO?", "fields": ["voltage"], "units": ["V"]},
                        {"send": "IO?", "fields": ["current"], "units": ["A"]}]},
    )  # fmt: skip
    supply, _ = open_on(Instrument(**answers), used)
    supply.prepare(1, 1.0, 0.1)
    reading = supply.read(1)
    assert (reading.voltage_v, reading.current_a) == (1.0, 0.002)


@pytest.mark.parametrize("odd", ["1.000mV", "1.000", "V 1.000", "nan V", "9.91E37V"])
def test_a_reading_in_another_unit_is_no_reading(open_on, odd):
    used = profile(
        read={"query": [{"send": "VO?", "fields": ["voltage"], "units": ["V"]}, {"send": "IO?", "fields": ["current"]}]}
    )
    supply, _ = open_on(Instrument(**{"VO?": odd, "IO?": "0"}), used)
    with pytest.raises(ReplyGarbled):
        supply.read(1)


TRACKING = {"query": {"send": "TRACK?", "form": "word"}, "independent": ["INDEP", "0"]}


def test_coupled_outputs_are_refused_before_anything_is_set(open_on):
    supply, lines = open_on(Instrument(**{"TRACK?": "SER"}), profile(tracking=TRACKING))
    with pytest.raises(SupplyError, match=r"asked TRACK\?, came back 'SER': the outputs are coupled .*Nothing was set"):
        supply.prepare(1, 1.0, 0.1)
    assert lines == ["OUTP OFF", "OUTP?", "TRACK?"]


def test_independent_outputs_are_not_refused(open_on):
    supply, _ = open_on(Instrument(**{"TRACK?": "Indep"}), profile(tracking=TRACKING))
    supply.prepare(1, 1.0, 0.1)


def test_coupling_told_by_bits(open_on):
    tracking = {"query": {"send": "STAT?", "form": "hex"}, "independent": {"mask": 0x0C, "value": 0x04}}
    supply, _ = open_on(Instrument(**{"STAT?": "0x0214"}), profile(tracking=tracking))
    supply.prepare(1, 1.0, 0.1)
    supply, _ = open_on(Instrument(**{"STAT?": "0x0218"}), profile(tracking=tracking))
    with pytest.raises(SupplyError, match=r"came back '0x218'"):
        supply.prepare(1, 1.0, 0.1)


def _trips(switches_on):
    def cleared(self):
        self.tripped = "0"
        if switches_on:
            self.on = "1"

    instrument = Instrument(**{"TRIP?": lambda self: self.tripped, "CLEAR": cleared})
    instrument.tripped = "1"
    return instrument


@pytest.mark.parametrize("switches_on", [False, True])
def test_a_trip_is_cleared_with_the_output_off_whatever_clearing_does(open_on, switches_on):
    used = profile(over_voltage={"tripped": "TRIP?", "clear": "CLEAR", "clear_switches_on": switches_on})
    instrument = _trips(switches_on)
    supply, lines = open_on(instrument, used)
    supply.prepare(1, 1.0, 0.1)
    assert instrument.on == "0"
    at = lines.index("CLEAR")
    assert lines[at + 1 : at + 3] == ["OUTP OFF", "OUTP?"]
    if switches_on:  # it comes on for a moment: with the smallest settings
        assert [line for line in lines[:at] if " " in line][-2:] == ["VOLT 0.000", "CURR 0.000"]


def test_a_trip_that_stays_or_cannot_be_cleared_refuses(open_on):
    for table, told in (
        ({"tripped": "TRIP?", "clear": "CLEAR"}, "still says that its own protection has tripped, after clearing"),
        ({"tripped": "TRIP?"}, "knows no way to clear it"),
    ):
        supply, lines = open_on(Instrument(**{"TRIP?": "1"}), profile(over_current={"level": "limit", **table}))
        with pytest.raises(SupplyError, match=told):
            supply.prepare(1, 1.0, 0.1)
        assert not [line for line in lines if line.startswith("VOLT ")]


def test_a_negative_output_is_written_with_its_sign_and_told_as_a_magnitude(open_on):
    used = profile(outputs=[{**OUTPUT, "negative": True}])
    supply, lines = open_on(Instrument(**{"MEAS:VOLT?;:MEAS:CURR?": "-5.001;0.012"}), used)
    supply.prepare(1, 5.0, 0.1)
    assert "VOLT -5.000" in lines
    assert "CURR 0.100" in lines
    reading = supply.read(1)
    assert (reading.voltage_v, reading.current_a) == (5.001, 0.012)


def test_a_negative_output_that_answers_positive_is_refused(open_on):
    used = profile(outputs=[{**OUTPUT, "negative": True}])
    supply, _ = open_on(Instrument(**{"VOLT?": "5.000"}), used)
    with pytest.raises(SupplyError, match=r"voltage of 5 V, came back -5 V"):
        supply.prepare(1, 5.0, 0.1)


def test_one_switch_for_all_the_others_are_harmless_first(open_on):
    used = profile(
        channels={"switch": "all", "select": "same-message", "select_command": "INST {channel}"},
        outputs=MULTI,
        commands={"output_off": {"send": "OUTP OFF", "select": "none"}},
    )
    values = {}

    class TwoOutputs(Instrument):
        def reply(self, line):
            select, _, rest = line.partition(";:")
            if not rest:
                return super().reply(line)
            name, _, value = rest.partition(" ")
            if value:
                values[select, name] = value
                return None
            return "0" if rest == "OUTP?" else values.get((select, rest[:-1]), "7")

    supply, _ = open_on(TwoOutputs(), used)
    supply.prepare(1, 1.0, 0.1)
    assert values == {("INST 1", "VOLT"): "1.000", ("INST 1", "CURR"): "0.100",
                      ("INST 2", "VOLT"): "0.000", ("INST 2", "CURR"): "0.000"}  # fmt: skip
    with pytest.raises(ProfileError, match="one switch switches all outputs of this family"):
        used.check_channels((1, 2))


def _armed(channels):
    """Two outputs behind a master switch; output 2 is armed."""
    used = profile(
        channels={"armed": "ARMED? {channel}"}, outputs=MULTI,
        commands={"output_off": "SEL {channel},OFF", "output_state": "STATE? {channel}"},
    )  # fmt: skip
    armed = {"2": "1"}

    class Master(Instrument):
        def reply(self, line):
            if line.startswith("ARMED? "):
                return armed.get(line[-1], "0")
            if line.startswith("SEL "):
                armed[line[4]] = "0"
                return None
            return "0" if line.startswith("STATE?") else super().reply(line)

    return Master(), used, channels


def test_an_output_armed_behind_the_master_switch_refuses_when_it_is_not_ours(open_on):
    supply, _ = open_on(*_armed((1,)))
    with pytest.raises(SupplyError, match=r"ARMED\? 2 says that output 2 is armed: switching on would power output 2"):
        supply.prepare(1, 1.0, 0.1)


def test_and_is_disarmed_when_it_is_ours(open_on):
    supply, lines = open_on(*_armed((1, 2)))
    supply.prepare(1, 1.0, 0.1)
    assert lines[-5:] == ["ARMED? 2", "SEL 2,OFF", "ARMED? 2", "CURR?", "VOLT?"]


def test_a_fixed_output_cannot_be_used():
    used = profile(channels={"fixed": [3]})
    with pytest.raises(ProfileError, match="channel 3 is a fixed output that cannot be set or read"):
        used.output(3)


MODE_WORDS = {"source": "word", "query": {"send": "MODE?", "form": "word"}, "cc_words": ["CC"], "cv_words": ["CV"],
              "off_words": ["UR"]}  # fmt: skip


@pytest.mark.parametrize(("word", "mode"), [("CC", Mode.CC), ("cv", Mode.CV), ("UR", Mode.OFF), ("??", Mode.UNKNOWN)])
def test_a_mode_told_by_a_word(open_on, word, mode):
    supply, _ = open_on(Instrument(**{"MODE?": word, "MEAS:VOLT?;:MEAS:CURR?": "1.0;0.0"}), profile(mode=MODE_WORDS))
    assert supply.read(1).mode is mode


def test_a_supply_that_names_a_mode_while_it_is_off(open_on):
    supply, _ = open_on(Instrument(**{"MODE?": "CV", "MEAS:VOLT?;:MEAS:CURR?": "0.0;0.0"}), profile(mode=MODE_WORDS))
    assert supply.output_state(1) is False
    assert supply.read(1).mode is Mode.OFF


def test_an_identification_that_is_none_after_all_attempts(open_on):
    replies = iter(["Invalid character"] * 9)
    with pytest.raises(SupplyError, match=r"came back 'Invalid character', but profile generic-scpi is for Any SCPI"):
        open_on(
            Instrument(**{"*IDN?": lambda self: next(replies)}),
            profile(identity={"pattern": "EX (?P<model>.+)", "attempts": 3}),
        )


def test_errors_with_an_echo_and_error_texts_without_a_queue(open_on):
    supply, _ = open_on(
        Instrument(**{"ERR?": "ERR 7"}), profile(errors={"query": "ERR?", "form": "number", "echo": "ERR"})
    )
    assert supply.errors() == [(7, "ERR? 7")]
    supply, lines = open_on(Instrument(), profile(errors={"texts": ["Data out of range"]}))
    assert supply.errors() == []
    assert lines == []
    with pytest.raises(ProfileError, match=r"table \[errors\], key query: given \(\), allowed a question, or texts"):
        profile(errors={"form": "scpi"})


def test_a_mode_that_is_asked_for_with_every_third_reading(open_on):
    mode = {**MODE_WORDS, "every": 3}
    supply, lines = open_on(Instrument(**{"MODE?": "CV", "MEAS:VOLT?;:MEAS:CURR?": "1.0;0.0"}), profile(mode=mode))
    supply.prepare(1, 1.0, 0.1)
    supply.output_on(1)
    lines.clear()
    for _ in range(7):
        supply.read(1)
    assert lines.count("MODE?") == 3


def test_bits_of_a_register_that_is_cleared_by_reading(open_on):
    """Bit 0: entered constant voltage; bit 1: entered constant current. No bit: nothing has changed."""
    mode = {"source": "bits", "cv": {"mask": 1}, "cc": {"mask": 2},
            "query": {"send": "LSR?", "cleared_by_reading": True}}  # fmt: skip
    events = iter(["0", "1", "0", "2", "0", "3", "0"])
    answers = {"LSR?": lambda self: next(events), "MEAS:VOLT?;:MEAS:CURR?": "1.0;0.0"}
    supply, _ = open_on(Instrument(**answers), profile(mode=mode))
    supply.prepare(1, 1.0, 0.1)
    supply.output_on(1)
    modes = [supply.read(1).mode for _ in range(7)]
    # Both bits at once tell nothing: then voltage and current do, and 1 V without current is constant voltage.
    assert modes == [Mode.CV, Mode.CV, Mode.CV, Mode.CC, Mode.CC, Mode.CV, Mode.CV]


def test_several_questions_about_the_state_must_all_say_on(open_on):
    used = profile(commands={"output_state": ["ARMED?", "MASTER?"]})
    supply, _ = open_on(Instrument(**{"ARMED?": "1", "MASTER?": "0"}), used)
    assert supply.output_state(1) is False
    supply, _ = open_on(Instrument(**{"ARMED?": "1", "MASTER?": "1"}), used)
    assert supply.output_state(1) is True


def test_an_error_text_in_the_place_of_a_reply_is_told_as_such(open_on):
    used = profile(errors={"query": "ERR?", "texts": ["Data out of range.*"]}, abilities={})
    supply, _ = open_on(Instrument(**{"VOLT?": "Data out of range", "ERR?": '0,"-"'}), used)
    with pytest.raises(SupplyError, match=r"asked VOLT\?, came back 'Data out of range': an error text"):
        supply.prepare(1, 1.0, 0.1)


def test_error_registers(open_on):
    used = profile(errors={"query": ["EER?", "QER?"], "form": "number"})
    supply, _ = open_on(Instrument(**{"EER?": "100", "QER?": "0"}), used)
    assert supply.errors() == [(100, "EER? 100")]


def test_a_variant_changes_what_the_unit_can_do(open_on):
    variant = {"model": "EX-?1|EX", "use": {"outputs": [{**OUTPUT, "max_voltage_v": 6.0}]}}
    supply, _ = open_on(Instrument(), profile(variants=[variant]))
    with pytest.raises(SupplyError, match=r"allowed 0.0 to 6.0 V. Nothing was sent"):
        supply.prepare(1, 7.0, 0.1)


def test_a_variant_may_be_without_something(open_on):
    variant = {"model": "EX", "without": ["tracking"]}
    supply, lines = open_on(Instrument(**{"TRACK?": "SER"}), profile(tracking=TRACKING, variants=[variant]))
    supply.prepare(1, 1.0, 0.1)
    assert "TRACK?" not in lines
    with pytest.raises(ProfileError, match=r"number 1, key without: given 'commands.output_off', allowed a key of"):
        profile(variants=[{"model": "EX", "without": ["commands.output_off"]}])


def test_a_variant_without_the_output_that_is_to_be_used_refuses(open_on):
    variant = {"model": "EX", "use": {"outputs": [OUTPUT]}}
    with pytest.raises(SupplyError, match=r"'Example,EX,SN7,1.0': profile generic-scpi: no channel 2"):
        open_on(Instrument(), profile(outputs=MULTI, variants=[variant]), (2,))


def test_the_serial_number_is_known_only_where_it_tells_units_apart(open_on):
    supply, _ = open_on(Instrument(), profile())
    assert supply.named.serial == "SN7"
    supply, _ = open_on(Instrument(**{"*IDN?": "Example,EX,0,1.0"}), profile())
    assert supply.named.serial == ""


ARRAY = {"start": "LOG ON", "stop": "LOG OFF", "interval_ms": 10.0, "chunk_ms": 250.0, "most": 100}


def block(*values):
    """A definite block of big-endian 32-bit floats (IEEE 488.2 §8.7.9)."""
    data = struct.pack(f">{len(values)}f", *values).decode("latin-1")
    return f"#{len(str(len(data)))}{len(data)}{data}"


def test_an_array_of_readings_in_a_block(open_on):
    query = {"send": "DATA?", "form": "block", "fields": ["voltage", "current"]}
    # 0x0A0A0A0A is a float whose bytes are line ends.
    odd = struct.unpack(">f", b"\n\n\n\n")[0]
    answers = {"DATA?": block(1.0, 0.5, 2.0, odd), "READY?": "1"}
    supply, lines = open_on(Instrument(**answers), profile(array={**ARRAY, "ready": "READY?", "query": query}))
    array = supply.array(1)
    array.start()
    first, second = array.fetch()
    array.stop()
    assert (first.voltage_v, first.current_a, second.voltage_v) == (1.0, 0.5, 2.0)
    assert second.current_a == pytest.approx(odd)
    assert second.t_ns - first.t_ns == 10_000_000
    assert second.half_trip_ns >= 250_000_000
    supply.link.query("*IDN?")
    assert lines == ["LOG ON", "READY?", "DATA?", "LOG OFF", "*IDN?"]


def test_an_array_with_times_as_text_brings_nothing_twice(open_on):
    query = {"send": "DATA?", "separators": ",", "fields": ["current", "voltage", "time"]}
    replies = iter(["0.1,4.0,0.00,0.2,4.0,0.02", "0.2,4.0,0.02,0.3,3.9,0.05,9.91E37,4.0,0.07,0.4,3.8,0.09"])
    supply, _ = open_on(Instrument(**{"DATA?": lambda self: next(replies)}), profile(array={**ARRAY, "query": query}))
    array = supply.array(1)
    array.start()
    assert [reading.current_a for reading in array.fetch()] == [0.1, 0.2]
    later = array.fetch()
    assert [(reading.current_a, reading.voltage_v) for reading in later] == [(0.3, 3.9), (0.4, 3.8)]
    assert [reading.flags for reading in later] == [Flag.NONE, Flag.GAP]
    assert later[1].t_ns - later[0].t_ns == pytest.approx(40_000_000)


@pytest.mark.parametrize("reply", ["1.0", "1.0,2.0,3.0", ",".join(["1"] * 202), "#14\0\0\0\0", "words"])
def test_an_array_that_is_none(open_on, reply):
    query = {"send": "DATA?", "separators": ",", "fields": ["voltage", "current"]}
    supply, _ = open_on(Instrument(**{"DATA?": reply}), profile(array={**ARRAY, "query": query}))
    array = supply.array(1)
    array.start()
    with pytest.raises(ReplyGarbled):
        array.fetch()


def test_a_channel_that_the_profile_does_not_have_is_refused_before_anything_is_opened(monkeypatch):
    opened = []
    monkeypatch.setattr(Link, "open", lambda *words: opened.append(words))
    with pytest.raises(ProfileError, match="no channel 7"):
        Supply.open("bench", "TCPIP0::192.0.2.1::5025::SOCKET", profile(), (7,), 1.0)
    assert opened == []
