"""A disk that fails for one process and one file, when and how a test wants it: by a library loaded into it."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

SOURCE = Path(__file__).with_suffix(".c")
COMPILER = shutil.which("cc") or shutil.which("gcc")


class FailingDisk:
    """`environment` is for the process; `of`: a piece of the paths that fail."""

    def __init__(self, folder: Path, of: str) -> None:
        assert COMPILER is not None
        library = folder / "failing_disk.so"
        subprocess.run([COMPILER, "-shared", "-fPIC", "-O1", "-o", library, SOURCE, "-ldl"], check=True, timeout=60)
        self._when = folder / "fault"
        self.environment = {"LD_PRELOAD": str(library), "FAULT_FILE": str(self._when), "FAULT_OF": of}

    def fail(self, number: int) -> None:
        """From now on with this error number."""
        made = self._when.with_suffix(".new")
        made.write_text(str(number))
        os.replace(made, self._when)

    def heal(self) -> None:
        """From now on everything works."""
        self._when.unlink(missing_ok=True)
