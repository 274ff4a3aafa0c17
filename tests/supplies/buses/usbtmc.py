"""A USB bus in memory with USBTMC instruments on it, as a backend of PyUSB: everything above it is the real thing.

From the USB Test and Measurement Class specification 1.0 (message headers §3.2 and §3.3, requests §4.2.1) and its
USB488 subclass 1.0 (§4.2.2, §4.3.1), and USB 2.0 chapter 9 for descriptors. Section numbers are from memory.
"""

from __future__ import annotations

import array
import contextlib
import errno
import importlib
import struct
import sys
import time
import types
from collections.abc import Iterator

import usb.backend.libusb1
import usb.core
from usb.backend import IBackend

from tests.supplies.buses.station import Station

BULK_OUT, BULK_IN = 0x01, 0x82
PACKET = 64
MSG_OUT, REQUEST_IN = 1, 2
ABORT_IN, CHECK_ABORT_IN, CLEAR, CHECK_CLEAR, CAPABILITIES, STATUS_BYTE, REN = 3, 4, 5, 6, 7, 128, 160
SUCCESS, PENDING, NOT_IN_PROGRESS = 0x01, 0x02, 0x81
STRINGS = {1: "Example Works", 2: "EX-4", 3: "SN4"}


def failure(number: int) -> usb.core.USBError:
    """As PyUSB raises it."""
    kind = usb.core.USBTimeoutError if number == errno.ETIMEDOUT else usb.core.USBError
    return kind(errno.errorcode[number], -1, number)


class UsbInstrument:
    """`stalled`: endpoints that are halted. `wrong_tags`: how many replies carry another request's tag.

    `split`: bytes in a transfer at most. `mute_abort`: an aborted transfer is not ended as it should be. `clear_waits`:
    how often the check of a device clear says pending.
    """

    def __init__(self, station: Station, split: int = 0, mute_abort: bool = False) -> None:
        self.station = station
        self.plugged = True
        self.stalled: set[int] = set()
        self.wrong_tags = 0
        self.clear_waits = 0
        self.holder: object = None
        self.transfers: list[str] = []
        self._split = split
        self._mute_abort = mute_abort
        self._received = b""
        self._request: tuple[int, int] | None = None
        self._aborted = False
        station.on_close = self.unplug
        self.resource = "USB0::0x1234::0x5678::SN4::0::INSTR"

    def unplug(self) -> None:
        """Pull the cable."""
        self.plugged = False

    def plug(self) -> None:
        """Put it back: the device begins anew, its outputs as they were."""
        self.plugged = True
        self.holder = None
        self.stalled.clear()
        self._request = None

    def bulk_write(self, data: bytes) -> None:
        """A transfer to the instrument."""
        kind, tag, inverse, _, size = struct.unpack_from("<BBBBL", data)
        assert (tag ^ inverse, tag > 0, len(data) % 4) == (0xFF, True, 0)
        if kind == REQUEST_IN:
            self.transfers.append("request")
            self._request = (tag, size)
            return
        assert kind == MSG_OUT
        self.transfers.append("message")
        self._received += data[12 : 12 + size]
        if data[8] & 1:
            self.station.put(self._received)
            self._received = b""

    def bulk_read(self, timeout_ms: int) -> bytes:
        """A transfer from the instrument."""
        if self._aborted and not self._mute_abort:
            self._aborted = False
            return b""  # a short packet ends the aborted transfer
        deadline = time.monotonic() + timeout_ms / 1e3
        gone = self._gone
        data = self.station.take(timeout_ms / 1e3, gone) if self._request else None
        while data is None and time.monotonic() < deadline and not gone():
            time.sleep(0.002)
        if self.station.hangs():
            self.station.wait_awake(gone)
        if gone():
            raise failure(errno.ENODEV)
        if data is None or self._request is None:
            raise failure(errno.ETIMEDOUT)
        tag, size = self._request
        self._request = None
        if self.wrong_tags:
            self.wrong_tags -= 1
            tag = tag % 255 + 1
        most = min(size, self._split or size)
        if len(data) > most:
            self.station.put_back(data[most:])
        piece, last = data[:most], len(data) <= most
        return (
            struct.pack("<BBBBLB3x", REQUEST_IN, tag, tag ^ 0xFF, 0, len(piece), last)
            + piece
            + b"\0" * (-len(piece) % 4)
        )

    def _gone(self) -> bool:
        return not self.plugged

    def control(self, kind: int, request: int, value: int, index: int, length: int) -> bytes:
        """A control transfer that reads."""
        if (kind, request, value >> 8) == (0x80, 6, 3):
            text = STRINGS[value & 0xFF].encode("utf-16-le") if value & 0xFF else struct.pack("<H", 0x0409)
            return (bytes([len(text) + 2, 3]) + text)[:length]
        if kind == 0xA2:
            assert index == BULK_IN
            if request == ABORT_IN:
                pending = self._request is not None and self._request[0] == value
                self._aborted = pending
                self._request = None
                return bytes([SUCCESS if pending else NOT_IN_PROGRESS, value])
            assert request == CHECK_ABORT_IN
            return struct.pack("<B3xL", SUCCESS, 0)
        assert (kind, index) == (0xA1, 0)
        if request == CAPABILITIES:
            return bytes([SUCCESS, 0, 0, 1, 0, 0, *[0] * 6, 0, 1, 0x06, 0, *[0] * 8])
        if request == CLEAR:
            self.transfers.append("clear")
            self.station.clear()
            self._received = b""
            self._request = None
            self._aborted = False
            return bytes([SUCCESS])
        if request == CHECK_CLEAR:
            self.clear_waits -= 1
            return bytes([PENDING if self.clear_waits >= 0 else SUCCESS, 0])
        if request == STATUS_BYTE:
            return bytes([SUCCESS, value, self.station.status()])
        assert request == REN
        return bytes([SUCCESS])


def descriptor(**values: object) -> types.SimpleNamespace:
    """One USB descriptor."""
    return types.SimpleNamespace(bLength=0, bDescriptorType=0, extra_descriptors=[], **values)


class MemoryBus(IBackend):  # type: ignore[misc]
    """What PyUSB finds instead of libusb."""

    def __init__(self, *devices: UsbInstrument) -> None:
        self._devices = devices

    def enumerate_devices(self) -> Iterator[UsbInstrument]:
        return (each for each in self._devices if each.plugged)

    def get_device_descriptor(self, dev: UsbInstrument) -> types.SimpleNamespace:
        return descriptor(
            bcdUSB=0x0200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0, bMaxPacketSize0=PACKET,
            idVendor=0x1234, idProduct=0x5678, bcdDevice=0x0100, iManufacturer=1, iProduct=2, iSerialNumber=3,
            bNumConfigurations=1, address=5, bus=1, port_number=1, port_numbers=(1,), speed=3,
        )  # fmt: skip

    def get_configuration_descriptor(self, dev: UsbInstrument, config: int) -> types.SimpleNamespace:
        if config:
            raise IndexError
        return descriptor(
            wTotalLength=32, bNumInterfaces=1, bConfigurationValue=1, iConfiguration=0, bmAttributes=0xC0, bMaxPower=0
        )

    def get_interface_descriptor(self, dev: UsbInstrument, intf: int, alt: int, config: int) -> types.SimpleNamespace:
        if intf or alt or config:
            raise IndexError
        return descriptor(
            bInterfaceNumber=0, bAlternateSetting=0, bNumEndpoints=2, bInterfaceClass=0xFE, bInterfaceSubClass=3,
            bInterfaceProtocol=1, iInterface=0,
        )  # fmt: skip

    def get_endpoint_descriptor(
        self, dev: UsbInstrument, ep: int, intf: int, alt: int, config: int
    ) -> types.SimpleNamespace:
        address = (BULK_OUT, BULK_IN)[ep]
        return descriptor(
            bEndpointAddress=address, bmAttributes=2, wMaxPacketSize=PACKET, bInterval=0, bRefresh=0, bSynchAddress=0
        )

    def open_device(self, dev: UsbInstrument) -> Handle:
        _check(dev)
        return Handle(dev)

    def close_device(self, dev_handle: Handle) -> None:
        self.release_interface(dev_handle, 0)

    def get_configuration(self, dev_handle: Handle) -> int:
        _check(dev_handle.device)
        return 1

    def set_configuration(self, dev_handle: Handle, config_value: int) -> None:
        _check(dev_handle.device)

    def is_kernel_driver_active(self, dev_handle: Handle, intf: int) -> bool:
        return False

    def claim_interface(self, dev_handle: Handle, intf: int) -> None:
        if dev_handle.device.holder not in (None, dev_handle):
            raise failure(errno.EBUSY)
        dev_handle.device.holder = dev_handle

    def release_interface(self, dev_handle: Handle, intf: int) -> None:
        if dev_handle.device.holder is dev_handle:
            dev_handle.device.holder = None

    def bulk_write(self, dev_handle: Handle, ep: int, intf: int, data: array.array[int], timeout: int) -> int:
        _check(dev_handle.device, ep)
        dev_handle.device.bulk_write(data.tobytes())
        return len(data)

    def bulk_read(self, dev_handle: Handle, ep: int, intf: int, buff: array.array[int], timeout: int) -> int:
        _check(dev_handle.device, ep)
        return _fill(buff, dev_handle.device.bulk_read(timeout))

    def ctrl_transfer(
        self, dev_handle: Handle, kind: int, request: int, value: int, index: int, data: array.array[int], timeout: int
    ) -> int:
        _check(dev_handle.device)
        assert kind & 0x80  # no request of ours or of PyVISA-py's writes
        return _fill(data, dev_handle.device.control(kind, request, value, index, len(data)))

    def clear_halt(self, dev_handle: Handle, ep: int) -> None:
        _check(dev_handle.device)
        dev_handle.device.transfers.append(f"unhalt {ep:#04x}")
        dev_handle.device.stalled.discard(ep)


class Handle:
    """An opened device."""

    def __init__(self, device: UsbInstrument) -> None:
        self.device = device


def _check(device: UsbInstrument, endpoint: int = 0) -> None:
    if not device.plugged:
        raise failure(errno.ENODEV)
    if endpoint in device.stalled:
        raise failure(errno.EPIPE)


def _fill(buffer: array.array[int], data: bytes) -> int:
    buffer[: len(data)] = array.array("B", data)
    return len(data)


@contextlib.contextmanager
def plugged_in(*devices: UsbInstrument) -> Iterator[MemoryBus]:
    """PyUSB finds these devices and no others. PyVISA-py leaves USB out where no libusb is, so it is asked again."""
    import pyvisa_py  # noqa: F401
    from pyvisa_py.sessions import Session

    bus = MemoryBus(*devices)
    found = usb.backend.libusb1.get_backend
    known = dict(Session._session_classes)
    usb.backend.libusb1.get_backend = lambda find_library=None: bus
    try:
        if "pyvisa_py.usb" not in sys.modules:
            importlib.import_module("pyvisa_py.usb")
        yield bus
    finally:
        usb.backend.libusb1.get_backend = found
        Session._session_classes.clear()
        Session._session_classes.update(known)
        sys.modules.pop("pyvisa_py.usb", None)
