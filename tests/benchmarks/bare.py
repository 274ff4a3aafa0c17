"""The plainest loops that do the same job with pyvisa alone: what the guard is compared with.

`rate RESOURCE... SECONDS`: one thread per resource asks for voltage and current as fast as it can; prints readings/s.
`trip RESOURCE`: reads, and sends OUTP OFF at the first short; then switches on again for each line on stdin.
"""

from __future__ import annotations

import sys
import threading
import time

import pyvisa

READ = "MEAS:VOLT?;:MEAS:CURR?"


def opened(manager: pyvisa.ResourceManager, resource: str) -> pyvisa.resources.MessageBasedResource:
    """A link as pyvisa makes it, LF both ways."""
    return manager.open_resource(resource, read_termination="\n", write_termination="\n")  # type: ignore[return-value]


def rate(resources: list[str], seconds: float) -> float:
    """Readings per second of all resources together."""
    manager = pyvisa.ResourceManager("@py")
    links = [opened(manager, r) for r in resources]
    counts = [0] * len(links)
    start = time.perf_counter()

    def loop(number: int) -> None:
        link, count, until = links[number], 0, start + seconds
        while time.perf_counter() < until:
            volts, amps = link.query(READ).split(";")
            float(volts), float(amps)
            count += 1
        counts[number] = count

    threads = [threading.Thread(target=loop, args=(n,)) for n in range(len(links))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (time.perf_counter() - start)


def trip(resource: str) -> None:
    """Cut shorts until stdin ends."""
    link = opened(pyvisa.ResourceManager("@py"), resource)
    link.write("VOLT 4")
    link.write("CURR 2")
    for _ in sys.stdin:
        link.write("OUTP ON")
        print("on", flush=True)
        while True:
            volts, amps = link.query(READ).split(";")
            if float(amps) >= 2.0 and float(volts) < 2.0:
                link.write("OUTP OFF")
                break
            time.sleep(0.002)


if __name__ == "__main__":
    if sys.argv[1] == "rate":
        print(rate(sys.argv[2:-1], float(sys.argv[-1])))
    else:
        trip(sys.argv[2])
