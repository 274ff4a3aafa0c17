"""`benchd service`: a systemd unit for this installation and these settings (systemd.service(5), systemd 252)."""

from __future__ import annotations

import getpass
import math
import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.settings import Settings

WATCHDOG_S = 10
"""Silent for so long, the daemon is ended. Its guard has switched off long before: after half a second."""
START_S = 60
REST_S = 10.0
"""What the end takes besides switching off: traces are filed, followers say goodbye, an interpreter starts."""

UNIT = """\
# Made by `benchd service` for {config}; make it again when supplies are added. To install it:
#   benchd service --config {config} | sudo tee /etc/systemd/system/benchd.service
#   sudo systemctl daemon-reload && sudo systemctl enable --now benchd

[Unit]
Description=benchd, bench {bench}: supplies at safe limits
Wants=network-online.target
After=network-online.target
StartLimitIntervalSec=120
StartLimitBurst=5

[Service]
Type=notify
NotifyAccess=main
{user}
ExecStart={run}
# Whoever is left makes it safe: when daemon and guard are both gone, this opens the supplies itself.
ExecStopPost={make_safe}
# Ended when its event loop or its guard has not been well for so long.
WatchdogSec={watchdog}
Restart=on-failure
RestartSec=2
# Status 2: the settings are wrong, and will be so again.
RestartPreventExitStatus=2
TimeoutStartSec={start}
# The slowest of these supplies is proved off within this.
TimeoutStopSec={stop}
# The guard is told as well, and switches off at that. With `mixed` it would be killed at once, in the middle of
# switching off, whenever the daemon is gone before it.
KillMode=control-group
# The guard goes ahead of a busy machine: real-time class, lowest priority in it. Where that is not allowed: nice -10.
LimitRTPRIO=1
LimitNICE=-10
# Short of memory, the kernel is to take another process: this one holds outputs.
OOMScoreAdjust=-800
{hold}
[Install]
WantedBy=multi-user.target
"""
HOLD = """\
# Note: on_daemon_loss = "hold" ({names}) does not keep an output on when this service ends or fails: the service
# manager then ends the guard too.
"""


def service(
    config: Annotated[Path | None, out.CONFIG] = None,
    user: Annotated[str | None, typer.Option(help="Whom it runs as; without it, you.")] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Print a systemd unit for these settings. Example: benchd service --config benchd.toml > benchd.service"""
    path = out.config_path(config).absolute()
    settings = out.settings(path)
    try:
        text = unit_text(settings, path, user or getpass.getuser())
    except ValueError as e:
        out.fail(str(e))
    out.emit({"unit": text}, text.rstrip("\n"), json_)


def unit_text(settings: Settings, config: Path, user: str) -> str:
    """The unit. Raises ValueError for a path or name that cannot stand in one."""
    benchd = [sys.executable, "-m", "benchd"]
    held = ", ".join(s.name for s in settings.supply if s.on_daemon_loss == "hold")
    if not user.replace("-", "").replace("_", "").replace(".", "").isalnum():
        raise ValueError(f"user {user!r}: allowed is the name of a user of this machine")
    root = "# User=: give it a user of its own who may use the supplies' ports (group dialout for serial ones)."
    return UNIT.format(
        config=shlex.quote(_printable(str(config))),
        bench=settings.bench,
        user=root if user == "root" else f"User={user}",
        run=command(*benchd, "run", "--config", str(config)),
        make_safe=command(*benchd, "make-safe", "--config", str(config)),
        watchdog=WATCHDOG_S,
        start=START_S,
        stop=stop_s(settings),
        hold=HOLD.format(names=held) if held else "",
    )


def stop_s(settings: Settings) -> int:
    """How long the end may take, s: the daemon's own patience with its guard, by the slowest supply, and the rest."""
    from benchd.daemon.run import guarded
    from benchd.guard.client import STOP_WITHIN_S
    from benchd.guard.opening import longer_s

    return math.ceil(STOP_WITHIN_S + longer_s(*(guarded(s, settings) for s in settings.supply)) + REST_S)


def command(program: str, *arguments: str) -> str:
    """A command line of a unit: quoted, and nothing in it taken for a specifier or a variable (systemd.service(5))."""
    return " ".join([_quoted(program), *(_quoted(word).replace("$", "$$") for word in arguments)])


def _quoted(word: str) -> str:
    text = _printable(word).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    plain = word and all(c.isalnum() or c in "/._-:+@,=%" for c in word)
    return text if plain else f'"{text}"'


def _printable(word: str) -> str:
    if not word.isprintable():
        raise ValueError(f"{word!r}: a unit cannot name it; move it to a path without control characters")
    return os.fspath(word)
