"""Looking around asks only when told to, and only for the identification."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
import tty
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.supplies import discovery, discovery_ask
from benchd.supplies.discovery import find_supplies, fitting_profiles
from benchd.supplies.discovery_abilities import TRUST, abilities
from benchd.supplies.discovery_ask import ask, clean_identity, known_bauds, named, questions
from benchd.supplies.discovery_parallel import side_by_side
from benchd.supplies.discovery_places import named_place
from benchd.supplies.lock import SupplyLock
from benchd.supplies.profile import load_profile, profile_names
from tests.simulated import SimulatedSupply
from tests.supplies.lines import LineInstrument, PortInstrument

SIMULATED = "benchd,SIM-2,SIM00001,0.1.0"


@pytest.fixture(autouse=True)
def no_real_places(monkeypatch):
    """Tests must not knock on what is plugged into the machine that runs them, nor on its network."""
    port = SimpleNamespace(
        device="/dev/ttyX9", description="Bench Adapter", vid=0x1234, pid=0xABCD, serial_number="A1", manufacturer=None
    )
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [port])
    for kind in ("usb_places", "lan_places"):
        monkeypatch.setattr(discovery, kind, list)
    monkeypatch.setattr("benchd.supplies.discovery_places._listed_by", lambda library: ["ASRL/dev/ttyX9::INSTR"])


class Bystander:
    """A serial device that is no instrument: it keeps every byte that it was sent, and says what it is told to say."""

    def __init__(self, answer: bytes = b"", talks: bytes = b"") -> None:
        self.got = b""
        self._answer, self._talks = answer, talks
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.resource = f"ASRL{os.ttyname(self._theirs)}::INSTR"
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ending.is_set():
            if select.select([self._ours], [], [], 0.02)[0]:
                self.got += os.read(self._ours, 4096)
                if self._answer:
                    os.write(self._ours, self._answer)
            elif self._talks:
                with contextlib.suppress(BlockingIOError):
                    os.write(self._ours, self._talks)

    def __enter__(self) -> Bystander:
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join(5)
        os.close(self._ours)
        os.close(self._theirs)


def test_nothing_is_asked_without_being_told_to():
    with LineInstrument(lambda line: []) as instrument:
        found = find_supplies(resources=(instrument.resource,))
    assert [f.resource for f in found] == [instrument.resource, "ASRL/dev/ttyX9::INSTR"]
    assert (found[1].place.description, found[1].place.usb, found[1].text) == (
        "Bench Adapter",
        "1234:abcd",
        "not asked",
    )
    assert instrument.lines == []
    assert instrument.connections == 0


def test_only_what_is_named_is_asked_when_that_is_wanted(monkeypatch):
    said = SIMULATED.encode() + b"\n"
    with PortInstrument(lambda line: [said]) as other, LineInstrument(lambda line: [said]) as wanted:
        monkeypatch.setattr("benchd.supplies.discovery_places._listed_by", lambda library: [other.resource])
        only = find_supplies(True, [wanted.resource], only_given=True)
        assert other.lines == []
        assert {other.resource, wanted.resource} <= {f.resource for f in find_supplies(True, [wanted.resource])}
        assert other.lines == ["*IDN?"]
    assert [(f.resource, f.identity) for f in only] == [(wanted.resource, SIMULATED)]


def test_only_the_identification_is_asked_and_failures_are_told():
    with LineInstrument(lambda line: [b"benchd,SIM-2,1,0\r\n"]) as instrument:
        found = find_supplies(identify=True, resources=(instrument.resource,))
    assert found[0].identity == "benchd,SIM-2,1,0"
    assert (found[0].maker, found[0].model, found[0].serial, found[0].firmware) == ("benchd", "SIM-2", "1", "0")
    assert found[0].profiles[0] == "benchd-sim"
    assert {"generic-scpi", "generic-scpi-multi"} <= set(found[0].profiles[1:])
    assert instrument.lines == ["*IDN?"]
    assert found[1].identity == ""
    assert found[1].text.startswith("cannot be opened")


@pytest.mark.parametrize("answer", [b"", b"ok T:25.0 /0.0\n", b"*IDN?\r\nERROR\r\n", b"login: ", b"\xff\xfe\x80"])
def test_an_innocent_bystander_gets_nothing_but_identification_queries(answer):
    allowed = {question.encoded() for question in questions("ASRL/dev/x::INSTR")}
    with Bystander(answer) as other:
        said = ask(named_place(other.resource), bauds=(9600, 115200), timeout_s=0.1)
        got = other.got
    assert said.identity == ""
    assert ("no reply" in said.text) == (answer == b"")
    assert got.startswith(b"*IDN?\n")
    left = got
    while left:  # nothing but whole queries, the longest first since one may begin another
        query = next((q for q in sorted(allowed, key=len, reverse=True) if left.startswith(q)), None)
        assert query is not None, left
        left = left[len(query) :]
    assert all(question.query.endswith("?") for question in questions("ASRL/dev/x::INSTR"))


def test_who_talks_without_being_asked_is_not_asked():
    with Bystander(talks=b"$GPTXT,01,01,02,nothing to see*00\r\n") as other:
        time.sleep(0.1)  # it has begun
        said = ask(named_place(other.resource), timeout_s=0.2)
        assert other.got == b""
    assert said.identity == ""
    assert "talks without being asked" in said.text


def test_a_line_with_an_old_reply_in_it_is_asked_all_the_same():
    with PortInstrument(lambda line: [SIMULATED.encode() + b"\n"]) as port:
        os.write(port._ours, b"+4.000E+00\n")
        said = ask(named_place(port.resource))
    assert said.identity == SIMULATED


def test_a_reply_without_an_end_comes_through():
    """Source keys SIG, PEL, QMI: no terminator in either direction, one stray byte behind the text on some units."""
    with LineInstrument(lambda line: [b"benchd,SIM-2,7,1\x01"]) as instrument:
        assert ask(named_place(instrument.resource)).identity == "benchd,SIM-2,7,1"


def test_a_held_supply_is_left_alone_and_a_free_one_is_held_while_it_is_asked(tmp_path):
    with LineInstrument(lambda line: [SIMULATED.encode() + b"\n"]) as instrument:
        place = named_place(instrument.resource)
        held = SupplyLock(tmp_path, instrument.resource, "the guard of supply left")
        said = ask(place, lock_dir=tmp_path)
        assert said.identity == ""
        assert "the guard of supply left" in said.text
        assert instrument.connections == 0
        held.release()
        assert ask(place, lock_dir=tmp_path).identity == SIMULATED
        SupplyLock(tmp_path, instrument.resource, "next").release()


def test_a_port_whose_rate_is_known_is_asked_at_that_rate_only(monkeypatch):
    rates = []

    def noted(place, bauds, *rest):
        rates.append((place.resource, tuple(bauds)))
        return discovery_ask.Answer("", None, "")

    monkeypatch.setattr(discovery, "ask", noted)
    find_supplies(True, ["ASRL/dev/ttyX8::INSTR"], bauds=(9600, 57600), own_bauds={"ASRL/dev/ttyX8::INSTR": 19200})
    assert dict(rates) == {"ASRL/dev/ttyX8::INSTR": (19200,), "ASRL/dev/ttyX9::INSTR": (9600, 57600)}


def test_sixteen_supplies_of_several_families_are_identified_side_by_side():
    families = ["benchd-sim", "gwinstek-gpd"]
    with contextlib.ExitStack() as stack:
        bench = [
            stack.enter_context(SimulatedSupply(family=families[n % 2], serial=f"UNIT{n:04d}", latency_ms=2))
            for n in range(16)
        ]
        started = time.monotonic()
        found = find_supplies(True, [supply.resource for supply in bench])
        took_s = time.monotonic() - started
    mine = found[:16]
    assert [f.serial for f in mine] == [f"UNIT{n:04d}" for n in range(16)], [f.text for f in mine]
    assert [f.profiles[0] for f in mine] == [families[n % 2] for n in range(16)]
    assert took_s < 6  # budget 3 s, which the benchmark measures on a quiet machine


def test_a_supply_without_line_ends_answers_the_next_question():
    """The first question ends in LF, which spoils it for this family; after silence the next one is asked."""
    with SimulatedSupply(family="korad-ka3005p", pty=True, model="72-2550") as supply:
        said = ask(named_place(f"ASRL{supply.pty}::INSTR"))
    assert fitting_profiles(said.identity) == ("korad-ka3005p",), said
    assert named(said.identity).serial == "1231345"


def test_profiles_for_an_identity():
    assert fitting_profiles("") == ()
    assert fitting_profiles("Example Works,EX-1,0,1") == ("generic-scpi", "generic-scpi-apart", "generic-scpi-multi")
    assert fitting_profiles("ok") == ()
    assert named("Example Works,EX-1,0,1").serial == ""
    assert named("Example Works, MODEL EX-1, SN:42, 1.0")[:3] == ("Example Works", "EX-1", "42")


def test_the_first_question_is_the_standard_one_and_every_profile_is_asked_for():
    """IEEE 488.2 §10.14."""
    for resource in ("ASRL/dev/ttyUSB0::INSTR", "TCPIP0::192.0.2.1::5025::SOCKET", "USB0::0x1::0x2::3::INSTR"):
        assert questions(resource)[0] == ("*IDN?", "\n")
        assert {question.query for question in questions(resource)} == {
            load_profile(name).identity.query for name in profile_names()
        }
    assert "" not in {question.end for question in questions("TCPIP0::192.0.2.1::5025::SOCKET")}
    assert known_bauds()[0] == 9600


@given(st.binary(max_size=60) | st.from_regex(rb"\A[\t\r ]?[A-Za-z]{1,4},[ -~]{1,20}[\n\r\x00\x01\xbc]*\Z"))
@settings(max_examples=100)
def test_any_reply_is_an_identification_or_none(reply):
    identity = clean_identity(reply.decode("latin-1"))
    if identity:
        assert identity.replace("\t", " ").isprintable()
        assert identity.encode("latin-1") in reply
        assert fitting_profiles(identity)


def test_one_that_hangs_or_fails_does_not_keep_the_others():
    hanging = threading.Event()
    try:
        started = time.monotonic()
        results = side_by_side({"a": lambda: 1, "b": lambda: hanging.wait(30), "c": lambda: 1 // 0}, 0.3)
        assert time.monotonic() - started < 5
    finally:
        hanging.set()
    assert results.done == {"a": 1}
    assert results.failed["b"] == "not ended after 0.3 s"
    assert results.failed["c"].startswith("ZeroDivisionError")


@pytest.mark.parametrize("name", profile_names())
def test_every_profile_says_what_it_can_do(name):
    profile = load_profile(name)
    said = abilities(profile)
    for output in profile.outputs:
        assert any(f"{output.max_voltage_v:g} V" in line and f"{output.max_limit_a:g} A" in line for line in said)
    assert profile.trust in TRUST
    assert all(line == line.strip() and "\n" not in line for line in said)


def test_abilities_that_are_not_used_are_told_too():
    said = abilities(load_profile("keysight-e36300"))
    flags = load_profile("keysight-e36300").abilities
    (beside,) = [line for line in said if line.startswith("its documents name beside: ")]
    assert ("measures power" in beside, "remote sensing" in beside) == (flags.power, flags.sense)
    assert "on a network its raw socket is port 5555" in abilities(load_profile("rigol-dp800"))
    assert not [line for line in abilities(load_profile("owon-spe")) if "raw socket" in line]


def test_the_abilities_of_the_simulated_supply():
    assert abilities(load_profile("benchd-sim"))[:5] == [
        "outputs 1, 2: 0 to 32 V, 0 to 6 A, reads 1 mV and 100 µA",
        "it says itself whether it is in constant current",
        "over-voltage protection of its own, with a level of its own",
        "over-current protection of its own, at the current limit, after 0 to 3600 s",
        "switches off by itself when no message came for 0.1 to 3600 s, where link_watchdog_s asks for it",
    ]
