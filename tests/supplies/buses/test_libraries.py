"""GPIB needs a library of its own and a bus, which no test machine has: what is tried is how a missing one is told."""

import importlib.util

import pytest

from benchd.supplies.errors import LinkLost
from benchd.supplies.link import Link
from benchd.supplies.profile_link import LinkProfile


@pytest.mark.skipif(
    any(importlib.util.find_spec(name) for name in ("gpib", "gpib_ctypes")), reason="a GPIB library is installed"
)
def test_gpib_without_a_library_says_in_one_line_what_to_install():
    with pytest.raises(LinkLost, match=r"GPIB0::9::INSTR: cannot be opened: .*linux-gpib") as caught:
        Link.open("GPIB0::9::INSTR", LinkProfile(), 0.2)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("library", ["/no/such/libvisa.so@ivi", "@nosuch"])
def test_a_visa_library_that_is_not_there_is_told(library):
    with pytest.raises(LinkLost, match="cannot be opened") as caught:
        Link.open("GPIB0::9::INSTR", LinkProfile(), 0.2, library=library)
    assert "\n" not in str(caught.value)
