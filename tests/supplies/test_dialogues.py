"""The wire lines of every profile against the dialogue that was written from documents, with the source of each line.

A wrong template in a profile fails here, and so does a profile without a dialogue.
"""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.share import share_path
from benchd.sim.dialects import FAMILIES
from benchd.supplies.asking import Question
from benchd.supplies.link import Identify, Link, usual_frame
from benchd.supplies.profile import fitted, load_profile, profile_names
from benchd.supplies.recording import Recorder, recording_path
from benchd.supplies.recording_replay import Replay, without_rests
from benchd.supplies.recording_text import Dialogue, Entry, parse, write
from benchd.supplies.supply_output import Output, TripMessages
from tests.simulated import SimulatedSupply
from tests.walking import walk

TESTS = Path(__file__).resolve().parent.parent
RECORDINGS = sorted((TESTS / "recordings").rglob("*.txt"))
STEPS = ["connect", "identify", "prepare", "on", "read", "off", "clear-errors", "close"]


def dialogue_of(name: str) -> Dialogue:
    path = TESTS / "dialogues" / f"{name}.txt"
    assert path.exists(), f"profile {name} has no dialogue: write {path.name} from the documents"
    return parse(path.read_text("utf-8"), path.name)


def source_keys() -> list[str]:
    """The keys of the table of sources in drivers/README.md."""
    text = (share_path("drivers") / "README.md").read_text("utf-8")
    table = text.partition("## Where the shipped commands come from")[2].partition("\n## ")[0]
    return [key for key in re.findall(r"^\| (\w+) \|", table, re.MULTILINE) if key != "key"]


@pytest.mark.parametrize("name", profile_names())
def test_a_profile_sends_the_documented_lines(name):
    dialogue = dialogue_of(name)
    assert dialogue.profile == name
    assert [step.name for step in dialogue.steps] == STEPS
    replay = Replay(dialogue)
    recorder = Recorder(replay.open)

    def step(name: str) -> None:
        replay.step(name)
        recorder.step(name)

    supply = walk(without_rests(load_profile(name)), dialogue.channel, "nowhere", recorder.open, step)
    replay.finish()
    # Recording the replay gives the same file, byte by byte; comments are nobody's words and do not count.
    assert supply.named is not None
    again = recorder.dialogue(name, dialogue.origin, supply.link.identity or "", supply.named, dialogue.channel)
    assert write(again) == write(dialogue.without_comments())


@pytest.mark.parametrize("name", profile_names())
def test_every_line_that_is_sent_names_its_source(name):
    published = r"^IEEE 488\.2 §|^SCPI-1999 vol\. \d|^public programs for|\bfrom memory\b|^this package"
    known = re.compile(published + r"|\b(" + "|".join(source_keys()) + r")\b")
    for step in dialogue_of(name).steps:
        for entry in step.entries:
            assert entry.kind != ">" or known.search(entry.comment), f"{name}, {step.name}: {entry}"


@pytest.mark.parametrize("name", profile_names())
def test_the_simulated_family_is_spoken_to_in_the_same_words(name):
    """The simulated dialects share no code with the profiles: a reply that is taken otherwise changes what is sent."""
    dialogue = dialogue_of(name)
    profile = without_rests(load_profile(name))
    named = profile.identity.named(dialogue.identity)
    assert named is not None
    family = FAMILIES.get(name)
    options: dict[str, str | float] = {"family": name, "pace": 0} if family is not None else {}
    if family is not None and named.model in family.models:
        options["model"] = named.model
    recorder = Recorder()
    with SimulatedSupply(**options) as sim:
        supply = walk(profile, dialogue.channel, sim.resource, recorder.open, recorder.step)
        assert sim.truth(dialogue.channel).output is False
    assert supply.named is not None
    said = recorder.dialogue(name, "simulated", supply.link.identity or "", supply.named, dialogue.channel)
    assert sent(said) == sent(dialogue)


def sent(dialogue: Dialogue) -> list[tuple[str, list[bytes]]]:
    return [(step.name, [entry.data for entry in step.entries if entry.kind == ">"]) for step in dialogue.steps]


def test_a_dialogue_belongs_to_a_profile():
    assert sorted(path.stem for path in (TESTS / "dialogues").glob("*.txt")) == profile_names()


def test_a_wrong_template_is_noticed(monkeypatch):
    """The point of it all: one changed letter in a command does not pass."""
    import msgspec

    profile = load_profile("generic-scpi")
    commands = msgspec.structs.replace(profile.commands, set_voltage="VOLTS {value}")
    replay = Replay(dialogue_of("generic-scpi"))
    with pytest.raises(Exception, match=r"> VOLTS 1\.000\\n, recorded next: > VOLT 1\.000\\n"):
        walk(msgspec.structs.replace(profile, commands=commands), 1, "nowhere", replay.open, replay.step)


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_the_name_of_a_recording_agrees_with_what_it_holds(path):
    dialogue = parse(path.read_text("utf-8"), path.name)
    named = load_profile(dialogue.profile).identity.named(dialogue.identity)
    assert named is not None, f"{dialogue.identity!r} is not of profile {dialogue.profile}"
    assert path.relative_to(TESTS / "recordings").as_posix() == recording_path(dialogue, named).as_posix()
    assert named.serial in ("", "SERIAL")


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.stem)
def test_the_replies_of_a_recording_are_read_by_its_profile(path):
    """Those that answer a question of the profile, whatever the order in which the engine asks today."""
    dialogue = parse(path.read_text("utf-8"), path.name)
    family = load_profile(dialogue.profile)
    named = family.identity.named(dialogue.identity)
    assert named is not None
    profile = fitted(family, named)
    output = Output(profile, Link("nowhere", profile.link, 1.0, None, "@py", Identify()), dialogue.channel)
    questions = {question.data: question for question in questions_of(output)}
    answered = set()
    for sent_data, got in replies_of(dialogue):
        question = questions.get(sent_data)
        if question is None:
            continue
        frame = question.frame or usual_frame(profile.link)
        size = frame.complete(got)
        size = frame.complete(got, True) if size is None else size
        assert size == len(got), f"{sent_data!r} {got!r}"
        read = [question.one_register(frame.body(got))] if question.register else question.parts(frame.body(got))
        assert read
        answered.add(sent_data)
    needed = [*output.states, *output.reads, *output.getters.values()]
    assert {question.data for question in needed} <= answered


def questions_of(holder: object) -> Iterator[Question]:
    for value in vars(holder).values():
        for each in (
            value.values() if isinstance(value, dict) else value if isinstance(value, tuple | list) else (value,)
        ):
            if isinstance(each, Question):
                yield each
            elif isinstance(each, TripMessages):
                yield from questions_of(each)


def replies_of(dialogue: Dialogue) -> Iterator[tuple[bytes, bytes]]:
    """The last line that was sent, and the whole reply to it; what came late or broken is left out."""
    for step in dialogue.steps:
        sent_data, got = b"", b""
        for kind, data, _ in [*step.entries, Entry(">", b"")]:
            if kind == "<":
                got += data
                continue
            if kind == ">" and got:
                yield sent_data, got
            sent_data, got = data if kind == ">" else b"", b""


def test_a_profile_that_calls_itself_recorded_has_a_recording_of_the_hardware():
    recorded = {name for name in profile_names() if load_profile(name).trust == "recorded"}
    dialogues = [parse(path.read_text("utf-8"), path.name) for path in RECORDINGS]
    assert recorded <= {dialogue.profile for dialogue in dialogues if dialogue.origin == "hardware"}
