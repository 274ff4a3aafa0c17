"""`python -m benchd.guard --fd N`: started by the daemon with one end of a socket pair."""

from __future__ import annotations

import argparse
import sys

# PyVISA imports numpy when it is installed, for arrays that nobody asks for here: 15 MB and a slower start, on the
# way back from a crash. An entry of None makes the import fail, as if numpy were not there.
sys.modules["numpy"] = None  # type: ignore[assignment]

# PyVISA-py likewise imports zeroconf: 9 MB. The guard needs it only to look for a supply that has moved, and then
# imports it itself.
sys.modules["zeroconf"] = None  # type: ignore[assignment]
import pyvisa_py  # noqa: E402, F401

del sys.modules["zeroconf"]


def main() -> int:
    """Parse the arguments and run the guard."""
    parser = argparse.ArgumentParser(prog="python -m benchd.guard", description="The guard process of benchd.")
    parser.add_argument("--fd", type=int, required=True, help="inherited descriptor of the socket to the daemon")
    arguments = parser.parse_args()
    from benchd.guard.process import run_guard  # after numpy was shut out

    return run_guard(arguments.fd)


if __name__ == "__main__":
    sys.exit(main())
