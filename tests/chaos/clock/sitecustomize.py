"""Found by Python when this folder is on PYTHONPATH: its wall clock then goes wrong by what stands in a file.

Only the functions of `time` are replaced, in this process; the monotonic clock stays what it is, as it does when
somebody sets the time of a computer. To really set it would be felt by everything else on the machine.
"""

import mmap
import os
import struct
import time

_OFFSET_NS = struct.Struct("<q")


def _replace(path: str) -> None:
    with open(path, "r+b") as file:
        offset = mmap.mmap(file.fileno(), _OFFSET_NS.size)
    real_ns, real_clock_ns = time.time_ns, time.clock_gettime_ns

    def time_ns() -> int:
        return real_ns() + int(_OFFSET_NS.unpack_from(offset)[0])

    def clock_gettime_ns(clock: int) -> int:
        return time_ns() if clock == time.CLOCK_REALTIME else real_clock_ns(clock)

    time.time_ns, time.clock_gettime_ns = time_ns, clock_gettime_ns
    time.time = lambda: time_ns() / 1e9
    time.clock_gettime = lambda clock: clock_gettime_ns(clock) / 1e9


if "WRONG_CLOCK" in os.environ:
    _replace(os.environ["WRONG_CLOCK"])
