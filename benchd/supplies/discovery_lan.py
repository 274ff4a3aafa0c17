"""Instruments that announce themselves on the local network: multicast DNS (RFC 6762) and DNS-SD (RFC 6763).

What they say about themselves is shown as announced; who they are is asked of them, over the connection that will be
used. The service types and the keys of their TXT records are those of the LXI Device Specification (from memory).
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from benchd.supplies.discovery_places import Announced, Place
from benchd.supplies.profile_link import NO_SERIAL

if TYPE_CHECKING:
    from zeroconf import Zeroconf
    from zeroconf.asyncio import AsyncZeroconf

BROWSE_S = 1.5
"""Queries are repeated after one second (RFC 6762 §5.2), so a lost packet is made good within this."""
HISLIP_PORT = 4880
"""IANA's port for HiSLIP (IVI-6.1), which the VISA name need not tell."""
LONGEST_TEXT = 100

RAW, HISLIP, VXI11, LXI = "_scpi-raw._tcp", "_hislip._tcp", "_vxi-11._tcp", "_lxi._tcp"
SERVICES = (RAW, HISLIP, VXI11, LXI)
"""Best first: the raw socket is the quickest and its reader is ours. The terminal service (_scpi-telnet) is for
people: it sends a prompt and an echo."""


class Service(NamedTuple):
    """One announcement. `kind`: one of SERVICES. `instance`: its own name for people. `txt`: keys in small letters."""

    kind: str
    instance: str
    host: str
    port: int
    addresses: tuple[str, ...]
    txt: dict[str, str]


def lan_places(browse_s: float = BROWSE_S, interfaces: Sequence[str] | None = None) -> list[Place]:
    """Who announces itself within `browse_s`. No network, no multicast and no library are no error: nobody is there.

    `interfaces`: addresses of the interfaces to look on, all without it.
    """
    return places_of(browse(browse_s, interfaces))


def places_of(services: Iterable[Service]) -> list[Place]:
    """One place for each instrument, however many services it announces."""
    groups: dict[tuple[str, ...], list[Service]] = {}
    for service in services:
        # An instrument gives all its services one instance name; one host may be several instruments (a gateway).
        groups.setdefault((service.host.lower(), service.instance.lower()), []).append(service)
    units: dict[tuple[str, ...], list[Service]] = {}
    for key, group in groups.items():
        maker, model, serial = (_told(group, name).lower() for name in ("manufacturer", "model", "serialnumber"))
        units.setdefault(key if NO_SERIAL.fullmatch(serial) else (maker, model, serial), []).extend(group)
    return [place for group in units.values() if (place := _place(group)) is not None]


def _place(group: list[Service]) -> Place | None:
    group = sorted(group, key=lambda service: SERVICES.index(service.kind))
    addresses = sorted({a for service in group for a in service.addresses}, key=_preference)
    if not addresses:
        return None
    names = list(dict.fromkeys(filter(None, (_resource(service) for service in group))))
    if not names:
        return None
    maker, model, serial, firmware = (
        _told(group, name) for name in ("manufacturer", "model", "serialnumber", "firmwareversion")
    )
    kinds = tuple(service.kind for service in group)
    announced = Announced(group[0].instance, maker, model, serial, firmware, kinds, tuple(addresses))
    text = ""
    if ipaddress.ip_address(addresses[0].partition("%")[0]).version == 6:
        text = "it announces no IPv4 address, which the pure-Python backend needs for a raw socket"
    elif set(kinds) == {LXI}:
        text = "it announces no port for commands; VXI-11, which most LXI instruments have, is tried"
    return Place(
        names[0],
        "lan",
        stable=names[0],
        stable_text="stays while the instrument keeps its address: give it a fixed one, or a reservation in the router",
        description=group[0].instance,
        announced=announced,
        also=tuple(names[1:]),
        text=text,
    )


def _told(group: list[Service], name: str) -> str:
    return next((service.txt[name] for service in group if service.txt.get(name)), "")


def _preference(address: str) -> tuple[bool, bool, str]:
    ip = ipaddress.ip_address(address.partition("%")[0])
    return ip.version == 6, ip.is_link_local, address


def _resource(service: Service) -> str:
    """The VISA name of a service; empty where it has no address."""
    if not service.addresses:
        return ""
    address = min(service.addresses, key=_preference)
    if ":" in address:  # IPv6 cannot be told from the `::` of VISA names
        address = service.host.rstrip(".")
    if service.kind == RAW:
        return f"TCPIP0::{address}::{service.port}::SOCKET"
    if service.kind == HISLIP:
        port = "" if service.port == HISLIP_PORT else f",{service.port}"
        return f"TCPIP0::{address}::hislip0{port}::INSTR"
    return f"TCPIP0::{address}::INSTR"


# ---- listening -----------------------------------------------------------------------------------------------


def browse(browse_s: float, interfaces: Sequence[str] | None = None) -> list[Service]:
    """All announcements of SERVICES that come within `browse_s`."""
    import asyncio

    try:
        return asyncio.run(_browse(browse_s, interfaces))
    except (OSError, ImportError, RuntimeError):  # no interface, no multicast, a loop that is ending
        return []


async def _browse(browse_s: float, interfaces: Sequence[str] | None) -> list[Service]:
    import asyncio

    from zeroconf import DNSQuestionType, ServiceStateChange
    from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo

    # Answers to everybody: those to the asker alone arrive at any one program that listens on this port here, so where
    # another one does, they are lost.
    everybody = DNSQuestionType.QM
    types = [f"{name}.local." for name in SERVICES]
    asked: dict[tuple[str, str], asyncio.Task[Service | None]] = {}
    responder = _responder(interfaces)
    loop = asyncio.get_running_loop()
    ends = loop.time() + browse_s

    async def resolved(kind: str, name: str) -> Service | None:
        info = AsyncServiceInfo(kind, name)
        left_ms = max(100.0, (ends - loop.time()) * 1e3)
        return _service(info) if await info.async_request(responder.zeroconf, left_ms, everybody) else None

    def changed(zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is not ServiceStateChange.Removed and (service_type, name) not in asked:
            asked[service_type, name] = asyncio.create_task(resolved(service_type, name))

    try:
        browser = AsyncServiceBrowser(responder.zeroconf, types, handlers=[changed], question_type=everybody)
        await asyncio.sleep(browse_s)
        found = await asyncio.gather(*asked.values(), return_exceptions=True)
        await browser.async_cancel()
    finally:
        await responder.async_close()
    return [service for service in found if isinstance(service, Service)]


def _responder(interfaces: Sequence[str] | None) -> AsyncZeroconf:
    from zeroconf import InterfaceChoice, IPVersion
    from zeroconf.asyncio import AsyncZeroconf

    if interfaces is not None:
        return AsyncZeroconf(interfaces=list(interfaces))
    try:
        return AsyncZeroconf(interfaces=InterfaceChoice.All, ip_version=IPVersion.All)
    except OSError:  # IPv6 is switched off on this machine
        return AsyncZeroconf(interfaces=InterfaceChoice.All, ip_version=IPVersion.V4Only)


def _service(info: Any) -> Service:
    kind = info.type.removesuffix(".local.")
    # Keys count without case (RFC 6763 §6.4), and an instrument may send anything as their values.
    txt = {_clean(key).lower(): _clean(value or "") for key, value in info.decoded_properties.items()}
    addresses = tuple(info.parsed_scoped_addresses())
    instance = _clean(info.name.removesuffix(f".{info.type}"))
    return Service(kind, instance, info.server or "", info.port or 0, addresses, txt)


def _clean(text: str) -> str:
    """Printable and short: it goes to a terminal, and anybody on the network can have sent it."""
    return "".join(character if character.isprintable() else "?" for character in text)[:LONGEST_TEXT].strip()
