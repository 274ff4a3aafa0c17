"""Program messages, out: joining commands, writing numbers, filling templates. No I/O."""

from __future__ import annotations

import math
import string
from collections.abc import Iterable

PLACEHOLDERS = frozenset({"channel", "name", "value"})
"""What a command template may hold, in braces."""


def join(commands: Iterable[str]) -> str:
    """One message of several commands.

    Every command after the first gets a leading colon, so its header starts at the root whatever came before
    (SCPI-1999 vol. 1 §6.2.4). Common commands (`*...`) neither use nor change the path and take none.
    """
    units = [command.strip() for command in commands]
    return ";".join(units[:1] + [unit if unit.startswith(("*", ":")) else ":" + unit for unit in units[1:]])


def decimal(value: float, decimals: int) -> str:
    """A number as fixed point (NR2; NR1 without decimals), never with an exponent, never as `-0`.

    Raises ValueError for a number that is not finite: no instrument shall be asked for `nan` volts.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number that an instrument can be set to")
    text = f"{value:.{decimals}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def placeholders(template: str) -> set[str]:
    """The names in braces. Raises ValueError for a template that cannot be filled."""
    names = set()
    for _, name, spec, conversion in string.Formatter().parse(template):
        if name is None:
            continue
        if name not in PLACEHOLDERS or spec or conversion:
            raise ValueError(f"{template!r} has a placeholder other than {{channel}}, {{name}} and {{value}}")
        names.add(name)
    return names


def fill(template: str, *, channel: int | None = None, name: str | None = None, value: str | None = None) -> str:
    """The command that a template stands for. Raises ValueError when a placeholder has nothing to go in."""
    given = {"channel": channel, "name": name, "value": value}
    missing = [key for key in sorted(placeholders(template)) if given[key] is None]
    if missing:
        raise ValueError(f"{template!r} needs {', '.join(missing)}")
    return template.format(**given)
