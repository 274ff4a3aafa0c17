"""Driver profiles: how one family of supplies speaks, as facts in a TOML file (see `drivers/README.md`).

A profile states facts; `supply.py` acts on them. A file that cannot be used is refused as a whole, with the
place, what was given and what is allowed.
"""

from __future__ import annotations

import functools
import threading
import tomllib
from pathlib import Path
from typing import Any

import msgspec

from benchd.share import share_path
from benchd.supplies.profile_checks import explained, faults
from benchd.supplies.profile_tables import LinkProfile, OutputRange, Profile, ProfileError, listed

__all__ = ["LinkProfile", "OutputRange", "Profile", "ProfileError", "load_profile", "parse_profile", "profile_names"]

_CONVERTING = threading.Lock()
"""msgspec 0.22 builds what it knows of a type at its first use, and crashes the process (SIGSEGV) when two threads do
that at once; the guard opens each supply in a thread of its own."""

FORMAT = 1
"""The version of the file format that this code reads."""


def profile_names() -> list[str]:
    """The names of the shipped profiles, sorted."""
    return sorted(path.stem for path in share_path("drivers").glob("*.toml"))


@functools.lru_cache(maxsize=64)
def load_profile(name_or_path: str | Path) -> Profile:
    """A shipped profile by its name, or any profile file by its path (with a `/`, or ending in `.toml`).

    Raises ProfileError. A profile is read once per process: an edited file counts from the next start.
    """
    text = str(name_or_path)
    path = Path(text) if "/" in text or text.endswith(".toml") else share_path("drivers") / f"{text}.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ProfileError(
            f"no profile {text!r} at {path}; shipped: {listed(profile_names())}, or give a file's path"
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise ProfileError(f"{path}: cannot be read as TOML: {error}") from error
    return parse_profile(data, str(path))


def parse_profile(data: dict[str, Any], file: str) -> Profile:
    """A checked profile of decoded TOML; `file` is named in errors. Raises ProfileError."""
    if data.get("format") != FORMAT:
        raise ProfileError(f"{file}: key format: given {data.get('format')!r}, allowed {FORMAT}")
    try:
        with _CONVERTING:
            profile = msgspec.convert(data, Profile)
    except msgspec.ValidationError as error:
        raise ProfileError(f"{file}: {explained(str(error), data, Profile)}") from error
    for place, given, allowed in faults(profile):
        raise ProfileError(f"{file}: {place}: given {given!r}, allowed {allowed}")
    return profile
