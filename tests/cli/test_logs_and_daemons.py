"""The commands that use the log, when the log, the arguments, or a daemon that is no more are in the way."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.cli import daemon_link
from benchd.cli.daemon_link import ADDRESS, daemon_url
from benchd.store.log import Log
from tests.cli.asking import benchd, lines
from tests.cli.test_commands import stall_csv

READING = [("job", "list"), ("job", "show", "R-1"), ("trace", "list"), ("trace", "show", "T"), ("trace", "export", "T")]
WRITING = [("job", "new", "R-9"), ("job", "use", "R-9"), ("job", "note", "x", "--job", "R-9")]


@pytest.mark.parametrize("words", READING + WRITING)
def test_what_is_no_log_is_told_in_one_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    (tmp_path / "benchd.sqlite").write_text("not a database, but long enough to be looked at as one" * 20)
    said = benchd(*words, "--data-dir", tmp_path, status=1)
    assert str(tmp_path / "benchd.sqlite") in said
    assert len(said.strip().splitlines()) == 1


@pytest.mark.parametrize("words", READING + WRITING)
def test_a_data_dir_that_is_a_file_is_told_in_one_line(tmp_path: Path, words: tuple[str, ...]) -> None:
    file = tmp_path / "file"
    file.write_text("")
    said = benchd(*words, "--data-dir", file, status=1)
    assert str(file) in said
    assert len(said.strip().splitlines()) == 1


def test_a_damaged_log_is_told_in_one_line(tmp_path: Path) -> None:
    benchd("job", "new", "R-1", "--data-dir", tmp_path)
    with sqlite3.connect(tmp_path / "benchd.sqlite") as db:
        db.execute("DROP TABLE jobs")
    db.close()
    for words in (("job", "list"), ("job", "note", "x", "--job", "R-1")):
        said = benchd(*words, "--data-dir", tmp_path, status=1)
        assert "no such table" in said


def test_an_argument_that_is_no_text_is_refused(tmp_path: Path) -> None:
    benchd("job", "new", "R-1", "--data-dir", tmp_path)
    for words in (
        (b"job", b"show", b"\xff"),
        (b"job", b"note", b"\xff", b"--job", b"R-1"),
        (b"trace", b"read", b"\xff"),
    ):
        command = [sys.executable.encode(), b"-m", b"benchd", *words]
        if words[0] == b"job":
            command += [b"--data-dir", os.fsencode(tmp_path)]
        done = subprocess.run(command, capture_output=True, timeout=60)
        assert done.returncode == 1
        assert done.stderr.startswith(b"benchd: ")
        assert b"Traceback" not in done.stderr


def test_a_job_taken_in_and_put_on_the_bench_is_one_step(tmp_path: Path) -> None:
    """Refused means that nothing has changed."""
    benchd("job", "new", "R-1", "--use", "--data-dir", tmp_path)
    benchd("job", "new", "R-1", "--use", "--data-dir", tmp_path, status=1)
    with Log.open(tmp_path / "benchd.sqlite", read_only=True) as log:
        assert [e.kind for e in log.journal()] == ["job-created", "job-chosen"]


def test_an_import_is_filed_whole(tmp_path: Path) -> None:
    row = lines(benchd("trace", "import", stall_csv(tmp_path), "--data-dir", tmp_path, "--json"))[0]
    with Log.open(tmp_path / "benchd.sqlite", read_only=True) as log:
        found = log.whole_trace(row["trace"])
    assert found is not None
    assert len(found.samples) == 1100


def tell(folder: Path, port: int, pid: int) -> None:
    (folder / ADDRESS).write_text(json.dumps({"url": f"http://127.0.0.1:{port}/", "pid": pid}))


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as s:
        return int(s.getsockname()[1])


def test_the_address_of_a_killed_daemon_is_not_believed(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", ""]) as ended:
        ended.wait()
    with socket.create_server(("127.0.0.1", 0)) as other:
        tell(tmp_path, other.getsockname()[1], ended.pid)
        assert daemon_url(tmp_path) is None
        tell(tmp_path, other.getsockname()[1], os.getpid())
        assert daemon_url(tmp_path) == f"http://127.0.0.1:{other.getsockname()[1]}"
    tell(tmp_path, free_port(), os.getpid())  # its process id was given to another process
    assert daemon_url(tmp_path) is None
    benchd("job", "new", "R-1", "--data-dir", tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"url": 5, "pid": 1e400}', '{"url": "http://[", "pid": 1}', "\0"])
def test_an_address_file_of_any_content_is_survived(tmp_path: Path, text: str) -> None:
    (tmp_path / ADDRESS).write_text(text)
    assert daemon_url(tmp_path) is None


def test_a_program_that_is_no_daemon_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon_link, "ANSWER_S", 5.0)
    server = subprocess.Popen(
        [sys.executable, "-c", "import socket\ns = socket.create_server(('127.0.0.1', 0))\n"
         "print(s.getsockname()[1], flush=True)\nc = s.accept()[0]\nc.recv(9999)\nc.sendall(b'SSH-2.0-x\\r\\n')\n"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert server.stdout is not None
        with pytest.raises(daemon_link.DaemonSaid, match="does not answer"):
            daemon_link.call(f"http://127.0.0.1:{int(server.stdout.readline())}", "GET", "bench")
    finally:
        server.kill()
        server.communicate()
