"""One holder per supply, across processes."""

import os
import re
import subprocess
import sys

import pytest

from benchd.supplies.lock import SupplyHeld, SupplyLock, lock_name

RESOURCE = "TCPIP0::192.0.2.5::5025::SOCKET"
HOLD = """
import sys
from benchd.supplies.lock import SupplyLock
lock = SupplyLock(sys.argv[1], sys.argv[2], "the other bench")
print("held", flush=True)
sys.stdin.readline()
"""


def test_a_second_holder_is_told_who_holds_it_and_the_kernel_frees_it_after_a_kill(tmp_path):
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, tmp_path, RESOURCE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert holder.stdout.readline() == "held\n"
        told = rf"{re.escape(RESOURCE)} is held by the other bench \(process {holder.pid}\) since 20\d\d-"
        with pytest.raises(SupplyHeld, match=told):
            SupplyLock(tmp_path, RESOURCE, "this bench")
        holder.kill()
        holder.wait(5)
        SupplyLock(tmp_path, RESOURCE, "this bench").release()
    finally:
        holder.kill()
        holder.communicate()


def test_release_and_take_again(tmp_path):
    folder = tmp_path / "new" / "folder"
    lock = SupplyLock(folder, RESOURCE, "one")
    with pytest.raises(SupplyHeld, match=rf"one \(process {os.getpid()}\)"):
        SupplyLock(folder, RESOURCE, "two")
    other = SupplyLock(folder, "TCPIP0::192.0.2.6::5025::SOCKET", "two")
    lock.release()
    lock.release()
    SupplyLock(folder, RESOURCE, "two").release()
    other.release()


def test_a_holder_that_wrote_nonsense_is_still_a_holder(tmp_path):
    lock = SupplyLock(tmp_path, RESOURCE, "one")
    lock.path.write_text("[]")
    with pytest.raises(SupplyHeld, match="not said its name"):
        SupplyLock(tmp_path, RESOURCE, "two")
    lock.release()


def test_spellings_of_one_supply_are_one_lock(tmp_path):
    """VPP-4.3 §4.3.1: names are compared without case, board 0 and INSTR are the defaults."""
    assert lock_name("TCPIP::192.0.2.5::5025::SOCKET") == lock_name("tcpip0::192.0.2.5::5025::socket")
    assert lock_name("GPIB::9::INSTR") == lock_name("GPIB0::9")
    (tmp_path / "ttyUSB0").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    assert lock_name(f"ASRL{tmp_path}/by-id::INSTR") == lock_name(f"ASRL{tmp_path}/ttyUSB0")
    assert lock_name("ASRL/dev/ttyUSB0::INSTR") != lock_name("ASRL/dev/ttyUSB1::INSTR")
    assert re.fullmatch(r"[A-Za-z0-9._-]+", lock_name("USB0::0x1234::0x5678::S/N 1::INSTR"))
