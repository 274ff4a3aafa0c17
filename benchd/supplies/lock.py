"""One holder for each supply on this machine. The kernel frees the lock when the holder ends, however it ends."""

from __future__ import annotations

import contextlib
import datetime
import fcntl
import hashlib
import json
import os
import re
from pathlib import Path

from benchd.supplies.errors import SupplyHeld

__all__ = ["SupplyHeld", "SupplyLock"]


class SupplyLock:
    """Held from construction until `release()` or the end of the process.

    Two names of one supply (its address and its serial port) are two locks: the machine cannot know better.
    """

    def __init__(self, lock_dir: str | Path, resource: str, owner_text: str) -> None:
        """Raises SupplyHeld, naming the holder, or OSError where the folder cannot be written."""
        self.path = Path(lock_dir) / lock_name(resource)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _holder(os.pread(descriptor, 4096, 0))
            os.close(descriptor)
            # Not "end that process": a guard that is killed is only started again by its daemon.
            end = "end the benchd that it belongs to (Ctrl-C there, or stop its service), or use another supply"
            raise SupplyHeld(f"{resource} is held by {holder}; {end}") from None
        except BaseException:
            os.close(descriptor)
            raise
        since = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
        note = json.dumps({"pid": os.getpid(), "name": owner_text, "since": since, "resource": resource})
        os.ftruncate(descriptor, 0)
        os.pwrite(descriptor, note.encode(), 0)
        self._descriptor: int | None = descriptor

    def release(self) -> None:
        """Let go. The file stays: removing it would let two holders lock two files of one name."""
        if self._descriptor is not None:
            with contextlib.suppress(OSError):
                os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = None


def lock_name(resource: str) -> str:
    """A file name for a VISA resource name, the same for every spelling of it that is easily told."""
    name = re.sub(r"::INSTR$", "", resource.strip(), flags=re.IGNORECASE)
    port = re.match(r"ASRL(/.*)", name, re.IGNORECASE)
    # /dev/serial/by-id/... and /dev/ttyUSB0 are one port.
    same = "ASRL" + os.path.realpath(port[1]) if port else re.sub(r"^(TCPIP|USB|GPIB)::", r"\g<1>0::", name.upper())
    usb = re.match(r"(USB\d+)::(0X[0-9A-F]+|\d+)::(0X[0-9A-F]+|\d+)::([^:]+)(?:::0)?$", same)
    if usb:  # backends write the numbers in decimal or hexadecimal, with or without interface 0
        same = f"{usb[1]}::0X{int(usb[2], 0):04X}::0X{int(usb[3], 0):04X}::{usb[4]}"
    readable = re.sub(r"[^A-Za-z0-9.-]+", "_", same).strip("_")[:60]
    return f"{readable}-{hashlib.sha256(same.encode()).hexdigest()[:8]}.lock"


def _holder(note: bytes) -> str:
    try:
        fields = json.loads(note)
        return f"{fields['name']} (process {fields['pid']}) since {fields['since']}"
    except (ValueError, KeyError, TypeError):
        return "a process that has not said its name yet"
