"""Files that are replaced whole: who may read the new one while it is written, and afterwards."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.whole_file import replacing


def mode(path: Path) -> int:
    return path.stat().st_mode & 0o777


@pytest.mark.parametrize("old", [0o600, 0o640, 0o644])
def test_what_comes_after_a_file_is_seen_by_nobody_else_until_it_has_that_file_s_mode(tmp_path: Path, old: int) -> None:
    target = tmp_path / "benchd.toml"
    target.write_text("token = 1")
    target.chmod(old)
    with replacing(target) as file:
        file.write(b"token = 2")
        (being_written,) = (one for one in tmp_path.iterdir() if one != target)
        assert mode(being_written) == 0o600
    assert (target.read_text(), mode(target)) == ("token = 2", old)
    assert list(tmp_path.iterdir()) == [target]


def test_a_private_one_is_private_whatever_was_there(tmp_path: Path) -> None:
    target = tmp_path / "sessions.json"
    target.write_text("old")
    target.chmod(0o644)
    with replacing(target, private=True) as file:
        file.write(b"new")
    assert mode(target) == 0o600
