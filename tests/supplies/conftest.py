import pytest

from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply
from tests.simulated import SimulatedSupply
from tests.supplies.lines import LineInstrument


@pytest.fixture(scope="module")
def _simulated():
    with SimulatedSupply(pty=True) as supply:
        yield supply


@pytest.fixture
def sim(_simulated):
    """A simulated supply as after switching on, with free leads."""
    _simulated.fault("NONE")
    _simulated.command("*RST;*CLS")
    for channel in (1, 2):
        _simulated.board(channel, "none")
    _simulated.query("*OPC?")
    return _simulated


@pytest.fixture
def open_supply(sim):
    """Opens supplies on the simulated one, and closes them."""
    opened = []

    def opener(profile="benchd-sim", port=False, timeout_s=0.5):
        resource = f"ASRL{sim.pty}::INSTR" if port else sim.resource
        opened.append(Supply.open("left", resource, load_profile(profile), (1, 2), timeout_s))
        return opened[-1]

    yield opener
    for supply in opened:
        supply.close()


@pytest.fixture
def open_on():
    """Opens a supply of a profile on an instrument; gives the supply and the lines that came in after opening."""
    held = []

    def opener(instrument, used, channels=(1,)):
        server = LineInstrument(instrument)
        server.__enter__()
        held.append(server)
        supply = Supply.open("bench", server.resource, used, channels, 1.0)
        held.append(supply)
        server.lines.clear()
        return supply, server.lines

    yield opener
    for each in reversed(held):
        each.close() if isinstance(each, Supply) else each.__exit__(None, None, None)
