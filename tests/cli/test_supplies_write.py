"""`benchd supplies --write`: the block is added, the person's lines stay, and nothing is overwritten."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st

from benchd import settings
from benchd.cli.supplies_patience import STALE_MS
from benchd.cli.supplies_text import lines, record, warnings
from benchd.cli.supplies_write import WriteError, write_supplies
from benchd.plans.shelf import shipped
from benchd.settings_fit import unfit
from benchd.supplies.discovery import Found, fitting_profiles
from benchd.supplies.discovery_ask import named
from benchd.supplies.discovery_places import Announced, Place
from benchd.supplies.profile import load_profile

MINE = """\
# my bench, do not touch
bench = "left-bench"   # the one at the window

[[plan]]
name = "phone"         # phones only
voltage_v = 4.2
limit_a = 1.5

[[plan]]
name = "laptop"
voltage_v = 48         # more than the supply can do
limit_a = 3.0

[[supply]]
name = "old"
resource = "TCPIP0::192.0.2.1::5025::SOCKET"
profile = "generic-scpi"
[[supply.channel]]
max_voltage_v = 5.0
max_limit_a = 2.0
plan = "phone"

[web]
port = 9000            # after the supplies
"""


def found(
    resource: str = "TCPIP0::192.0.2.7::5025::SOCKET",
    identity: str = "benchd,SIM-2,SIM00042,0.1",
    stable: str = "",
    text: str = "",
    baud: int | None = None,
) -> Found:
    who = named(identity)
    kind = "serial" if resource.startswith("ASRL") else "lan"
    place = Place(resource, kind, stable=stable or resource, stable_text="stays" if stable else "")
    return Found(
        place, identity, who.maker, who.model, who.serial, who.firmware, fitting_profiles(identity), baud, text
    )  # fmt: skip


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    file = tmp_path / "benchd.toml"
    file.write_text(MINE)
    return file


def test_the_block_is_added_and_every_line_of_the_person_stays(mine: Path) -> None:
    assert write_supplies(mine, [found()]) == (["sim-2-0042"], [])
    text = mine.read_text()
    left = iter(text.splitlines())
    assert all(line in left for line in MINE.splitlines())  # each, in the same order
    loaded = settings.load(mine)
    old, new = loaded.supply
    assert old == settings.from_dict(tomllib.loads(MINE), "mine").supply[0]
    assert (new.name, new.resource, new.profile) == ("sim-2-0042", "TCPIP0::192.0.2.7::5025::SOCKET", "benchd-sim")
    assert new.serial == "SIM00042"
    assert loaded.web.port == 9000


@pytest.mark.parametrize("between", ["\n", ""])
def test_comments_stay_with_the_table_that_they_stand_above(mine: Path, between: str) -> None:
    mine.write_text(
        MINE.replace("\n[web]", f"{between}# the page, seen from the shop\n# and the phone\n[web]"), "utf-8"
    )
    write_supplies(mine, [found(), found("TCPIP0::192.0.2.8::5025::SOCKET", "benchd,SIM-2,SIM00043,0.1")])
    text = mine.read_text("utf-8")
    assert "# the page, seen from the shop\n# and the phone\n[web]\nport = 9000" in text
    assert text.index("SIM00043") < text.index("# the page")


def test_the_envelope_reaches_as_far_as_the_plans_and_never_above_the_range(mine: Path) -> None:
    """The laptop plan is beyond the supply's 32 V, so it counts for nothing."""
    write_supplies(mine, [found()])
    channels = settings.load(mine).supply[1].channel
    output = load_profile("benchd-sim").output(1)
    assert [c.number for c in channels] == [1, 2]
    assert {(c.max_voltage_v, c.max_limit_a, c.plan) for c in channels} == {(4.2, 1.5, "phone")}
    assert f"the supply can do {output.max_voltage_v:g} V. Lower it" in mine.read_text()


def test_an_over_voltage_level_above_the_range_is_cut_down(mine: Path) -> None:
    highest = load_profile("benchd-sim").output(1).max_voltage_v
    mine.write_text(MINE.replace("voltage_v = 4.2", f"voltage_v = {highest}\nover_voltage_v = {highest + 5}"))
    mine.write_text(mine.read_text().replace("max_voltage_v = 5.0", f"max_voltage_v = {highest}"))
    write_supplies(mine, [found()])
    assert settings.load(mine).supply[1].channel[0].max_voltage_v == highest


def test_a_new_file_begins_with_the_example_and_uses_shipped_plans(tmp_path: Path) -> None:
    file = tmp_path / "etc" / "benchd.toml"
    write_supplies(file, [found(), found("TCPIP0::192.0.2.8::5025::SOCKET", "benchd,SIM-2,SIM00043,0.1")])
    loaded = settings.load(file)
    assert [s.name for s in loaded.supply] == ["sim-2-0042", "sim-2-0043"]
    assert loaded.plan == []
    assert {(c.max_voltage_v, c.max_limit_a, c.plan) for c in loaded.supply[0].channel} == {(5.5, 2.0, "phone-cell")}
    text = file.read_text()
    assert "# [mqtt]" in text
    assert "192.0.2.5" not in text
    assert stat.S_IMODE(file.stat().st_mode) & 0o111 == 0


@pytest.mark.parametrize("before", ["", 'bench = "b"\n', "# nothing yet\r\n[web]\r\nport = 1\r\n"])
def test_a_file_without_plans_uses_shipped_ones(tmp_path: Path, before: str) -> None:
    file = tmp_path / "benchd.toml"
    file.write_bytes(before.encode())
    write_supplies(file, [found()])
    loaded = settings.load(file)
    assert loaded.plan == []
    assert [c.plan for c in loaded.supply[0].channel] == ["phone-cell", "phone-cell"]
    assert file.read_bytes().startswith(before.encode())


@pytest.mark.parametrize(
    ("change", "wanted", "name", "profile", "says"),
    [
        ({"resource": "tcpip::192.0.2.1::5025::socket"}, True, "", "", "stands there as supply old already"),
        ({}, True, "old", "", "a supply old stands there already; choose another --name"),
        ({}, True, "Old Name", "", "name = 'Old Name'"),
        ({}, True, "", "no-such", "no profile 'no-such'"),
        ({}, True, "", "rigol-dp800", "which profile rigol-dp800 is not for"),
        ({"identity": "", "text": "no reply"}, True, "", "", "did not say who it is (no reply)"),
    ],
)
def test_what_cannot_be_added_is_refused_and_the_file_is_as_it_was(mine, change, wanted, name, profile, says) -> None:
    item = found(**change)
    with pytest.raises(WriteError) as error:
        write_supplies(mine, [item], [item.resource] if wanted else [], name, profile)
    assert says in str(error.value)
    assert mine.read_text() == MINE
    assert [p.name for p in mine.parent.iterdir()] == ["benchd.toml"]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"bench = \n", "not valid TOML"),
        (b"\xff\xfe", "cannot be read"),
        (b"supply = [{name = 'a'}]\n", "supply is not written as [[supply]] tables"),
        (b"plan = 3\n", "plan is not written as [[plan]] tables"),
        (MINE.replace("limit_a", "limit_ma").encode(), "plan[0].limit_ma: unknown key"),
        (MINE.replace("4.2", "'4.2'").encode(), "nothing is added"),
        (MINE.replace("4.2", "59").replace("5.0", "59").encode(), "no plan in the settings is within"),
    ],
)
def test_a_file_that_is_not_in_order_is_left_alone(tmp_path: Path, content: bytes, says: str) -> None:
    file = tmp_path / "benchd.toml"
    file.write_bytes(content)
    with pytest.raises(WriteError) as error:
        write_supplies(file, [found()])
    assert says in str(error.value)
    assert file.read_bytes() == content


def test_a_folder_in_the_place_of_the_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(WriteError, match="cannot be read"):
        write_supplies(tmp_path, [found()])


def test_mode_and_link_are_kept(mine: Path, tmp_path: Path) -> None:
    mine.chmod(0o640)
    link = tmp_path / "link.toml"
    link.symlink_to("benchd.toml")
    write_supplies(link, [found()])
    assert link.is_symlink()
    assert stat.S_IMODE(mine.stat().st_mode) == 0o640
    assert "SIM00042" in mine.read_text()
    assert sorted(os.listdir(tmp_path)) == ["benchd.toml", "link.toml"]


def test_without_names_only_supplies_with_a_profile_of_their_own_are_added_once(mine: Path) -> None:
    items = [
        found(),
        found("ASRL/dev/ttyX1::INSTR"),  # the same unit at its other socket
        found("TCPIP0::192.0.2.9::5025::SOCKET", "Example Works,DSO-1,7,1"),
        found("TCPIP0::192.0.2.1::5025::SOCKET", "benchd,SIM-2,SIM1,0.1"),
        found("ASRL/dev/ttyX2::INSTR", ""),
    ]
    added, passed_over = write_supplies(mine, items)
    assert added == ["sim-2-0042"]
    assert len(passed_over) == 3
    assert "no profile is made for it" in passed_over[0]
    assert write_supplies(mine, items)[0] == []


def test_a_serial_port_goes_in_by_its_stable_name_and_its_rate(mine: Path) -> None:
    item = found("ASRL/dev/ttyX1::INSTR", "Example,EX-1,0,1", "ASRL/dev/serial/by-id/usb-Example_A1::INSTR", baud=19200)
    assert write_supplies(mine, [item], ["asrl/dev/ttyX1::instr"]) == (["ex-1"], [])
    new = settings.load(mine).supply[1]
    assert (new.resource, new.baud_rate, new.serial) == ("ASRL/dev/serial/by-id/usb-Example_A1::INSTR", 19200, "")
    assert "No profile is made for it" in mine.read_text()


def test_two_of_a_kind_that_cannot_be_told_apart_get_two_names(mine: Path) -> None:
    for number in (1, 2):
        write_supplies(mine, [found(f"ASRL/dev/ttyX{number}::INSTR", "benchd,SIM-2,0,1")])
    assert [s.name for s in settings.load(mine).supply] == ["old", "sim-2", "sim-2-2"]


@given(
    st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters=","), max_size=40),
    st.text("09aZ-", max_size=12),
)
@tries(max_examples=40, deadline=None)
def test_any_model_and_serial_number_make_settings_that_are_in_order(tmp_path_factory, model: str, serial: str) -> None:
    file = tmp_path_factory.mktemp("any") / "benchd.toml"
    file.write_text(MINE)
    identity = f"benchd,{model},{serial},1"
    if fitting_profiles(identity):
        item = found(identity=identity)
        write_supplies(file, [item], [item.resource])
        assert len(settings.load(file).supply) == 2


# ---- what is shown ---------------------------------------------------------------------------------------------


def with_supply(**keys: str) -> settings.Settings:
    data = tomllib.loads(MINE)
    data["supply"][0] |= {"resource": "TCPIP0::192.0.2.7::5025::SOCKET", "profile": "benchd-sim", **keys}
    return settings.from_dict(data, "mine")


def test_where_the_settings_say_otherwise() -> None:
    assert warnings(found(), None) == []
    assert warnings(found(), with_supply(serial="sim00042")) == []
    assert warnings(found(), with_supply(profile="rigol-dp800")) == [
        "supply old in the settings has profile rigol-dp800, which is not for it: refused"
    ]
    (other,) = warnings(found(), with_supply(serial="SIM00041"))
    assert "another unit: the settings name serial number SIM00041" in other
    (moved,) = warnings(found("ASRL/dev/ttyX1::INSTR"), with_supply(serial="SIM00042"))
    assert moved == "the settings have this unit as supply old at TCPIP0::192.0.2.7::5025::SOCKET"
    (broken,) = warnings(found(), with_supply(profile="/no/such.toml"))
    assert "/no/such.toml" in broken


def test_what_is_announced_is_called_so() -> None:
    announced = Announced("EX-1", "Example", "EX-1", "77", "1.0", ("_scpi-raw._tcp",), ("192.0.2.7",))
    item = Found(Place("TCPIP0::192.0.2.7::5025::SOCKET", "lan", announced=announced), text="not asked")
    assert "announced (not checked): Example, EX-1, 77, 1.0; _scpi-raw._tcp" in lines(item, [])
    assert record(item, [])["announced"]["serial"] == "77"
    assert record(item, [])["identity"] == ""


def test_a_serial_number_that_tells_nothing_apart_is_said() -> None:
    assert "tells no two units apart" in lines(found(identity="benchd,SIM-2,0,1"), [])
    assert "tells no two units apart" not in lines(found(), [])
    shown = record(found(), [])
    assert (shown["trust"], shown["serial"]) == ("simulated", "SIM00042")
    assert "outputs 1, 2: 0 to 32 V, 0 to 6 A, reads 1 mV and 100 µA" in shown["abilities"]


@pytest.mark.parametrize("serial", ["0", "000", "n/a", "a\tb"])
def test_settings_refuse_a_serial_number_that_tells_nothing_apart(serial: str) -> None:
    with pytest.raises(settings.SettingsError, match="one that tells two units apart"):
        with_supply(serial=serial)


HMP4040 = "ROHDE&SCHWARZ,HMP4040,012345,HW50020001/SW2.51"
"""Reply form: the maker's manual of the HMP series, *IDN? (from memory)."""


def slow_bench(mine: Path, resource: str, stale_ms: float) -> tuple[settings.Settings, str]:
    mine.write_text(MINE.replace("limit_a = 1.5", f"limit_a = 1.5\nstale_ms = {stale_ms}"))
    write_supplies(mine, [found(resource, HMP4040)])
    text = mine.read_text()
    return settings.load(mine), text


def test_a_slow_supply_is_written_with_as_many_outputs_as_the_plans_have_patience_for(mine: Path) -> None:
    """A question rests 400 ms, so an output takes 0.8 s and four take 3.2 s (the profile's own figures)."""
    kept, text = slow_bench(mine, "TCPIP0::192.0.2.7::5025::SOCKET", 2000.0)
    assert [(c.number, c.plan) for c in kept.supply[1].channel] == [(1, "phone"), (2, "phone")]
    assert "reading its 4 outputs takes 3200 ms" in text
    assert [plan.name for plan in kept.plan] == ["phone", "laptop"]
    assert unfit(kept) == []


def test_where_no_plan_has_patience_for_one_output_a_slower_plan_is_added_behind(mine: Path) -> None:
    """On a serial port each question rests 400 ms twice: 1.6 s for an output."""
    kept, text = slow_bench(mine, "ASRL/dev/ttyUSB0::INSTR", 1000.0)
    assert text.startswith(MINE[: MINE.index("[[plan]]")])
    assert [plan.name for plan in kept.plan] == ["phone", "laptop", "phone-slow"]
    slow = kept.plan[2]
    assert (slow.voltage_v, slow.limit_a, slow.stale_ms) == (4.2, 1.5, 2500.0)
    assert [(c.number, c.plan) for c in kept.supply[1].channel] == [(1, "phone-slow")]
    assert "so plan phone-slow is for it" in text
    assert unfit(kept) == []


def test_a_new_file_takes_a_slow_family(tmp_path: Path) -> None:
    """Whatever is found, the file that is written is in order; nobody is left with a refusal and no file to edit."""
    for number, (resource, slower) in enumerate(
        [("ASRL/dev/ttyUSB0::INSTR", ["phone-cell-slow"]), ("TCPIP0::192.0.2.7::5025::SOCKET", [])]
    ):
        file = tmp_path / f"{number}.toml"
        assert len(write_supplies(file, [found(resource, HMP4040)])[0]) == 1
        kept = settings.load(file)
        assert unfit(kept) == []
        assert [plan.name for plan in kept.plan] == slower
        stages = {plan.probe for plan in kept.plan} | {shipped()["phone-cell"].plan.probe}
        assert len(stages) == 1


def test_the_patience_that_a_plan_has_by_default_is_that_of_the_settings() -> None:
    assert settings.Plan.model_fields["stale_ms"].default == STALE_MS


def test_a_profile_given_by_its_file_is_written_as_that_file(mine: Path, tmp_path: Path) -> None:
    own = tmp_path / "generic-scpi-apart.toml"
    own.write_text((Path(__file__).parents[2] / "drivers/generic-scpi-apart.toml").read_text())
    write_supplies(mine, [found(identity="EXAMPLE,X,1,1")], ["TCPIP0::192.0.2.7::5025::SOCKET"], profile=str(own))
    assert settings.load(mine).supply[1].profile == str(own)
