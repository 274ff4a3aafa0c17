"""Measurements, run by hand: `python -m tests.benchmarks NAME --json`. Never asserted in the test suite."""
