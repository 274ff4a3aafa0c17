"""A simulated supply with a simulated board on its leads, speaking SCPI over TCP or a pseudo terminal.

Shares no code with the driver, so that the two can disagree. Start it with `python -m benchd.sim`.
"""
