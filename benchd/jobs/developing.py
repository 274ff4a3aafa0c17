"""`python -m benchd.jobs.developing`: a process that makes one photo. A camera's file comes on its standard input, the
photo goes to its standard output; why there is none goes to standard error, with exit status 3.

A process of its own: decoding holds the interpreter for too long for the daemon, and a file that asks for more memory
or time than any photo needs ends this process alone.
"""

from __future__ import annotations

import contextlib
import os
import resource
import sys
from pathlib import Path

import msgspec

from benchd.jobs.photo import Developed, PhotoError, develop

NICE = 5
"""Whatever the bench does goes first."""
MOST_MEMORY_BYTES = 1 << 30
"""Of address space. A photo of the largest size that is allowed takes half of it."""
MOST_CPU_S = 60
"""Some thirty times what a phone's photo takes on a small computer."""
FAULT_STATUS = 3


def read(status: int, made: bytes, told: bytes) -> Developed:
    """What this process has made, by how it ended. Raises PhotoError."""
    if status == 0:
        return msgspec.msgpack.decode(made, type=Developed)
    if status == FAULT_STATUS:
        raise PhotoError(told.decode("utf-8", "replace"))
    raise PhotoError(
        f"no photo could be made of this file (the process that reads it ended with status {status}): take the photo "
        "again, or save it as JPEG and smaller"
    )


def main() -> int:
    """Make it."""
    os.nice(NICE)
    with contextlib.suppress(OSError, ValueError):  # where less is allowed already
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_CPU_S, MOST_CPU_S))
    with contextlib.suppress(OSError):  # proc(5): where memory runs short, this process goes first, and not the daemon
        Path("/proc/self/oom_score_adj").write_text("1000")
    try:
        made = develop(sys.stdin.buffer.read())
    except PhotoError as e:
        sys.stderr.buffer.write(str(e).encode("utf-8", "replace"))
        return FAULT_STATUS
    sys.stdout.buffer.write(msgspec.msgpack.encode(made))
    return 0


if __name__ == "__main__":
    sys.exit(main())
