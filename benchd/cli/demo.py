"""`benchd demo`: the whole path on the simulated supply, with an invented shop."""

from __future__ import annotations

import asyncio
import contextlib
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import out, words

if TYPE_CHECKING:
    from benchd.cli.scenario import SimulatedBench
    from benchd.daemon.bench import Bench


def demo(
    for_: Annotated[
        float | None, typer.Option("--for", min=0.1, max=86400, metavar="SECONDS", help="End after this many seconds.")
    ] = None,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")] = 0,
    data_dir: Annotated[
        Path | None, typer.Option(help="Keep the demo's log in this folder; without it nothing is kept.")
    ] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A simulated supply, the daemon and the page, playing five devices of an invented shop.

    Without --for the page stays until Ctrl-C. Example: benchd demo --for 45 --json
    """
    began = time.monotonic()
    from benchd.daemon.run import StartError

    with contextlib.ExitStack() as undo, out.errors(StartError):
        folder = data_dir or Path(undo.enter_context(tempfile.TemporaryDirectory(prefix="benchd-demo-")))
        asyncio.run(_demo(_Screen(json_, began, browser and not json_ and sys.stdout.isatty()), folder, port, for_))


class _Screen:
    """Prints each thing as it happens, and counts."""

    def __init__(self, as_json: bool, began: float, browser: bool) -> None:
        self._json = as_json
        self._began = began
        self._browser = browser
        self.counts = {"trace": 0, "trip": 0}

    def say(self, event: str, record: dict[str, Any], text: str) -> None:
        at_s = round(time.monotonic() - self._began, 3)
        out.emit({"event": event, "at_s": at_s, **record}, f"{at_s:7.2f} s  {text}", self._json)
        if event in self.counts:
            self.counts[event] += 1

    def ready(self, url: str, resource: str) -> None:
        from benchd.cli.scenario import SHOP

        self.say("ready", {"url": url, "resource": resource, "shop": SHOP}, f"{SHOP}: the bench is at {url}")
        if self._browser:
            import webbrowser

            webbrowser.open(url)

    async def follow(self, bench: Bench) -> None:
        """Print trips, traces and jobs as the bench tells of them."""
        async for message in bench.live():
            if message["type"] == "event" and (told := words.told(message["kind"], message["payload"])):
                self.say(message["kind"], *told)


async def _demo(screen: _Screen, folder: Path, port: int, for_s: float | None) -> None:
    from benchd.cli import scenario
    from benchd.daemon.run import Daemon
    from benchd.settings import from_dict

    async with scenario.simulated_bench() as sim:
        daemon = Daemon(from_dict(scenario.settings_dict(sim.resource, str(folder), port), "demo"))
        tasks: list[asyncio.Task[None]] = []

        def ready(url: str) -> None:
            assert daemon.bench is not None
            screen.ready(url, sim.resource)
            tasks.append(asyncio.create_task(screen.follow(daemon.bench)))
            tasks.append(asyncio.create_task(_play(screen, daemon.bench, sim)))

        running = asyncio.create_task(daemon.run(ready))
        await asyncio.wait({running}, timeout=for_s)
        daemon.stop()
        confirmed = await running
        await asyncio.sleep(0)  # the last events reach the screen
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    totals = {"traces": screen.counts["trace"], "trips": screen.counts["trip"], "outputs_off_confirmed": confirmed}
    state = "every output off, confirmed" if confirmed else "NOT every output confirmed off"
    screen.say("done", totals, f"done: traces {totals['traces']}, trips {totals['trips']}; {state}")


async def _play(screen: _Screen, bench: Bench, sim: SimulatedBench) -> None:
    from benchd.cli import scenario
    from benchd.web.port import Refused

    try:
        await _supply_there(bench)
        await scenario.perform(bench, sim)
        screen.say("played", {}, "the play is over; the page stays until the end (--for) or Ctrl-C")
    except Refused as e:
        screen.say("refused", {"text": e.message}, f"refused: {e.message}")


async def _supply_there(bench: Bench) -> None:
    async for _ in bench.live():
        if all(c.link_up and str(c.output) == "off" for c in bench.view().channels):
            return
