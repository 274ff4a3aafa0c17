"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from pathlib import Path


class ProfileError(Exception):
    """A profile file cannot be used; names file, table, key, what was given and what is allowed."""


class LinkProfile:
    """Terminators, gaps, connect and close commands."""


class OutputRange:
    """What one output can do."""

    min_voltage_v: float
    max_voltage_v: float
    min_limit_a: float
    max_limit_a: float
    set_resolution_v: float
    set_resolution_a: float
    read_resolution_v: float
    read_resolution_a: float

    def voltage_tolerance_v(self, voltage_v: float) -> float:
        """Largest difference between a setting and its true reading, V."""
        raise NotImplementedError

    def current_tolerance_a(self, current_a: float) -> float:
        """Likewise, A."""
        raise NotImplementedError


class Profile:
    """A driver profile."""

    name: str
    link: LinkProfile

    def output(self, channel: int) -> OutputRange:
        raise NotImplementedError


def load_profile(name_or_path: str | Path) -> Profile:
    raise NotImplementedError


def profile_names() -> list[str]:
    raise NotImplementedError
