"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from pathlib import Path


class SupplyHeld(Exception):  # noqa: N818
    """Another process holds this supply; says its pid, name and since when."""


class SupplyLock:
    """Held from construction until `release()` or the end of the process."""

    def __init__(self, lock_dir: str | Path, resource: str, owner_text: str) -> None:
        raise NotImplementedError

    def release(self) -> None:
        raise NotImplementedError
