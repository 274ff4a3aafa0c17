"""Announcements: real ones over the loopback interface, made by the zeroconf library, and the sorting of them."""

from __future__ import annotations

import contextlib
import socket
import time

import pytest
import zeroconf

from benchd.supplies import discovery
from benchd.supplies.discovery_lan import BROWSE_S, HISLIP, LXI, RAW, VXI11, Service, lan_places, places_of
from tests.supplies.lines import LineInstrument

LOOPBACK = ["127.0.0.1"]
TOLD = {
    "txtvers": "1",
    "Manufacturer": "Example Works",
    "Model": "EX-1",
    "SerialNumber": "77",
    "FirmwareVersion": "1.0",
}


def carries_multicast() -> bool:
    """Whether a datagram to a group comes back over the loopback interface (group for tests: RFC 6676)."""
    membership = socket.inet_aton("233.252.0.1") + socket.inet_aton(LOOPBACK[0])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver, socket.socket(type=socket.SOCK_DGRAM) as sender:
        receiver.settimeout(2)
        receiver.bind(("", 0))
        try:
            receiver.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(LOOPBACK[0]))
            sender.sendto(b"heard?", ("233.252.0.1", receiver.getsockname()[1]))
            return receiver.recv(16) == b"heard?"
        except OSError:
            return False


@contextlib.contextmanager
def announced(*services: tuple[str, str, int], txt: dict[str, str] | None = None, host: str = "benchd-test-ex1"):
    """Announce (type, instance, port) on the loopback interface; skips where it carries no multicast."""
    if not carries_multicast():
        pytest.skip("the loopback interface of this machine carries no multicast")
    responder = zeroconf.Zeroconf(interfaces=LOOPBACK)
    try:
        for kind, instance, port in services:
            info = zeroconf.ServiceInfo(
                f"{kind}.local.", f"{instance}.{kind}.local.", port=port, server=f"{host}.local.",
                parsed_addresses=LOOPBACK, properties=TOLD if txt is None else txt,
            )  # fmt: skip
            responder.register_service(info, cooperating_responders=True)
        yield
    finally:
        responder.close()


def seen(instance: str) -> list[discovery.Place]:
    """What is announced under this name; others on the machine are none of our business."""
    return [p for p in lan_places(BROWSE_S, LOOPBACK) if p.announced is not None and p.announced.name == instance]


def test_an_instrument_with_several_services_stands_once_by_its_raw_socket():
    """TXT keys of the LXI Device Specification (from memory)."""
    with announced(
        (LXI, "EX-1 one", 80), (VXI11, "EX-1 one", 111), (HISLIP, "EX-1 one", 4880), (RAW, "EX-1 one", 5025)
    ):
        places = seen("EX-1 one")
    (place,) = places
    assert place.resource == place.stable == "TCPIP0::127.0.0.1::5025::SOCKET"
    assert place.also == ("TCPIP0::127.0.0.1::hislip0::INSTR", "TCPIP0::127.0.0.1::INSTR")
    told = place.announced
    assert (told.maker, told.model, told.serial, told.firmware) == ("Example Works", "EX-1", "77", "1.0")
    assert told.services == (RAW, HISLIP, VXI11, LXI)
    assert told.addresses == ("127.0.0.1",)


def test_what_is_announced_is_not_taken_for_what_it_says(monkeypatch):
    monkeypatch.setattr(discovery, "lan_places", lambda: lan_places(BROWSE_S, LOOPBACK))
    monkeypatch.setattr(discovery, "serial_places", list)
    monkeypatch.setattr(discovery, "usb_places", list)
    monkeypatch.setattr(discovery, "visa_places", lambda library: [])
    with LineInstrument(lambda line: [b"benchd,SIM-2,SIM7,1\n"]) as instrument:
        port = int(instrument.resource.split("::")[2])
        with announced((RAW, "EX-1 liar", port), host="benchd-test-liar"):
            found = [f for f in discovery.find_supplies(True) if f.place.announced.name == "EX-1 liar"]
    assert found[0].place.announced.serial == "77"
    assert (found[0].serial, found[0].profiles[0]) == ("SIM7", "benchd-sim")
    assert instrument.lines == ["*IDN?"]


def test_looking_takes_as_long_as_it_is_given():
    started = time.monotonic()
    lan_places(0.2, LOOPBACK)
    assert time.monotonic() - started < 3


def test_no_network_is_no_error():
    assert lan_places(0.1, ["192.0.2.77"]) == []  # an address that this machine has not (TEST-NET-1, RFC 5737)


def service(kind, instance="EX-1", host="ex1.local.", port=5025, addresses=("192.0.2.5",), **txt):
    return Service(kind, instance, host, port, addresses, txt)


def test_two_instruments_of_one_kind_are_two():
    places = places_of(
        [
            service(RAW, "EX-1 a", "a.local.", serialnumber="1", model="EX-1"),
            service(RAW, "EX-1 b", "b.local.", addresses=("192.0.2.6",), serialnumber="2", model="EX-1"),
            service(HISLIP, "EX-1 b", "b.local.", 4880, ("192.0.2.6",), serialnumber="2", model="EX-1"),
        ]
    )
    assert [(p.resource, len(p.also)) for p in places] == [
        ("TCPIP0::192.0.2.5::5025::SOCKET", 0),
        ("TCPIP0::192.0.2.6::5025::SOCKET", 1),
    ]


def test_a_serial_number_of_zero_joins_nothing():
    places = places_of(
        [
            service(RAW, "a", "a.local.", serialnumber="0"),
            service(RAW, "b", "b.local.", 5025, ("192.0.2.6",), serialnumber="0"),
        ]
    )
    assert len(places) == 2


def test_one_host_may_be_several_instruments_and_one_instrument_two_hosts():
    assert len(places_of([service(RAW, "a", port=5025), service(RAW, "b", port=5026)])) == 2
    wired, wireless = service(RAW, "a", "a.local.", serialnumber="9"), service(RAW, "a", "a-2.local.", serialnumber="9")
    assert len(places_of([wired, wireless])) == 1


@pytest.mark.parametrize(
    ("services", "resource", "says"),
    [
        ([service(HISLIP, port=4880)], "TCPIP0::192.0.2.5::hislip0::INSTR", ""),
        ([service(HISLIP, port=5000)], "TCPIP0::192.0.2.5::hislip0,5000::INSTR", ""),
        ([service(VXI11, port=111)], "TCPIP0::192.0.2.5::INSTR", ""),
        ([service(LXI, port=80)], "TCPIP0::192.0.2.5::INSTR", "announces no port for commands"),
        (
            [service(RAW, addresses=("fe80::1%2", "2001:db8::5"))],
            "TCPIP0::ex1.local::5025::SOCKET",
            "no IPv4 address",
        ),
        ([service(RAW, addresses=("169.254.1.1", "192.0.2.5"))], "TCPIP0::192.0.2.5::5025::SOCKET", ""),
    ],
)
def test_the_name_of_a_service(services, resource, says):
    (place,) = places_of(services)
    assert place.resource == resource
    assert says in place.text
    assert bool(says) == bool(place.text)


def test_who_gives_no_address_is_not_there():
    assert places_of([service(RAW, addresses=())]) == []
