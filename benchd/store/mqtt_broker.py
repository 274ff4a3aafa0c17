"""The way to a broker: what the settings say of it, a client that tells what goes wrong, and what that means."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import ssl
from collections.abc import Awaitable, Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, Literal, TypeVar

import aiomqtt
import paho.mqtt.client as paho
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.reasoncodes import ReasonCode

from benchd.store.reaching import unreached

T = TypeVar("T")

_SILENT = logging.getLogger(f"{__name__}.client")
"""The library's own words: what ends a connection is told by `explain`."""
_SILENT.setLevel(logging.CRITICAL)

KEEPALIVE_S = 10
"""The broker tells that we are gone after 1.5 times this (MQTT 3.1.1 §3.1.2.10)."""
TIMEOUT_S = 10.0
WINDOW = 20
"""Messages of QoS 1 on their way unacknowledged. Brokers commonly allow 20 (MQTT 5 §3.1.2.11.3, Receive Maximum)."""

UNSPECIFIED, NO_SUCH_VERSION, BAD_LOGIN, NOT_AUTHORIZED = 0x80, 0x84, 0x86, 0x87
"""Reason codes, MQTT 5 §2.4; paho hands over the return codes of MQTT 3.1.1 as these, and any loss as the first."""
NEVER = {0x90, 0x99, 0x95}
"""A message refused with these will be refused again: topic name invalid, payload format invalid, too large."""


class BrokerError(aiomqtt.MqttError):
    """No connection, or no use in it; the text is for the operator."""


class Unanswered(aiomqtt.MqttError):
    """The broker did not answer in time; `accepted`: though it had accepted the connection."""

    def __init__(self, accepted: bool) -> None:
        super().__init__("timed out")
        self.accepted = accepted


class Declined(BrokerError):
    """The broker acknowledged a message with a reason why it did not take it (MQTT 5 §3.4.2.1)."""

    def __init__(self, code: int, words: str) -> None:
        super().__init__(f"the broker does not take it: {words} (reason code 0x{code:02X})")
        self.for_good = code in NEVER


class Link(aiomqtt.Client):
    """A client that also tells of acknowledgements which are refusals, and of a connection that ends before it is
    accepted. Both are missing in aiomqtt 2: hence the use of its private parts."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._declined: dict[int, Any] = {}
        self.pending_calls_threshold = 4 * WINDOW

    @contextlib.contextmanager
    def _pending_call(self, mid: int, value: Any, pending_dict: dict[int, Any]) -> Iterator[None]:
        self._declined.pop(mid, None)  # of an earlier message with this number, for which nobody waited any more
        with super()._pending_call(mid, value, pending_dict):
            yield
        if (reason := self._declined.pop(mid, None)) is not None:
            raise Declined(reason.value, str(reason))

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109 - aiomqtt's signature
        # Not by asyncio.wait_for, which in Python 3.11 loses a cancellation that comes together with the answer.
        try:
            async with asyncio.timeout(timeout or TIMEOUT_S):
                return await fut
        except TimeoutError:
            raise Unanswered(self._connected.done() and not self._connected.cancelled()) from None

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        # A broker of MQTT 5 may allow fewer (§3.2.2.3.3) and ends the connection of who sends more; paho does not look.
        client._max_inflight_messages = min(WINDOW, getattr(properties, "ReceiveMaximum", WINDOW))
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any) -> None:
        if reason_code.is_failure:
            self._declined[mid] = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        if self._connected.cancelled():  # nobody waits any more, and aiomqtt would stumble over it
            return
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttCodeError(reason_code, "closed before it was accepted"))
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        # aiomqtt takes the socket's number now and has it watched at the loop's next turn. When the connection has
        # ended by then, that fails with a traceback, or the number is another file's by now.
        def begin() -> None:
            if sock.fileno() >= 0:
                self._loop.add_writer(sock.fileno(), self._write, client)

        self._loop.call_soon_threadsafe(begin)

    def _write(self, client: Any) -> None:
        try:
            client.loop_write()
        except Exception as e:  # as aiomqtt does: the connection is at its end
            if not self._disconnected.done():
                self._disconnected.set_exception(e)


@dataclasses.dataclass(frozen=True, slots=True)
class Broker:
    """Where it is, and how it wants to be spoken to. `password`: a text, or what reads it anew for each connect."""

    host: str
    port: int = 1883
    user: str = ""
    password: str | Callable[[], str] = ""
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    tls: bool = False
    tls_ca_file: str = ""
    tls_cert_file: str = ""
    tls_key_file: str = ""
    by_options: bool = False
    """It was named on the command line: messages name options instead of settings."""

    @property
    def address(self) -> str:
        """For messages."""
        return f"{self.host}:{self.port}"

    async def client(self, identifier: str, will: aiomqtt.Will | None = None, **more: Any) -> Link:
        """A client for `async with`, its session clean. Files are read now, so that a new password or certificate needs
        no new start. Raises BrokerError."""
        context = await asyncio.to_thread(self._context) if self.tls else None
        password = await asyncio.to_thread(self._secret)
        # The session is clean (MQTT 3.1.1 §3.1.2.4; MQTT 5 §3.1.2.4 with no Session Expiry Interval, §3.1.2.11.2), so
        # that no broker keeps a command for a daemon that is away and hands it over when nobody expects it any more.
        clean: dict[str, Any] = {"clean_start": True} if self.protocol == "5" else {"clean_session": True}
        return Link(
            self.host,
            self.port,
            username=self.user or None,
            password=password or None,
            identifier=identifier,
            will=will,
            protocol=aiomqtt.ProtocolVersion.V5 if self.protocol == "5" else aiomqtt.ProtocolVersion.V311,
            keepalive=KEEPALIVE_S,
            timeout=TIMEOUT_S,
            tls_context=context,
            logger=_SILENT,
            max_inflight_messages=WINDOW,
            **clean | more,
        )

    def explain(self, error: BaseException) -> str:
        """What an error of the connection means, with what to do about it; beginning with the address."""
        return f"{self.address}: {self._meaning(error)}"

    def _key(self, name: str) -> str:
        """What a setting is called where it was given."""
        if not self.by_options:
            return f"mqtt.{name}"
        return "--mqtt-" + {"tls_ca_file": "ca-file"}.get(name, name.replace("_", "-"))

    def _secret(self) -> str:
        if isinstance(self.password, str):
            return self.password
        try:
            return self.password()
        except ValueError as e:  # SettingsError, which this room does not know
            raise BrokerError(str(e)) from e

    def _context(self) -> ssl.SSLContext:
        trusted = Path(self.tls_ca_file).expanduser() if self.tls_ca_file else None
        try:
            context = ssl.create_default_context(cafile=trusted)
        except (OSError, ValueError) as e:
            raise BrokerError(f"{self._key('tls_ca_file')} = {self.tls_ca_file!r}: {_file_fault(e)}") from e
        if self.tls_cert_file:
            own, key = (Path(file).expanduser() if file else None for file in (self.tls_cert_file, self.tls_key_file))
            assert own is not None
            try:
                # A key that wants a password would be asked for at a terminal that nobody watches.
                context.load_cert_chain(own, key, password=lambda: "")
            except (OSError, ValueError) as e:
                files = f"mqtt.tls_cert_file = {self.tls_cert_file!r}, mqtt.tls_key_file = {self.tls_key_file!r}"
                raise BrokerError(f"{files}: {_file_fault(e)}") from e
        return context

    def _meaning(self, error: BaseException) -> str:
        if isinstance(error, BrokerError):
            return str(error)
        if isinstance(error, Unanswered):
            told = f"it did not answer within {TIMEOUT_S:g} s"
            return told if error.accepted else told + self._mismatch()
        cause = error.__cause__ or error.__context__  # aiomqtt hides the cause of a failed connect, and keeps it
        if isinstance(cause, ssl.SSLError):
            return self._tls_meaning(cause)
        if isinstance(code := cause if isinstance(cause, aiomqtt.MqttCodeError) else error, aiomqtt.MqttCodeError):
            return self._code_meaning(code)
        if isinstance(cause, ConnectionResetError) and self.tls:
            return f"it closed the connection when TLS began; {self._no_tls()}"
        if isinstance(cause, OSError):
            return unreached(cause, f"{self._key('host')}, {self._key('port')}")
        return str(error) or type(error).__name__

    def _no_tls(self) -> str:
        without = "leave --mqtt-tls out" if self.by_options else "tls = false"
        return f"it does not speak TLS at this port: {without}, or the broker's port for TLS (commonly 8883)"

    def _code_meaning(self, error: aiomqtt.MqttCodeError) -> str:
        code = error.rc.value if isinstance(error.rc, ReasonCode) else error.rc
        words = str(error.rc) if isinstance(error.rc, ReasonCode) else paho.error_string(code or 0)
        if code == NO_SUCH_VERSION or (self.protocol == "5" and code == paho.MQTT_ERR_PROTOCOL):
            other = "3.1.1" if self.protocol == "5" else "5"
            return f"the broker does not speak MQTT {self.protocol}: {self._protocol(other)}"
        if code in (BAD_LOGIN, NOT_AUTHORIZED) and isinstance(error, MqttConnectError):
            if not self.user:
                keys = f"{self._key('user')} and {self._key('password_file')}"
                return f"{words}: the broker takes nobody without a name: set {keys}"
            wrong = f"the broker does not accept user {self.user!r} with its password"
            return f"{words}: {wrong}; {self._key('password_file')}"
        if "before it was accepted" in str(error.args):
            return f"the broker closed the connection before it accepted it{self._mismatch()}"
        if isinstance(error.rc, ReasonCode) and code != UNSPECIFIED:
            return f"the broker ended it: {words} (reason code 0x{code:02X})"
        return "the connection was lost"

    def _protocol(self, version: str) -> str:
        return f"--mqtt-protocol {version}" if self.by_options else f'protocol = "{version}" in [mqtt] of the settings'

    def _mismatch(self) -> str:
        hints = []
        if not self.tls:
            hints.append(
                f"a port for TLS does so when asked without it ({'--mqtt-tls' if self.by_options else 'tls = true'})"
            )
        elif not self.tls_cert_file:
            hints.append("one that wants a certificate from us does so (tls_cert_file, tls_key_file)")
        else:
            hints.append("one that does not accept our certificate does so (tls_cert_file, tls_key_file)")
        if self.protocol == "5":
            how = "--mqtt-protocol 3.1.1" if self.by_options else 'protocol = "3.1.1"'
            hints.append(f"so does a broker that speaks only MQTT 3.1.1 ({how})")
        return "; " + ", ".join(hints)

    def _tls_meaning(self, error: ssl.SSLError) -> str:
        if isinstance(error, ssl.SSLCertVerificationError):
            told = error.verify_message
            # OpenSSL, x509_vfy.h: 10 expired, 9 not yet valid, 62 and 64 another host or address.
            if error.verify_code in (9, 10):
                return f"its certificate is not valid today: {told}; renew it, or set this machine's clock"
            if error.verify_code in (62, 64):
                return (
                    f"its certificate is for another host: {told}; set {self._key('host')} to a name that stands in it"
                )
            whose = (
                f"by {self.tls_ca_file}"
                if self.tls_ca_file
                else f"by this system ({self._key('tls_ca_file')} is not set)"
            )
            return f"its certificate is not signed by anybody trusted {whose}: {told}"
        if error.reason in ("WRONG_VERSION_NUMBER", "RECORD_LAYER_FAILURE"):
            return self._no_tls()
        return f"TLS failed: {error.reason or error}; {self._key('tls')}, mqtt.tls_cert_file"


def _file_fault(error: Exception) -> str:
    if isinstance(error, ssl.SSLError):
        return f"holds no certificate or key in PEM form that fits ({error.reason or error})"
    return f"cannot be read: {getattr(error, 'strerror', None) or error}"


def not_granted(answers: Iterable[Any]) -> str:
    """What a broker said to a subscription that it does not grant, in words; '': it grants all."""
    for answer in answers:
        if getattr(answer, "is_failure", False) or (isinstance(answer, int) and answer >= 0x80):  # MQTT 3.1.1 §3.9.3
            return str(answer) if not isinstance(answer, int) else "refused"
    return ""


def first_of(group: BaseExceptionGroup[Any]) -> BaseException:
    """The error that ended a connection: all its tasks end with it."""
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
