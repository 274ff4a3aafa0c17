"""The tables of a driver profile that say how messages travel and how an instrument names itself."""

from __future__ import annotations

import re
from typing import Annotated, Literal, NamedTuple

from benchd.supplies.profile_base import Table, told

End = Literal["\n", "\r\n", "\r", ""]
NO_SERIAL = re.compile(r"[0\s-]*|none|n/?a|unknown|x+", re.IGNORECASE)
"""Serial numbers that tell no two units apart."""


class SerialPort(Table, frozen=True, kw_only=True):
    """What a serial port is set to."""

    baud_rate: Annotated[int, told("Baud, unless the settings say otherwise.", ge=50, le=4_000_000)] = 9600
    baud_rates: Annotated[tuple[int, ...], told("All that units of this family may be set to, for finding them.")] = ()
    data_bits: Annotated[Literal[7, 8], told("Data bits.")] = 8
    parity: Annotated[Literal["none", "even", "odd"], told("Parity.")] = "none"
    stop_bits: Annotated[Literal[1, 2], told("Stop bits.")] = 1
    flow_control: Annotated[Literal["none", "xon-xoff", "rts-cts", "dtr-dsr"], told("Flow control.")] = "none"
    gap_ms: Annotated[
        float, told("Rest between exchanges on a serial port, ms; the larger of this and link.gap_ms.", ge=0, le=1000)
    ] = 20.0
    levels: Annotated[
        Literal["rs-232", "ttl"],
        told('"ttl": the connector carries TTL levels, and a plain RS-232 cable can damage the supply.'),
    ] = "rs-232"


class LinkProfile(Table, frozen=True, kw_only=True):
    """How messages travel. Every rest is in ms and is kept before the next message, OFF excepted."""

    write_end: Annotated[End, told('Ends every message to the supply; "" for none.')] = "\n"
    read_end: Annotated[End, told('Ends every reply; "" for none. "\\n" also takes "\\r\\n".')] = "\n"
    frame: Annotated[
        Literal["end", "gap"],
        told('What ends a reply: "end" is read_end; "gap" is silence of idle_ms, for replies without any end.'),
    ] = "end"
    idle_ms: Annotated[float, told("The silence that ends a reply, ms.", ge=1, le=1000)] = 30.0
    skip_leading_ends: Annotated[bool, told("Line ends may stand before a reply and are passed over.")] = False
    tcp_port: Annotated[
        int, told("Port of the raw socket; for people, the resource name is what counts.", ge=1, le=65535)
    ] = 5025
    gap_ms: Annotated[float, told("Rest after anything.", ge=0, le=2000)] = 0.0
    reply_gap_ms: Annotated[
        float,
        told("Rest between a query and fetching its reply, on USB-TMC, GPIB, VXI-11 and HiSLIP.", ge=0, le=1000),
    ] = 0.0
    set_gap_ms: Annotated[float, told("Rest after a command that sets something.", ge=0, le=2000)] = 0.0
    read_gap_ms: Annotated[float, told("Rest after a query of a value.", ge=0, le=2000)] = 0.0
    status_gap_ms: Annotated[float, told("Rest after a query of a state or register.", ge=0, le=2000)] = 0.0
    select_gap_ms: Annotated[float, told("Rest after an output was selected by itself.", ge=0, le=2000)] = 0.0
    output_gap_ms: Annotated[float, told("Rest after an output was switched.", ge=0, le=2000)] = 0.0
    connect_gap_ms: Annotated[float, told("Rest after each of the connect commands.", ge=0, le=2000)] = 0.0
    reply_ms: Annotated[
        float,
        told("A reply usually takes this long, ms: what proves an output off is given time by it.", ge=0, le=2000),
    ] = 10.0
    slowest_reply_ms: Annotated[
        float,
        told("A reply may take this long in good order, ms: no time-out of the link is shorter.", ge=0, le=10000),
    ] = 0.0
    longest_message: Annotated[
        int, told("Characters of a message without its end that the supply takes; 0: no bound known.", ge=0, le=65536)
    ] = 0
    drop_first: Annotated[int, told("Replies thrown away after opening.", ge=0, le=8)] = 0
    reconnect_after_error: Annotated[bool, told("A late or odd reply is followed by closing and opening.")] = False
    one_client: Annotated[bool, told("The supply serves one connection at a time.")] = False
    connect: Annotated[tuple[str, ...], told('Commands sent whenever the link is opened, as ["SYST:REM"].')] = ()
    close: Annotated[tuple[str, ...], told('Commands sent before it is closed in good order, as ["SYST:LOC"].')] = ()
    interfaces: Annotated[
        tuple[Literal["tcp", "usb-tmc", "usb-serial", "serial", "gpib", "vxi-11", "hislip"], ...],
        told("What the family can be connected by; for lists and for people."),
    ] = ()
    serial: Annotated[SerialPort, told("The serial port.")] = SerialPort()


class Named(NamedTuple):
    """Who an identification reply says it is. `serial` is empty where it tells no two units apart."""

    maker: str
    model: str
    serial: str
    firmware: str


class Identity(Table, frozen=True, kw_only=True):
    """How the supply says who it is, and which answers are this family's. The serial number is never compared."""

    query: Annotated[str, told("Asks for the identification, also whenever the link has to be trusted again.")] = (
        "*IDN?"
    )
    attempts: Annotated[int, told("How often it is asked, where the first answer may be lost.", ge=1, le=5)] = 1
    maker: Annotated[str, told("Regular expression that the first field fits whole, without case.")] = ".*"
    model: Annotated[str, told("The same for the second field, without a leading `MODEL `.")] = ".*"
    pattern: Annotated[
        str,
        told(
            "Instead of both, for replies without commas: an expression that the whole reply fits, with the groups "
            "model and, where there are such, maker, serial, firmware."
        ),
    ] = ""
    options_query: Annotated[str, told("Asks for the options that are fitted, for [[variants]].")] = ""

    def named(self, reply: str) -> Named | None:
        """The fields of a reply if it is one of this family's, else None."""
        text = bare(reply)
        if self.pattern:
            found = re.fullmatch(self.pattern, text, re.IGNORECASE)
            if found is None:
                return None
            groups = {key: (value or "").strip() for key, value in found.groupdict().items()}
            return Named(
                groups.get("maker", ""), groups.get("model", ""), _unique(groups.get("serial", "")),
                groups.get("firmware", ""),
            )  # fmt: skip
        maker, model, serial, firmware = ([field.strip() for field in text.split(",", 3)] + [""] * 4)[:4]
        model = re.sub(r"^MODEL\s+", "", model, flags=re.IGNORECASE)
        for expression, field in ((self.maker, maker), (self.model, model)):
            if re.fullmatch(expression, field, re.IGNORECASE) is None:
                return None
        return Named(maker, model, _unique(re.sub(r"^SN:\s*", "", serial, flags=re.IGNORECASE)), firmware)


def bare(reply: str) -> str:
    """An identification reply without line ends and the stray bytes that some units put behind it."""
    return reply.strip().rstrip("\x00\x01\xbc").strip()


def _unique(serial: str) -> str:
    return "" if NO_SERIAL.fullmatch(serial) else serial
