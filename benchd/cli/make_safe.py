"""`benchd make-safe`: every output of the settings off, without daemon or guard."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.settings import Supply
    from benchd.supplies.makesafe import ChannelSafe


def make_safe(config: Annotated[Path | None, out.CONFIG] = None, json_: Annotated[bool, out.JSON] = False) -> None:
    """Switch every output off and confirm it by reading back. Exit status 0 only when all are confirmed off.

    For the moment when neither daemon nor guard is left. Example: benchd make-safe --config benchd.toml
    """
    from benchd.guard.priority import go_ahead

    go_ahead()  # whoever calls this may do so on a machine that is busy to death
    settings = out.settings(config)
    with ThreadPoolExecutor(len(settings.supply)) as pool:
        results = list(pool.map(_one, settings.supply))
    all_off = True
    for supply, channels in zip(settings.supply, results, strict=True):
        for c in channels:
            all_off = all_off and c.state == "off"
            record = {"supply": supply.name, "channel": c.channel, "output": str(c.state), "text": c.text}
            out.emit(record, f"{supply.name} channel {c.channel}: {c.state} ({c.text})", json_)
    if not all_off:
        out.fail("not every output is confirmed off: switch off at the supply itself")
    raise typer.Exit(0)


def _one(supply: Supply) -> list[ChannelSafe]:
    from benchd.reading import OutputState
    from benchd.supplies.makesafe import ChannelSafe, make_safe
    from benchd.supplies.profile import ProfileError, load_profile

    numbers = [c.number for c in supply.channel]
    try:
        profile = load_profile(supply.profile)
    except ProfileError as e:
        return [ChannelSafe(n, OutputState.UNKNOWN, str(e)) for n in numbers]
    return make_safe(
        supply.resource,
        profile,
        numbers,
        supply.timeout_ms / 1000,
        baud_rate=supply.baud_rate,
        library=supply.visa_library,
    )
