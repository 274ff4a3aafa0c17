"""Dialogues as text, recorded and replayed: what is written is what went over the wire, and nobody is recognised."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.supplies.errors import LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.link import Link
from benchd.supplies.profile import load_profile
from benchd.supplies.profile_link import LinkProfile, Named
from benchd.supplies.recording import Recorder, recording_path, redacted
from benchd.supplies.recording_replay import OffScript, Replay
from benchd.supplies.recording_text import EVENTS, Dialogue, DialogueError, Entry, Step, lines_of, parse, shown, write
from benchd.supplies.supply import Supply
from tests.supplies.lines import CLOSE, LineInstrument

HEAD = """# benchd dialogue 1
profile: some-supply
origin: documents
identity: Example Works,EX-30,SERIAL,1.07
channel: 1
"""
IDENTITY = "Example Works,EX-30,A0041234,1.07"
NAMED = Named("Example Works", "EX-30", "A0041234", "1.07")

names = st.from_regex(r"[a-z0-9][a-z0-9 -]{0,10}", fullmatch=True)
comments = st.one_of(st.just(""), st.from_regex(r"[A-Za-z0-9#][ -~]{0,20}", fullmatch=True).map(str.strip))
entries = st.one_of(
    st.builds(Entry, st.sampled_from("><"), st.binary(min_size=1, max_size=40), comments),
    st.builds(Entry, st.just("!"), st.sampled_from(EVENTS).map(str.encode), comments),
)
dialogues = st.builds(
    Dialogue,
    st.from_regex(r"[a-z0-9-]{1,12}", fullmatch=True),
    st.sampled_from(["documents", "simulated", "hardware"]),
    st.binary(max_size=30).map(lambda data: data.decode("latin-1")),
    st.integers(0, 99),
    st.lists(st.builds(Step, names.map(str.rstrip), st.lists(entries, max_size=6).map(tuple)), min_size=1).map(tuple),
    st.sampled_from(["socket", "port"]),
)


def replayed(*lines: str) -> Replay:
    return Replay(parse(HEAD + "## talk\n" + "\n".join(lines), "x.txt"))


def link_to(replay: Replay, opener=None) -> Link:
    replay.step("talk")
    return Link.open("nowhere", LinkProfile(), 0.3, opener=opener or replay.open)


@settings(max_examples=100, deadline=None)
@given(dialogues)
def test_what_is_written_is_read_again(dialogue):
    assert parse(write(dialogue), "x.txt") == dialogue


@settings(max_examples=100)
@given(st.binary(max_size=60))
def test_bytes_are_cut_at_line_ends_and_nothing_is_lost(data):
    pieces = lines_of(data)
    assert b"".join(pieces) == data
    assert all(not set(piece.rstrip(b"\r\n")) & set(b"\r\n") for piece in pieces)


@settings(max_examples=100)
@given(st.text(max_size=80))
def test_any_text_is_read_or_refused_with_its_place(text):
    for whole in (text, HEAD + text, HEAD + "## talk\n" + text):
        error = None
        try:
            parse(whole, "some/file.txt")
        except DialogueError as caught:
            error = str(caught)
        assert error is None or (error.startswith("some/file.txt, line ") and "allowed " in error)


@pytest.mark.parametrize(
    ("text", "line", "given", "allowed"),
    [
        ("", 1, "", "# benchd dialogue 1"),
        ("# benchd dialogue 2\n", 1, "dialogue 2", "# benchd dialogue 1"),
        (HEAD, 6, "the end of the file", "## name"),
        (HEAD.replace("channel: 1", "channel: one") + "## talk\n", 1, "channel: one", "number of an output"),
        (HEAD.replace("channel: 1\n", "") + "## talk\n", 1, "no such line", "`channel: `"),
        (HEAD.replace("documents", "hearsay") + "## talk\n", 1, "origin: hearsay", "documents, simulated, hardware"),
        (HEAD + "origin: hardware\n## talk\n", 6, "origin: hardware", "one line `origin: `"),
        (HEAD + "colour: red\n", 6, "colour: red", "`profile: `"),
        (HEAD + "## talk\n>> X\n", 7, ">> X", "`> sent`"),
        (HEAD + "## talk\n> X\\q\n", 7, "\\\\q", "\\xNN"),
        (HEAD + "## talk\n< 5 °C\\n\n", 7, "5 °C", "printable ASCII"),
        (HEAD + "## talk\n> \n", 7, "> ", "at least one byte"),
        (HEAD + "## talk\n! tired\n", 7, "! tired", "! late, ! garbled"),
    ],
)
def test_a_wrong_file_is_refused_with_line_given_and_allowed(text, line, given, allowed):
    with pytest.raises(DialogueError) as caught:
        parse(text, "x.txt")
    assert f"x.txt, line {line}: " in str(caught.value)
    assert given in str(caught.value)
    assert allowed in str(caught.value)


def test_the_words_of_the_format():
    r"""Escapes as those of Python's bytes literals: \n, \r, \t, \\, \xNN (Python language reference, 2.5)."""
    assert shown(b"a\\b\r\n\xff\x00") == r"a\\b\r\n\xff\x00"
    assert shown(b"  # x ") == r"\x20\x20# x\x20"
    text = HEAD + "## talk\n> A  # one\n\n# a comment\n< #15ab\\x23cd\\n    # two # three\n"
    (step,) = parse(text, "x.txt").steps
    assert step == Step("talk", (Entry(">", b"A", "one"), Entry("<", b"#15ab#cd\n", "two # three")))


# ---- recording -----------------------------------------------------------------------------------------------


def answer(line):
    return {
        "*IDN?": [IDENTITY.encode() + b"\n"],
        "LATE?": [],
        "HALF?": [b"1.2"],
        "NAME?": [b"unit a0041234 here\n"],
        "BYE?": [CLOSE],
        "TWO?": [b"1\r\n"],
    }.get(line, [])


def test_a_recorded_exchange_is_replayed_with_its_faults():
    """Late, half, lost: on the replay the same happens in the same order, and recording it gives the same file."""

    def talk(link):
        said = [link.identify(), link.query("TWO?")]
        link.write("SET 1")
        link.write("SET 2")
        for query in ("LATE?", "HALF?", "BYE?"):
            with pytest.raises((ReplyLate, LinkLost)) as caught:
                link.query(query)
            said.append(caught.type)
        return [*said, link.query("NAME?")]

    recorder = Recorder()
    recorder.step("talk")
    with LineInstrument(answer) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.15, opener=recorder.open)
        first = talk(link)
        link.close()
    assert first == [IDENTITY, "1\r", ReplyLate, ReplyLate, LinkLost, "unit a0041234 here"]
    dialogue = recorder.dialogue("some-supply", "simulated", IDENTITY, NAMED, 1)
    text = write(dialogue)
    assert "> LATE?\\n\n! late\n> *IDN?\\n\n< Example Works,EX-30,SERIAL,1.07\\n\n> HALF?\\n\n< 1.2\n! late\n" in text
    assert "> BYE?\\n\n! lost\n" in text

    replay = Replay(parse(text, "x.txt"))
    again = Recorder(replay.open)
    again.step("talk")
    second = talk(link_to(replay, again.open))
    replay.finish()
    assert second[2:5] == first[2:5]
    assert second[0] == "Example Works,EX-30,SERIAL,1.07"
    named = Named("Example Works", "EX-30", "SERIAL", "1.07")
    assert write(again.dialogue("some-supply", "simulated", second[0], named, 1)) == text


def test_no_serial_number_is_left_in_a_recording():
    assert redacted(b"unit a0041234, A0041234!", IDENTITY, "A0041234") == b"unit SERIAL, SERIAL!"
    # A short one may be a reading as well: it is replaced where the unit names itself, and as a whole field.
    short = "Example Works,EX-12,12,1.12"
    assert redacted(b"12.000\n", short, "12") == b"12.000\n"
    assert redacted(short.encode() + b"\r\n", short, "12") == b"Example Works,EX-12,SERIAL,1.12\r\n"
    assert redacted(b"A,B,0,1\n", "A,B,0,1", "") == b"A,B,0,1\n"


def test_a_repeated_off_is_written_once():
    recorder = Recorder()
    recorder.step("off")
    for data in (b"SEL 1\nOUT 0\n", b"SEL 1\nOUT 0\n", b"SEL 1\n", b"OUT 0\n", b"OUT?\n"):
        recorder.note(">", data)
    recorder.note("<", b"1\n")
    recorder.note(">", b"OUT?\n")
    assert [entry.data for entry in recorder.present] == [b"SEL 1\n", b"OUT 0\n", b"OUT?\n", b"1\n", b"OUT?\n"]


def test_the_name_of_a_recording():
    dialogue = parse(HEAD + "## talk\n", "x.txt")
    named = Named("Example Works", "EX 30/b", "SERIAL", "HW1/SW2.51")
    assert recording_path(dialogue, named).as_posix() == "some-supply/EX-30-b_HW1-SW2.51_documents.txt"
    assert recording_path(dialogue, Named("", "", "", "")).as_posix() == "some-supply/unknown_unknown_documents.txt"


# ---- replaying -----------------------------------------------------------------------------------------------


def test_a_replay_shows_both_what_was_done_and_what_was_recorded():
    link = link_to(replayed("> VOLT 1\\n    # page 3"))
    with pytest.raises(OffScript, match=r"some-supply, step talk: > VOLT 2\\n, recorded next: > VOLT 1\\n  # page 3"):
        link.write("VOLT 2")
    link = link_to(replayed("> VOLT?\\n", "> CURR?\\n"))
    with pytest.raises(OffScript, match=r"waits for the reply to VOLT\?\\n, recorded next: > CURR"):
        link.query("VOLT?")
    link = link_to(replayed("> VOLT?\\n", "< 1.0"))
    with pytest.raises(OffScript, match=r"< 1\.0 has no end"):
        link.query("VOLT?")
    replay = replayed("> VOLT 1\\n")
    with pytest.raises(OffScript, match="step read begins, recorded next: step talk"):
        replay.step("read")
    replay.step("talk")
    with pytest.raises(OffScript, match="the end, recorded next: > VOLT 1"):
        replay.finish()


def test_a_replay_stops_half_a_message():
    """A message may be several lines; one that is cut short is not the recorded one."""
    replay = replayed("> INST 1\\n", "> OUTP OFF\\n")
    link_to(replay).send_now(b"INST 1\nOUTP OFF\n")
    replay.finish()
    with pytest.raises(OffScript):
        link_to(replayed("> INST 1\\n", "> OUTP OFF\\n")).send_now(b"INST 1\nOUTP")


def test_links_that_may_bring_old_replies_are_replayed_as_such():
    """On a port the link asks for the identification before it trusts the first reply; on a socket it does not."""
    idn = ["> *IDN?\\n", "< A,B,0,1\\n"]
    port = Replay(parse(HEAD + "link: port\n## talk\n" + "\n".join([*idn, *idn]), "x.txt"))
    assert link_to(port).identify() == "A,B,0,1"
    port.finish()
    socket = replayed(*idn)
    assert link_to(socket).identify() == "A,B,0,1"
    socket.finish()


def test_events_of_the_link_are_replayed():
    idn = ["> *IDN?\\n", "< A,B,0,1\\n"]
    replay = replayed(
        *idn, "! unread", *idn, "> V?\\n", "< 1\\n", "> V?\\n", "! unsent", *idn, "> V?\\n", "< ~\\n", "! garbled"
    )
    link = link_to(replay)
    link.identify()
    assert link.query("V?") == "1"  # something had been waiting, so the link was made clean first
    with pytest.raises(LinkLost):
        link.query("V?")
    with pytest.raises(ReplyGarbled):
        link.query("V?")
    replay.finish()
    replay = replayed("! unopened")
    with pytest.raises(LinkLost, match="cannot be opened"):
        link_to(replay)


def test_an_engine_works_on_a_replay_without_any_socket(monkeypatch):
    import socket

    monkeypatch.setattr(socket, "socket", None)
    replay = replayed("> *IDN?\\n", "< A,B,0,1\\n", "> SYST:ERR?\\n", '< 0,"No error"\\n', "> OUTP?\\n", "< 1\\n")
    supply = Supply("x", load_profile("generic-scpi"), link_to(replay), [1])
    supply.identify()
    assert supply.output_state(1) is True
    replay.finish()
