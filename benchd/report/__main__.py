"""`python -m benchd.report`: a process that makes one report. The order comes as JSON on its standard input, the report
goes to its standard output; a fault goes to standard error as JSON, with exit status 3.

A process of its own: setting a PDF looks through the machine's fonts and holds the interpreter meanwhile, and a daemon
that is held for half a second is one whose guard switches off.
"""

from __future__ import annotations

import os
import sys

import msgspec

from benchd.report.gather import NoJob
from benchd.report.make import made
from benchd.report.order import Failed, Order
from benchd.report.pdf import PdfError
from benchd.report.texts import TextsError
from benchd.store.errors import LogError

NICE = 5
"""Whatever the bench does goes first."""
FAULT_STATUS = 3
_FAULTS: tuple[tuple[type[Exception], str], ...] = (
    (NoJob, "not-found"),
    (TextsError, "out-of-range"),
    (LogError, "log-down"),
    (PdfError, "report-failed"),
)


def main() -> int:
    """Make it."""
    os.nice(NICE)
    order = msgspec.json.decode(sys.stdin.buffer.read(), type=Order)
    try:
        content = made(order)
    except tuple(kind for kind, _ in _FAULTS) as e:
        code = next(code for kind, code in _FAULTS if isinstance(e, kind))
        sys.stderr.buffer.write(msgspec.json.encode(Failed(code, str(e))))
        return FAULT_STATUS
    sys.stdout.buffer.write(content)
    return 0


if __name__ == "__main__":
    sys.exit(main())
