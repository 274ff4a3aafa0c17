"""Programmable supplies: profiles say how they speak, a link carries it, `supply.Supply` acts.

Begin with `supply.py`; `link.py` tells why a late reply is never taken for the next answer, `off.py` what it takes
to call an output off.
"""
