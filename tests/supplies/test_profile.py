"""Profiles: the shipped ones, and what is told about broken ones, word for word."""

import copy
import math
import re
import subprocess
import sys
import tomllib

import msgspec
import pytest

from benchd.share import share_path
from benchd.supplies.profile import ProfileError, load_profile, parse_profile, profile_names

COMMAND_KEYS = {
    *("set_voltage", "get_voltage", "set_limit", "get_limit", "output_on", "output_off", "output_state", "query"),
    *("set_level", "get_level", "enable", "disable", "enabled", "tripped", "clear", "set_delay", "get_delay"),
    *("select_command", "selected", "armed", "connect", "close", "start", "stop"),
}


def shipped(name="benchd-sim"):
    return tomllib.loads((share_path("drivers") / f"{name}.toml").read_text())


def test_every_shipped_profile_loads_under_its_own_name():
    assert {"generic-scpi", "generic-scpi-multi", "benchd-sim"} <= set(profile_names())
    for name in profile_names():
        assert load_profile(name).name == name


def test_a_profile_by_path(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text((share_path("drivers") / "generic-scpi.toml").read_text())
    assert load_profile(path) == load_profile(str(path)) == load_profile("generic-scpi")


def test_generic_profiles_keep_to_the_dc_supply_class():
    """OUTPut[:STATe], VOLTage, CURRent and MEASure of SCPI-1999 vol. 4, power supplies; no reset on connecting."""
    for name in ("generic-scpi", "generic-scpi-multi"):
        profile = load_profile(name)
        commands = msgspec.structs.asdict(profile.commands)
        assert set(commands.values()) == {
            "VOLT {value}", "VOLT?", "CURR {value}", "CURR?", "OUTP ON", "OUTP OFF", "OUTP?"
        }  # fmt: skip
        assert profile.link.connect == ()
        assert profile.over_voltage is None
        assert profile.errors.probe


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            lambda d: d.update(format=1),
            "x.toml: key format: given 1, allowed 2; it is of an older form: drivers/README.md",
        ),
        (lambda d: d.pop("format"), "x.toml: key format: given None, allowed 2"),
        (
            lambda d: d.update(trust="yes"),
            "x.toml: key trust: given 'yes', allowed: 'unverified', 'documented', 'simulated', 'recorded', 'used'",
        ),
        (lambda d: d.pop("commands"), "x.toml: key commands: given nothing, required"),
        (lambda d: d.update(colour="red"), "x.toml: key colour: unknown, given 'red', allowed keys: format, name"),
        (
            lambda d: d["mode"].update(x=1),
            "x.toml: table [mode], key x: unknown, given 1, allowed keys: source, query, every",
        ),
        (
            lambda d: d["link"]["serial"].update(baud=9600),
            "x.toml: table [link.serial], key baud: unknown, given 9600, allowed keys: baud_rate, baud_rates",
        ),
        (
            lambda d: d["outputs"][0].pop("max_limit_a"),
            "x.toml: table [outputs], key max_limit_a: given nothing, required",
        ),
        (
            lambda d: d["outputs"][0].update(max_limit_a="3"),
            "x.toml: table [outputs], key max_limit_a: given '3', allowed: a number, not a text",
        ),
        (
            lambda d: d["outputs"][0].update(numbers=1),
            "x.toml: table [outputs], key numbers: given 1, allowed: a list, not a whole number",
        ),
        (
            lambda d: d["mode"].update(cc={"mask": "0x40"}),
            "x.toml: table [mode.cc], key mask: given '0x40', allowed: a whole number or a list, not a text",
        ),
        (
            lambda d: d["commands"].update(get_limit={"send": "J?", "pattern": "J=(?P<amps>.*)A"}),
            "x.toml: table [commands], key get_limit.pattern: given 'J=(?P<amps>.*)A', allowed an expression with "
            "(?P<value>…), or fields beside it that name its groups",
        ),
        (
            lambda d: d["read"].update(
                query={"send": "M?", "pattern": "M=(?P<voltage>.*)", "fields": ["voltage", "-", "current"]}
            ),
            "x.toml: table [read], key query.pattern: given 'M=(?P<voltage>.*)', allowed an expression with "
            "(?P<voltage>…), (?P<current>…)",
        ),
        (
            lambda d: d["read"]["query"].update(fields=["voltage", "amps"]),
            "x.toml: table [read.query], key fields: given 'amps', allowed: 'voltage', 'current', 'power', 'mode'",
        ),
        (
            lambda d: d["commands"].update(output_on="OUTP {on}"),
            "x.toml: table [commands], key output_on: given 'OUTP {on}', allowed no placeholders but",
        ),
        (
            lambda d: d["commands"].update(set_voltage="VOLT 4"),
            "x.toml: table [commands], key set_voltage: given ('VOLT 4',), allowed {value} in one of the messages",
        ),
        (
            lambda d: d["commands"].update(output_off="OUTP OFF\n"),
            "x.toml: table [commands], key output_off: given 'OUTP OFF\\n', allowed one line of printable ASCII",
        ),
        (
            lambda d: d["commands"].update(output_off=" "),
            "x.toml: table [commands], key output_off: given ' ', allowed one line of printable ASCII",
        ),
        (
            lambda d: d["link"].update(connect=["INST {channel}"]),
            "x.toml: table [link], key connect[0]: given 'INST {channel}', allowed no {channel}",
        ),
        (
            lambda d: d["channels"].update(select_command="INST 1"),
            "x.toml: table [channels], key select_command: given 'INST 1', allowed a command with {channel} or",
        ),
        (
            lambda d: d["channels"].update(select="none"),
            "x.toml: table [channels], key select_command: given 'INST:NSEL {channel}', allowed nothing where",
        ),
        (
            lambda d: d["identity"].update(maker="(("),
            "x.toml: table [identity], key maker: given '((', allowed a regular expression",
        ),
        (
            lambda d: d["link"].update(tcp_port=0),
            "x.toml: table [link], key tcp_port: given 0, allowed: 1 to 65535",
        ),
        (
            lambda d: d["link"].update(gap_ms=math.nan),
            "x.toml: table [link], key gap_ms: given nan, allowed: 0 to 2000 ms",
        ),
        (
            lambda d: d["link"]["serial"].update(baud_rate=1),
            "x.toml: table [link.serial], key baud_rate: given 1, allowed: 50 to 4e+06 baud",
        ),
        (
            lambda d: d["read"].update(refresh_ms=-1.0),
            "x.toml: table [read], key refresh_ms: given -1.0, allowed: 0 to 2000 ms",
        ),
        (
            lambda d: d["read"]["query"].update(separators=":"),
            "x.toml: table [read], key query.separators: given ':', allowed one or more of ; , and space; "
            "for others give pattern",
        ),
        (
            lambda d: d["read"]["query"].update(fields=["voltage", "status"]),
            "x.toml: table [read], key query.fields: given ['voltage', 'status'], allowed current exactly once",
        ),
        (
            lambda d: d["read"]["query"].update(fields=["voltage", "current"]),
            "x.toml: table [mode], key query: given None, allowed a question, or the field status in [read]",
        ),
        (
            lambda d: d["mode"].update(cv={"mask": 1}),
            "x.toml: table [mode], keys cc and cv: given (Bits(mask=1, value=None), Bits(mask=1,",
        ),
        (
            lambda d: d.update(words={"on": ["1"], "off": ["1"]}),
            "x.toml: table [words], keys on and off: given (('1',), ('1',)), allowed at least one word each",
        ),
        (
            lambda d: d["outputs"][0].update(numbers=[1, 1]),
            "x.toml: table [[outputs]], key numbers: given [1, 1], allowed 1 to 31, each once, at least one",
        ),
        (
            lambda d: d["outputs"][0].update(max_voltage_v=math.nan),
            "x.toml: table [outputs], key max_voltage_v: given nan, allowed a finite number",
        ),
        (
            lambda d: d["outputs"][0].update(set_resolution_v=0),
            "x.toml: table [[outputs]] of 1, 2, key set_resolution_v: given 0.0, allowed above 0, at most 1",
        ),
        (
            lambda d: d["outputs"][0].update(accuracy_offset_a=-1),
            "x.toml: table [[outputs]] of 1, 2, key accuracy_offset_a: given -1.0, allowed 0 to 1",
        ),
        (
            lambda d: d["outputs"][0].update(voltage_decimals=12),
            "x.toml: table [outputs], key voltage_decimals: given 12, allowed: 0 to 9",
        ),
    ],
)
def test_what_is_told_about_a_broken_profile(change, told):
    data = copy.deepcopy(shipped())
    change(data)
    with pytest.raises(ProfileError) as caught:
        parse_profile(data, "x.toml")
    assert str(caught.value).startswith(told)


def test_a_profile_that_is_not_there_or_no_toml(tmp_path):
    with pytest.raises(ProfileError, match=r"no profile 'nonsuch' .*shipped: .*benchd-sim, .*generic-scpi"):
        load_profile("nonsuch")
    for text in (b"format = ", b"\xff\xfe"):
        path = tmp_path / f"{len(text)}.toml"
        path.write_bytes(text)
        with pytest.raises(ProfileError, match="cannot be read as TOML"):
            load_profile(path)
    with pytest.raises(ProfileError, match="cannot be read"):
        load_profile(f"{tmp_path}/")


@pytest.mark.parametrize(
    ("identity", "fits"),
    [
        ("benchd,SIM-2,SIM00001,0.1.0", True),
        ("BENCHD , sim-2 , 0, 0", True),
        ("benchd,SIM-22,0,0", False),
        ("other,SIM-2,0,0", False),
        ("benchd", False),
        ("", False),
    ],
)
def test_identities(identity, fits):
    assert load_profile("benchd-sim").identity_fits(identity) is fits


def test_tolerances():
    output = load_profile("benchd-sim").output(1)
    assert output.voltage_tolerance_v(4.0) == pytest.approx(0.0005 * 4 + 0.005 + 0.001 + 0.001)
    assert output.current_tolerance_a(1.0) == pytest.approx(0.001 * 1 + 0.002 + 0.001 + 0.0001)
    assert output.no_current_a == pytest.approx(0.002 + 2 * 0.0001)


def test_shared_files_are_found():
    assert (share_path("drivers") / "README.md").is_file()


def test_many_threads_may_load_profiles_at_once() -> None:
    """In a fresh process, as the guard does with one thread per supply; without a lock the process crashed."""
    program = (
        "import sys, threading\n"
        "sys.setswitchinterval(1e-6)\n"
        "from benchd.supplies.profile import load_profile, profile_names\n"
        "names = profile_names()\n"
        "threads = [threading.Thread(target=load_profile, args=(names[n % len(names)],)) for n in range(16)]\n"
        "[t.start() for t in threads]; [t.join() for t in threads]\n"
    )
    for _ in range(5):
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=30)
        assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", profile_names())
def test_every_command_has_its_source_beside_it(name):
    """At the end of its line, in a comment right above it, or somewhere in a list over several lines."""
    keys = "|".join(sorted(COMMAND_KEYS))
    text = (share_path("drivers") / f"{name}.toml").read_text()
    entries = re.findall(rf"^(?:# .*\n)?(?:{keys}) = (?:[\[{{]\n(?:.*\n)*?[\]}}].*|.*)$", text, re.MULTILINE)
    assert len(entries) >= 8
    assert [entry for entry in entries if not re.search(r"^# |  # \S", entry)] == []
