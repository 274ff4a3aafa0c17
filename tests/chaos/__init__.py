"""Random faults with the output on: `python -m tests.chaos`. After each, the simulated supply's own truth must be off
within the promised time, or the daemon must say `unknown` and why. It must never say `off` while the output is on.

A part of it runs with the tests (`tests/end_to_end/test_chaos.py`).
"""
