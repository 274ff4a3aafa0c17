"""What PyVISA-py 0.8.1 leaves out of USB-TMC, added to one of its sessions.

Device clear; a bound on writing (PyUSB's own default is a second); a look at the tag of each reply, which says whose
reply it is; and taking a halt off an endpoint. Written from the USB Test and Measurement Class specification 1.0,
§3.2 and §4.2.1 (section numbers from memory).
"""

from __future__ import annotations

import errno
import time
from typing import Any

INITIATE_CLEAR, CHECK_CLEAR_STATUS = 5, 6
STATUS_SUCCESS, STATUS_PENDING = 0x01, 0x02
CLASS_REQUEST_IN = 0xA1
"""bmRequestType: class request to an interface that reads."""
MESSAGE_OUT = 1
HEADER_BYTES = 12


class WrongReply(ValueError):
    """What came is not the reply to the request, or the instrument refused to send one; a device clear is due.

    A ValueError, since PyVISA-py then aborts the transfer, as the class specification asks.
    """


class UsbTmc:
    """Amends the interface object (`pyvisa_py.protocols.usbtmc.USBTMC`) of a session in place."""

    def __init__(self, interface: Any) -> None:
        self._device = interface.usb_dev
        self._number = interface.usb_intf.bInterfaceNumber
        self._sender = _Sender(interface.usb_send_ep, self._device)
        self._receiver = _Receiver(interface.usb_recv_ep, interface)
        interface.usb_send_ep = self._sender
        interface.usb_recv_ep = self._receiver

    def set_timeout(self, timeout_ms: int) -> None:
        """For writes and control transfers; reads have the session's own."""
        self._device.default_timeout = timeout_ms

    def clear(self, limit_s: float) -> None:
        """Device clear: the instrument empties its queues. Raises OSError where it does not."""
        ends = time.monotonic() + limit_s
        (status,) = self._request(INITIATE_CLEAR, 1)
        while status in (STATUS_SUCCESS, STATUS_PENDING):
            status, waiting = self._request(CHECK_CLEAR_STATUS, 2)
            if status == STATUS_SUCCESS:
                self._sender.take_halt_off()
                if self._receiver.halted:
                    self._receiver.take_halt_off(self._device)
                return
            if time.monotonic() > ends:
                raise OSError(errno.ETIMEDOUT, f"the device clear is not finished after {limit_s:.2f} s")
            if waiting & 1:
                self._receiver.throw_away()
            time.sleep(0.002)
        raise OSError(errno.EIO, f"the device clear was refused with USBTMC status {status:#04x}")

    def _request(self, request: int, length: int) -> Any:
        answer = self._device.ctrl_transfer(CLASS_REQUEST_IN, request, 0, self._number, length)
        if len(answer) != length:
            raise OSError(errno.EIO, f"{length} bytes asked of class request {request}, {len(answer)} came back")
        return answer


class _Sender:
    """The bulk-out endpoint."""

    def __init__(self, endpoint: Any, device: Any) -> None:
        self._endpoint = endpoint
        self._device = device
        self.wMaxPacketSize = endpoint.wMaxPacketSize  # PyUSB's name, and PyVISA-py's

    def write(self, data: bytes) -> int:
        if data[0] == MESSAGE_OUT and data[4:8] == b"\0\0\0\0":
            # PyVISA-py puts an empty transfer between the parts of a long message; the class wants TransferSize > 0.
            return len(data)
        try:
            return int(self._endpoint.write(data))
        except OSError as error:
            if error.errno != errno.EPIPE:
                raise
        # A halted endpoint has taken nothing, so nothing is said twice. An OFF must not wait for a device clear.
        self.take_halt_off()
        return int(self._endpoint.write(data))

    def take_halt_off(self) -> None:
        self._device.clear_halt(self._endpoint.bEndpointAddress)


class _Receiver:
    """The bulk-in endpoint."""

    def __init__(self, endpoint: Any, interface: Any) -> None:
        self._endpoint = endpoint
        self._interface = interface
        self._checked_tag = 0
        self.halted = False
        self.wMaxPacketSize = endpoint.wMaxPacketSize
        self.bEndpointAddress = endpoint.bEndpointAddress

    def read(self, size: int, timeout_ms: int | None = None) -> Any:
        tag = self._interface._btag
        is_rest = tag == self._checked_tag  # of a transfer, or what ends an aborted one: it has no header
        self._checked_tag = tag
        try:
            data = self._endpoint.read(size, timeout_ms)
        except OSError as error:
            if error.errno != errno.EPIPE:
                raise
            self.halted = True
            raise WrongReply("the instrument halted the transfer") from error
        if not is_rest and (len(data) < HEADER_BYTES or data[1] != tag or data[2] != tag ^ 0xFF):
            raise WrongReply(f"the reply is to request {list(data[1:3])}, not to {[tag, tag ^ 0xFF]}")
        return data

    def throw_away(self) -> None:
        self._endpoint.read(self.wMaxPacketSize)

    def take_halt_off(self, device: Any) -> None:
        device.clear_halt(self.bEndpointAddress)
        self.halted = False
