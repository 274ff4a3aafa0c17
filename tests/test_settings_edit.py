"""What is wrong with a text of benchd.toml is told at its key and line, as the file itself would be refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd import toml_edit
from benchd.cli.config import example_text
from benchd.settings_edit import read_settings

FILE = """\
data_dir = "{folder}"
[[supply]]
name = "a"
resource = "TCPIP0::127.0.0.1::5025::SOCKET"
profile = "generic-scpi"

[[supply.channel]]
number = 2
max_voltage_v = 5.0
max_limit_a = 3.0
plan = "phone-cell"
"""


def read(text: str, folder: Path) -> list[tuple[str, int | None, str]]:
    found = read_settings(text.replace("{folder}", str(folder)), folder / "benchd.toml")
    assert (found.settings is None) == bool(found.faults)
    return [(each.key, each.line, each.text) for each in found.faults]


def test_the_example_is_in_order(tmp_path: Path) -> None:
    text = example_text().replace('# data_dir = ""', f'data_dir = "{tmp_path}"')
    assert read(text, tmp_path) == []
    with_copies = text.replace('# backup_dir = ""', 'backup_dir = "/no/such/disk"')
    assert [w[:30] for w in read_settings(with_copies, tmp_path / "x").warnings] == ["log.backup_dir = '/no/such/dis"]


@pytest.mark.parametrize(
    ("old", "new", "key", "line", "words"),
    [
        ("5.0\n", '"5"\n', "supply[0].channel[0].max_voltage_v", 9, "allowed: a number (unit: V)"),
        ("max_limit_a = 3.0\n", "", "supply[0].channel[0].max_limit_a", 7, "missing"),
        ("phone-cell", "no-such", "supply[0].channel[0].plan", 11, "plan 'no-such' is not there"),
        ("5.0\n", "3.0\n", "supply[0].channel[0].max_voltage_v", 9, "the channel's max_voltage_v is 3.0 V"),
        ("generic-scpi", "no-such", "supply[0].profile", 5, "no-such"),
        ("max_limit_a = 3.0", "max_limit_a = 999.0", "supply[0].channel[0].max_limit_a", 10, "or less"),
        ('[[supply]]\n', '[mqtt]\nhost = "b"\nuser = "c"\npassword_file = "/no/such"\n[[supply]]\n',
         "mqtt.password_file", 5, "cannot be read"),
        ('name = "a"', "name = a", "", 3, "not valid TOML"),
        ('name = "a"', 'naem = "a"', "supply[0].naem", 3, "unknown key"),
    ],
)  # fmt: skip
def test_a_fault_has_its_key_and_line(tmp_path: Path, old: str, new: str, key: str, line: int, words: str) -> None:
    assert old in FILE
    found = read(FILE.replace(old, new, 1), tmp_path)
    assert (key, line) in [(k, n) for k, n, _ in found], found
    assert any(words in text for _, _, text in found), found


def test_a_text_with_many_faults_is_taken_apart_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    taken = []
    apart = toml_edit.pieces
    monkeypatch.setattr(toml_edit, "pieces", lambda text: taken.append(text) or apart(text))
    read = read_settings("".join(f"k{n} = 1\n" for n in range(300)), tmp_path / "benchd.toml")
    assert [fault.line for fault in read.faults if fault.key == "k299"] == [300]
    assert len(taken) == 1
