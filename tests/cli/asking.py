"""`benchd` as a user types it: in this process, which is quick, or in one of its own, as a shell starts it."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from benchd.cli.main import app


def benchd(*words: str | Path, status: int = 0, folder: Path | None = None) -> str:
    """What the command prints in this process; both outputs when it is to fail. `folder`: where it is typed."""
    with contextlib.chdir(folder or Path.cwd()):
        done = CliRunner().invoke(app, list(map(str, words)), catch_exceptions=False)
    return _printed(done.exit_code, done.stdout, done.stderr, status)


def started(*words: str | Path, status: int = 0) -> str:
    """The same of a process of its own: 1 s of a processor's time each, most of it for imports."""
    done = subprocess.run(
        [sys.executable, "-m", "benchd", *map(str, words)], capture_output=True, text=True, timeout=60
    )
    return _printed(done.returncode, done.stdout, done.stderr, status)


def _printed(ended: int, out: str, error: str, status: int) -> str:
    assert ended == status, (out, error)
    assert "Traceback" not in error
    return out if status == 0 else out + error


def lines(text: str) -> list[dict[str, Any]]:
    """JSON, one object a line."""
    return [json.loads(line) for line in text.splitlines()]
