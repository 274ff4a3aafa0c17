from __future__ import annotations

from tests.daemon.conftest import bench, core, guard, log, writer

__all__ = ["bench", "core", "guard", "log", "writer"]
