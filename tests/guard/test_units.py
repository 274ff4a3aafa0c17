"""The right unit, and none twice: simulated supplies on sockets that differ in their serial numbers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from benchd.guard.keeper import GuardKeeper
from benchd.guard.opening import Opener, OpenSupply
from benchd.guard.units import LOOK_AFTER_S, LOOK_AGAIN_S, NotThere, Seeker, Units, WrongUnit
from benchd.guard.wire import ChannelConfig, Configure, LinkChanged, Met, SupplyConfig
from benchd.reading import OutputState
from benchd.supplies.discovery_places import named_place
from benchd.supplies.errors import LinkError, LinkLost, SupplyError
from benchd.supplies.makesafe import ChannelSafe
from benchd.supplies.profile import load_profile
from benchd.supplies.profile_link import Named
from benchd.supplies.profile_tables import Profile
from tests.simulated import SimulatedSupply


class Found(NamedTuple):
    resource: str
    text: str


class Eyes:
    """Looks where it is told, and counts."""

    def __init__(self, *found: Found) -> None:
        self.found = list(found)
        self.looked = 0

    def __call__(self, config: SupplyConfig, profile: Profile, lock_dir: str) -> Found:
        self.looked += 1
        return self.found.pop(0) if self.found else Found("", f"serial number {config.serial} is nowhere")


def config(resource: str, serial: str = "", name: str = "left") -> SupplyConfig:
    return SupplyConfig(name, resource, "benchd-sim", (ChannelConfig(1, 5.0, 3.0),), timeout_s=0.3, serial=serial)


@pytest.fixture(scope="module")
def a7() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(serial="A7") as supply:
        yield supply


@pytest.fixture(scope="module")
def b8() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(serial="B8") as supply:
        yield supply


def opened(opener: Opener, what: SupplyConfig) -> OpenSupply:
    return opener.open(what)


def test_the_unit_of_the_settings_is_taken_and_told(a7: SimulatedSupply, tmp_path: Path) -> None:
    supply = opened(Opener(str(tmp_path)), config(a7.resource, "a7"))
    met = supply.met
    assert (met.resource, met.profile, met.trust) == (a7.resource, "benchd-sim", "simulated")
    assert (met.serial, met.consent, supply.news()) == ("A7", "", "")
    supply.close()


def test_another_unit_is_refused_with_both_numbers_and_not_touched(a7: SimulatedSupply, tmp_path: Path) -> None:
    offs = len(a7.offs())
    eyes = Eyes()
    with pytest.raises(WrongUnit) as caught:
        opened(Opener(str(tmp_path), eyes), config(a7.resource, "B8"))
    assert "the settings name serial number B8, but this one has serial number A7" in str(caught.value)
    assert "serial number B8 is nowhere" in str(caught.value)
    assert (len(a7.offs()), eyes.looked) == (offs, 1)


def test_it_is_found_at_another_place(a7: SimulatedSupply, b8: SimulatedSupply, tmp_path: Path) -> None:
    eyes = Eyes(Found(b8.resource, f"serial number B8 is now at {b8.resource}"))
    supply = opened(Opener(str(tmp_path), eyes), config(a7.resource, "B8"))
    assert (supply.met.resource, supply.met.serial) == (b8.resource, "B8")
    assert supply.news() == (
        f"supply left: serial number B8 is now at {b8.resource}; correct its resource in the settings"
    )
    assert supply.news() == ""
    supply.close()


def test_a_unit_that_went_to_another_place_while_it_was_held(b8: SimulatedSupply, tmp_path: Path) -> None:
    with SimulatedSupply(serial="B8") as old:
        eyes = Eyes(Found(b8.resource, "moved"))
        opener = Opener(str(tmp_path), eyes)
        supply = opened(opener, config(old.resource, "B8"))
        now = [0.0]
        opener._seekers["left"]._clock_s = lambda: now[0]
        old.kill()
        with pytest.raises(NotThere):
            supply.reconnect()
        assert eyes.looked == 0, "its own place comes first"
        now[0] = LOOK_AFTER_S
        assert "B8" in supply.reconnect()
        assert (eyes.looked, supply.met.resource, supply.news()) == (
            1,
            b8.resource,
            "supply left: moved; correct its resource in the settings",
        )
        supply.close()


def test_without_a_serial_number_nothing_is_looked_for(tmp_path: Path) -> None:
    eyes = Eyes()
    with pytest.raises(LinkLost):
        opened(Opener(str(tmp_path), eyes), config("TCPIP0::127.0.0.1::1::SOCKET"))
    assert eyes.looked == 0


def test_one_unit_in_two_blocks_is_refused_with_both_names(a7: SimulatedSupply, tmp_path: Path) -> None:
    opener = Opener(str(tmp_path))
    first = opened(opener, config(a7.resource, name="left"))
    twin = a7.resource.replace("127.0.0.1", "localhost")
    with pytest.raises(WrongUnit, match="supplies left and right of the settings are one and the same unit"):
        opened(opener, config(twin, name="right"))
    assert first.supply.read(1).current_a == pytest.approx(0.0, abs=0.01), "the first goes on"
    first.close()


def test_units_without_numbers_of_their_own_are_never_one() -> None:
    units = Units()
    for name in ("a", "b"):
        units.claim(name, Named("Example", "X-1", "", "1.0"))
        units.claim(name, None)
    units.claim("a", Named("Example", "X-1", "7", "1.0"))
    units.claim("a", Named("Example", "X-1", "7", "1.1"))
    units.claim("b", Named("Example", "X-2", "7", "1.0"))
    with pytest.raises(WrongUnit):
        units.claim("b", Named("EXAMPLE", "x-1", "7", "1.0"))


def test_other_places_are_asked_only_now_and_then() -> None:
    now = [0.0]
    eyes = Eyes()
    seeker = Seeker(config("x", "B8"), load_profile("benchd-sim"), "", eyes, lambda: now[0])
    lost: LinkError | SupplyError = LinkLost("x", "refused")

    def tried(at_s: float, after_s: float = 0.0) -> str:
        now[0] = at_s
        with pytest.raises(NotThere) as caught:
            seeker.elsewhere(lost, after_s)
        return str(caught.value)

    assert tried(0.0, LOOK_AFTER_S) == str(lost)
    assert eyes.looked == 0
    assert "B8 is nowhere" in tried(LOOK_AFTER_S, LOOK_AFTER_S)
    assert "B8 is nowhere" in tried(LOOK_AFTER_S + LOOK_AGAIN_S / 2)
    assert eyes.looked == 1
    tried(LOOK_AFTER_S + LOOK_AGAIN_S)
    assert eyes.looked == 2
    seeker.there()
    assert tried(100.0, LOOK_AFTER_S) == str(lost)
    assert eyes.looked == 2


def test_when_the_guard_is_gone_a_supply_is_made_safe_where_it_was_last(tmp_path: Path) -> None:
    made_safe: list[tuple[str, str]] = []

    def safe(of: SupplyConfig) -> list[ChannelSafe]:
        made_safe.append((of.resource, of.identity))
        return [ChannelSafe(1, OutputState.OFF, "off")]

    both = (config("old", "B8"), config("other", name="right"))
    keeper = GuardKeeper(Configure(both, str(tmp_path)), lambda report: None, safe)
    for name, resource in (("left", "new"), ("right", "other")):
        met = Met(resource, "benchd-sim", "simulated", (), "benchd", "SIM-2", "B8", "0.1", "")
        keeper._note(LinkChanged(name, True, 1, identity=f"who {name} is", met=met))
    keeper._gone("killed")
    assert sorted(made_safe) == [("new", "who left is"), ("other", "who right is")]


def test_looking_around_asks_real_ports_and_sets_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with SimulatedSupply(serial="A7", pty=True) as one, SimulatedSupply(serial="B8", pty=True) as other:
        ports = [named_place(f"ASRL{sim.pty}::INSTR") for sim in (one, other)]
        monkeypatch.setattr("benchd.supplies.discovery_relocate.places_of_kind", lambda kind, library: ports)
        offs = [len(sim.offs()) for sim in (one, other)]
        supply = opened(Opener(str(tmp_path)), config("ASRL/dev/gone::INSTR", "B8"))
        assert supply.met.resource == f"ASRL{other.pty}::INSTR"
        assert "serial number B8 is now at" in supply.news()
        assert [len(sim.offs()) for sim in (one, other)] == offs
        supply.close()
