"""Driver profiles: how one family of supplies speaks, as facts in a TOML file (see `drivers/README.md`).

A profile states facts; `supply.py` acts on them. A file that cannot be used is refused as a whole, with the
place, what was given and what is allowed.
"""

from __future__ import annotations

import functools
import re
import threading
import tomllib
from pathlib import Path
from typing import Any

import msgspec

from benchd.share import share_path
from benchd.supplies.profile_checks import VARIABLE, faults
from benchd.supplies.profile_shape import explained
from benchd.supplies.profile_tables import LinkProfile, Named, OutputRange, Profile, ProfileError, Variant, listed

__all__ = [
    "LinkProfile", "OutputRange", "Profile", "ProfileError", "fitted", "load_profile", "may_sense", "parse_profile",
    "profile_names", "profile_of_unit", "profile_schema",
]  # fmt: skip

_CONVERTING = threading.Lock()
"""msgspec 0.22 builds what it knows of a type at its first use, and crashes the process (SIGSEGV) when two threads do
that at once; the guard opens each supply in a thread of its own."""

FORMAT = 2
"""The version of the file format that this code reads."""
OLDER = "; it is of an older form: drivers/README.md tells what changed"


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
    given = data.get("format")
    if given != FORMAT or isinstance(given, bool):
        raise ProfileError(f"{file}: key format: given {given!r}, allowed {FORMAT}{OLDER if given == 1 else ''}")
    profile = _checked(data, file)
    for place, variant in enumerate(profile.variants):
        _fitted_to(profile, variant, f"{file}: table [[variants]] number {place + 1}")
    return profile


def fitted(profile: Profile, named: Named, options: str = "") -> Profile:
    """The profile as it is for one unit: the first variant whose conditions hold is worked in. Raises ProfileError."""
    for variant in profile.variants:
        if _holds(variant, named, options):
            return _fitted_to(profile, variant, profile.name)
    return profile


def profile_of_unit(name_or_path: str | Path, identity: str) -> Profile:
    """A profile as it is for the unit with this identification; its options are not known. Raises ProfileError."""
    profile = load_profile(name_or_path)
    named = profile.identity.named(identity)
    return profile if named is None else fitted(profile, named)


def may_sense(profile: Profile, channel: int) -> bool:
    """Whether sense leads of an output can be switched in from here, by some unit of the family: which one it is shows
    only when it answers."""
    units = (_fitted_to(profile, variant, profile.name) for variant in profile.variants)
    return profile.senses(channel) or any(unit.senses(channel) for unit in units if channel in unit.channel_numbers)


def profile_schema() -> dict[str, Any]:
    """The JSON Schema of a profile file, for editors."""
    with _CONVERTING:
        schema = msgspec.json.schema(Profile)
    return {"title": "benchd driver profile", "x-format": FORMAT, **schema}


def _checked(data: dict[str, Any], file: str) -> Profile:
    try:
        with _CONVERTING:
            profile = msgspec.convert(data, Profile)
    except msgspec.ValidationError as error:
        raise ProfileError(f"{file}: {explained(str(error), data, Profile)}") from error
    for place, given, allowed in faults(profile):
        raise ProfileError(f"{file}: {place}: given {given!r}, allowed {allowed}")
    return profile


def _holds(variant: Variant, named: Named, options: str) -> bool:
    conditions = ((variant.model, [named.model]), (variant.firmware, [named.firmware]))
    fitting = (not wanted or any(re.fullmatch(wanted, text, re.I) for text in texts) for wanted, texts in conditions)
    fitted_options = [option.strip() for option in options.split(",")]
    return all(fitting) and (
        not variant.option or any(re.fullmatch(variant.option, option, re.I) for option in fitted_options)
    )


def _fitted_to(profile: Profile, variant: Variant, place: str) -> Profile:
    base = msgspec.to_builtins(profile)
    del base["variants"]
    for key in variant.without:
        _remove(base, key, place)
    for table, change in variant.use.items():
        if table not in VARIABLE:
            raise ProfileError(f"{place}, key use.{table}: given {table!r}, allowed tables: {listed(sorted(VARIABLE))}")
        base[table] = _merged(base[table], change)
    return _checked(_without_none(base), place)


def _remove(base: dict[str, Any], key: str, place: str) -> None:
    table, _, rest = key.partition(".")
    holder, last = (base[table], rest) if rest and isinstance(base.get(table), dict) else (base, key)
    if table not in VARIABLE or last not in holder:
        raise ProfileError(f"{place}, key without: given {key!r}, allowed a key of {listed(sorted(VARIABLE))}")
    del holder[last]


def _merged(old: Any, new: Any) -> Any:
    if isinstance(old, dict) and isinstance(new, dict):
        return {**old, **{key: _merged(old.get(key), value) for key, value in new.items()}}
    return new


def _without_none(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _without_none(value) for key, value in data.items() if value is not None}
    return [_without_none(value) for value in data] if isinstance(data, list | tuple) else data
