"""Brings what the page's code is checked with from npm, by lock file: `python -m tests.page.bring`."""

from __future__ import annotations

import importlib.util
import subprocess
from pathlib import Path

HERE = Path(__file__).parent
HOOK = HERE.parents[1] / "dashboards" / "build_hook.py"


def main() -> None:
    """Fill node_modules here. Raises RuntimeError when there is no npm, CalledProcessError when it fails."""
    spec = importlib.util.spec_from_file_location("build_hook", HOOK)
    assert spec is not None
    assert spec.loader is not None
    hook = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(hook)
    command, env = hook.npm_command()
    arguments = ["ci", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
    subprocess.run([*command, *arguments], cwd=HERE, env=env, check=True)


if __name__ == "__main__":
    main()
