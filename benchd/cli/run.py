"""`benchd run`: the daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from benchd.cli import out


def run(
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Run the daemon until SIGTERM or Ctrl-C; every output is switched off and confirmed at the end.

    Example: benchd run --config benchd.toml
    """
    import asyncio

    settings = out.settings(config)
    from benchd.daemon.run import Daemon, StartError

    async def main() -> bool:
        daemon = Daemon(settings)

        def ready(url: str) -> None:
            out.emit({"event": "ready", "url": url}, f"benchd: bench {settings.bench} at {url}", json_)

        return await daemon.run(ready)

    with out.errors(StartError):
        confirmed = asyncio.run(main())
    if not confirmed:
        out.fail("ended, but not every output could be confirmed off: check the supply by hand")
