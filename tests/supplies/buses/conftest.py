"""One instrument on each bus, with the same things that can be done to it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from tests.supplies.buses.hislip import HislipInstrument
from tests.supplies.buses.station import Station, Step
from tests.supplies.buses.usbtmc import UsbInstrument, plugged_in
from tests.supplies.buses.vxi11 import Vxi11Instrument

Answer = Callable[[str], list[Step]]


@contextlib.contextmanager
def on_vxi11(answer: Answer, **options: Any) -> Iterator[Any]:
    with Station(answer, **options) as station, Vxi11Instrument(station) as instrument:
        yield instrument


@contextlib.contextmanager
def on_hislip(answer: Answer, **options: Any) -> Iterator[Any]:
    with Station(answer, **options) as station, HislipInstrument(station) as instrument:
        yield instrument


@contextlib.contextmanager
def on_usb(answer: Answer, **options: Any) -> Iterator[Any]:
    with Station(answer, **options) as station:
        instrument = UsbInstrument(station)
        with plugged_in(instrument):
            yield instrument


@pytest.fixture(params=[on_vxi11, on_hislip, on_usb], ids=["vxi-11", "hislip", "usb-tmc"])
def bus(request):
    """`bus(answer)` gives an instrument: `resource`, `station`, `unplug()`, `plug()`."""
    return request.param
