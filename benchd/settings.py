"""benchd.toml → typed settings. A wrong key, type, unit or range is refused with file, key, given and allowed."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import platformdirs
from pydantic import Field, ValidationError, field_validator, model_validator

from benchd.checked import Table, faults
from benchd.plans.leads import THICKEST_AWG, THINNEST_AWG, pair_ohm
from benchd.plans.plan import NAME, Amps, Plan, Volts
from benchd.plans.quiet import parse_hours
from benchd.plans.shelf import Shelf
from benchd.settings_jobs import JobSettings
from benchd.settings_web import Web

VISA_LIBRARIES = ("@py", "@ivi", "@sim")

MOST_READINGS_PER_S = 2000
"""Of all channels together where the settings give no interval. A reading costs the guard some 0.1 ms, and what it
takes ahead of everybody else is missing to the daemon."""
SHORTEST_INTERVAL_MS = 1.0


class SettingsError(ValueError):
    """The settings cannot be used. One line per fault: file, key, what was given, what is allowed."""


def _name(text: str) -> str:
    if not NAME.fullmatch(text):
        raise ValueError("allowed are 1 to 32 of a-z, 0-9 and '-', starting and ending with a letter or digit")
    return text


class Channel(Table):
    """One output with its envelope, and the leads on it."""

    number: Annotated[int, Field(ge=1, le=31)] = 1
    max_voltage_v: Volts
    max_limit_a: Amps
    plan: str
    lead_mohm: Annotated[float, Field(ge=0, le=5000)] | None = None
    """Both leads together with their contacts, measured."""
    lead_awg: Annotated[int, Field(ge=THICKEST_AWG, le=THINNEST_AWG)] | None = None
    lead_m: Annotated[float, Field(gt=0, le=10)] | None = None
    """Length of one lead; there are two."""
    sense: Literal["local", "remote"] | None = None
    """Where the supply holds and measures the voltage: at its terminals, or at the far end of sense leads. Not given:
    as it is set at the supply."""

    @property
    def lead_ohm(self) -> float:
        """Both leads together, Ω, at 20 °C where it comes from gauge and length; 0.0 where nothing is given."""
        if self.lead_mohm is not None:
            return self.lead_mohm / 1e3
        if self.lead_awg is not None and self.lead_m is not None:
            return pair_ohm(self.lead_awg, self.lead_m)
        return 0.0

    @model_validator(mode="after")
    def _leads_once(self) -> Channel:
        if (self.lead_awg is None) != (self.lead_m is None):
            raise ValueError("lead_awg and lead_m go together: gauge, and length of one lead in m")
        if self.lead_mohm is not None and self.lead_awg is not None:
            raise ValueError("lead_mohm is the measured resistance of both leads: leave lead_awg and lead_m out then")
        return self


class Supply(Table):
    """One supply."""

    name: str
    resource: str
    profile: str
    serial: Annotated[str, Field(max_length=64)] = ""
    reading_interval_ms: Annotated[float, Field(ge=0, le=1000)] | None = None
    timeout_ms: Annotated[float, Field(ge=20, le=10000)] = 300.0
    on_daemon_loss: Literal["off", "hold"] = "off"
    baud_rate: Annotated[int, Field(ge=300, le=4_000_000)] | None = None
    visa_library: str = "@py"
    array_readback: bool = False
    link_watchdog_s: Annotated[float, Field(ge=1, le=3600)] | None = None
    """The supply itself switches off after so long without a message, where its family can."""
    channel: Annotated[list[Channel], Field(min_length=1)]

    _check_name = field_validator("name")(_name)

    @field_validator("resource")
    @classmethod
    def _resource(cls, text: str) -> str:
        if not re.fullmatch(r"(?i)(TCPIP\d*|USB\d*|GPIB\d*|ASRL)\S*(::\S+)*", text) or "::" not in text:
            raise ValueError(
                "allowed is a VISA resource name, for example TCPIP0::192.0.2.5::5025::SOCKET or "
                "ASRL/dev/ttyUSB0::INSTR (`benchd supplies` lists what is there)"
            )
        return text

    @field_validator("visa_library")
    @classmethod
    def _library(cls, text: str) -> str:
        path = "/" in text and "\0" not in text and text.isprintable() and not text.startswith("@")
        if text not in VISA_LIBRARIES and not path:
            raise ValueError(
                f"allowed are {', '.join(VISA_LIBRARIES)} (PyVISA-py, an installed VISA, PyVISA-sim) or the path of a "
                "library, for example /usr/lib/libvisa.so"
            )
        return text

    @field_validator("serial")
    @classmethod
    def _tells_apart(cls, text: str) -> str:
        from benchd.supplies.profile_link import NO_SERIAL

        if text and (NO_SERIAL.fullmatch(text.strip()) or not text.isprintable()):
            raise ValueError(
                "allowed is the unit's serial number as its identification gives it, one that tells two units apart; "
                "where the supply has none, leave this key out"
            )
        return text.strip()

    @model_validator(mode="after")
    def _numbers_once(self) -> Supply:
        numbers = [c.number for c in self.channel]
        if len(set(numbers)) != len(numbers):
            raise ValueError(f"channel numbers {numbers}: each may stand once")
        return self


class LogSettings(Table):
    """What becomes of the log's file with time."""

    thin_after_months: Annotated[int, Field(ge=1, le=600)] | None = None
    """Readings older than this are thinned, peaks kept, but for those that are kept whole; not given: none is."""
    thin_when_full: bool = False
    """The oldest of those that may be thinned are, too, when the disk is full."""
    backup_dir: str = ""
    """Where the daemon puts a copy of the log each day; empty: none."""
    backups_kept: Annotated[int, Field(ge=1, le=1000)] = 7


class Influx(Table):
    """The time-series follower."""

    url: Annotated[str, Field(pattern=r"^https?://\S+$")]
    write_path: Literal["v2", "v1"] = "v2"
    """v1: `/write`, for servers before 1.8; `bucket` is the database then, and `token` is user:password."""
    bucket: str = "benchd"
    org: str = ""
    token: str = ""
    token_file: str = ""
    batch_lines: Annotated[int, Field(ge=1, le=50_000)] = 5000
    batch_age_s: Annotated[float, Field(ge=0.1, le=60)] = 1.0
    """How long readings may wait for a fuller batch."""
    gzip: bool | None = None
    """Not given: squeezed unless the server is on this machine."""

    @model_validator(mode="after")
    def _bare_address(self) -> Influx:
        # What stands in the address is shown: in messages, on the page, in the log. So it is not shown here either.
        if re.search(r"[?#@]", self.url):
            raise ValueError(
                "url with a user, a password or a query (@, ?, #) in it: nothing of these is sent, and it would be "
                "shown; give the bare address, as http://host:8086, and token_file or token for what is secret"
            )
        return self


class Mqtt(Table):
    """The MQTT follower."""

    host: Annotated[str, Field(min_length=1)]
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    user: str = ""
    password: str = ""
    password_file: str = ""
    protocol: Literal["3.1.1", "5"] = "5"
    tls: bool = False
    tls_ca_file: str = ""
    """Whose certificates are trusted; empty: those of the system."""
    tls_cert_file: str = ""
    tls_key_file: str = ""
    """The daemon's own certificate and key, for brokers that ask for one."""
    discovery: bool = False
    """Describe the outputs to home-automation hubs."""
    discovery_prefix: Annotated[str, Field(pattern=r"^[^+#\x00/]+(/[^+#\x00/]+)*$")] = "homeassistant"
    commands: bool = False
    """Besides off, which is always taken."""

    @model_validator(mode="after")
    def _go_together(self) -> Mqtt:
        files = [key for key in ("tls_ca_file", "tls_cert_file", "tls_key_file") if getattr(self, key)]
        if files and not self.tls:
            raise ValueError(f"{', '.join(files)} without tls = true: nothing would be encrypted; set tls = true")
        if self.tls_key_file and not self.tls_cert_file:
            raise ValueError("tls_key_file without tls_cert_file: give the certificate that belongs to the key")
        if (self.password or self.password_file) and not self.user:
            raise ValueError("a password without user: a broker takes none without a name; give user")
        return self


class CaptureSettings(Table):
    """When a trace begins and ends."""

    pre_roll_s: Annotated[float, Field(ge=0, le=30)] = 2.0
    removal_s: Annotated[float, Field(ge=0.5, le=120)] = 5.0
    settle_s: Annotated[float, Field(ge=1, le=600)] = 15.0
    longest_s: Annotated[float, Field(ge=5, le=3600)] = 300.0


class GuardSettings(Table):
    """What people may do after a trip, and when nobody is there."""

    rearm_pause_s: Annotated[float, Field(ge=0.5, le=600)] = 2.0
    rearm_per_minute: Annotated[int, Field(ge=1, le=60)] = 6
    quiet_hours: str = ""

    @field_validator("quiet_hours")
    @classmethod
    def _hours(cls, text: str) -> str:
        parse_hours(text)
        return text


class Settings(Table):
    """The whole file."""

    bench: str = "bench"
    data_dir: str = ""
    web: Annotated[Web, Field(default_factory=Web)]
    capture: CaptureSettings = CaptureSettings()
    guard: GuardSettings = GuardSettings()
    plan: Annotated[list[Plan], Field(default_factory=list)]
    supply: Annotated[list[Supply], Field(min_length=1)]
    jobs: JobSettings = JobSettings()
    log: LogSettings = LogSettings()
    influxdb: Influx | None = None
    mqtt: Mqtt | None = None

    _check_name = field_validator("bench")(_name)

    @field_validator("data_dir")
    @classmethod
    def _folder(cls, text: str) -> str:
        if "\0" in text:
            raise ValueError("allowed is the path of a folder")
        try:
            Path(text).expanduser()
        except RuntimeError:
            raise ValueError("the user after '~' is not known here; write the whole path") from None
        return text

    @property
    def data_path(self) -> Path:
        """Where log, locks and the running daemon's address lie."""
        return Path(self.data_dir).expanduser() if self.data_dir else platformdirs.user_data_path("benchd")

    def interval_ms(self, supply: Supply) -> float:
        """From one round of readings of a supply to the next, ms: as set, else shared out among all channels."""
        if supply.reading_interval_ms is not None:
            return supply.reading_interval_ms
        channels = sum(len(each.channel) for each in self.supply)
        return max(SHORTEST_INTERVAL_MS, channels * 1e3 / MOST_READINGS_PER_S)

    @property
    def shelf(self) -> Shelf:
        """The plans of this bench. Keep it: each call makes a new one, which reads the files anew."""
        return Shelf(self.data_path / "plans", self.plan)

    @model_validator(mode="after")
    def _joined_up(self) -> Settings:
        for kind, names in (("plan", [p.name for p in self.plan]), ("supply", [s.name for s in self.supply])):
            twice = sorted({n for n in names if names.count(n) > 1})
            if twice:
                raise ValueError(f"{kind} name {', '.join(twice)}: each name may stand once")
        resources = [s.resource.lower() for s in self.supply]
        if len(set(resources)) != len(resources):
            raise ValueError("two supplies have the same resource; list its outputs as channels of one supply")
        shelf = self.shelf
        for s in self.supply:
            for c in s.channel:
                found = shelf.find(c.plan)
                # One's own is edited on the page while the bench runs: power-on refuses it, a start need not.
                if found is None or found.origin != "own":
                    check_plan(self, s.name, c, shelf=shelf)
        return self


def check_plan(
    settings: Settings, supply: str, channel: Channel, name: str | None = None, shelf: Shelf | None = None
) -> Plan:
    """The plan that a channel would be powered with; the stages of a plan never go beyond its boot.

    Raises ValueError when it is missing, exceeds the envelope, or could not trip as soon as it says.
    """
    wanted = name or channel.plan
    shelf = shelf or settings.shelf
    found = shelf.find(wanted)
    where = f"supply {supply} channel {channel.number}"
    if found is None:
        raise ValueError(f"{where}: plan {wanted!r} is not there; {_instead(shelf, wanted)}")
    plan = found.plan
    if not plan.voltage_v <= channel.max_voltage_v:
        raise ValueError(
            f"{where}: plan {wanted!r} asks for {plan.voltage_v} V, the channel's max_voltage_v is "
            f"{channel.max_voltage_v} V"
        )
    if not plan.limit_a <= channel.max_limit_a:
        raise ValueError(
            f"{where}: plan {wanted!r} asks for {plan.limit_a} A, the channel's max_limit_a is {channel.max_limit_a} A"
        )
    _check_patience(plan, next(s for s in settings.supply if s.name == supply), where)
    return plan


def _instead(shelf: Shelf, name: str) -> str:
    """What there is in place of a plan that is not there; or why its file cannot be used."""
    broken = [fault for fault in shelf.faults() if f"{name}.toml: " in fault]
    return "; ".join(broken) or f"there are: {', '.join(shelf.names())}"


MOST_PROBE_J = 0.09
"""What a probe may put into a rail before its first reading, J: a dead short is to get less than 0.1 J. Our choice."""


def _check_patience(plan: Plan, supply: Supply, where: str) -> None:
    """Raises ValueError where readings come too slowly for the plan's stale_ms, or for its probe."""
    promise = f"{where}: plan {plan.name!r} is to trip after stale_ms = {plan.stale_ms} ms without a reading, but"
    if not supply.timeout_ms <= plan.stale_ms:
        raise ValueError(
            f"{promise} one reply may take timeout_ms = {supply.timeout_ms} ms: lower timeout_ms of the supply, or "
            "raise stale_ms of the plan"
        )
    from benchd.supplies.pace import round_s
    from benchd.supplies.profile import ProfileError, load_profile

    try:
        profile = load_profile(supply.profile)
    except ProfileError:
        return  # told where the profile is used
    channels = len(supply.channel)
    round_ms = 1e3 * round_s(profile, channels, supply.resource.upper().startswith("ASRL"))
    if not round_ms <= plan.stale_ms:
        raise ValueError(
            f"{promise} by the rests in profile {profile.name} one round of readings of its {channels} channels takes "
            f"{round_ms:.0f} ms: raise stale_ms of the plan, or use fewer channels"
        )
    if plan.probe is None:
        return
    probe_j = plan.probe.voltage_v * plan.probe.limit_a * round_ms / 1e3
    if not probe_j < MOST_PROBE_J:
        raise ValueError(
            f"{where}: plan {plan.name!r} probes with {plan.probe.voltage_v} V at {plan.probe.limit_a} A, and by the "
            f"rests in profile {profile.name} a reading takes {round_ms:.0f} ms: that could put {probe_j:.2g} J into a "
            f"short before anybody sees it; allowed is below {MOST_PROBE_J} J: lower the probe's limit_a, or use fewer "
            "channels"
        )


def load(path: Path) -> Settings:
    """Read and check a settings file. Raises SettingsError."""
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise SettingsError(
            f"{path}: no such file; `benchd config example > {path}` writes one to begin with"
        ) from None
    except (OSError, UnicodeDecodeError) as e:
        raise SettingsError(f"{path}: cannot be read: {e}") from e
    except (ValueError, RecursionError) as e:  # beside TOML's own errors: a number of 5000 digits, brackets in brackets
        raise SettingsError(f"{path}: not valid TOML: {e}") from e
    return from_dict(anchored(raw, path), str(path))


def anchored(raw: dict[str, Any], path: Path) -> dict[str, Any]:
    """`raw` of the file `path`: profiles given by a file count from its folder, wherever the daemon is started."""

    def found(supply: Any) -> Any:
        profile = supply.get("profile") if isinstance(supply, dict) else None
        if not isinstance(profile, str) or not ("/" in profile or profile.endswith(".toml")):
            return supply
        return {**supply, "profile": str(path.absolute().parent / Path(profile))}

    supplies = raw.get("supply")
    return {**raw, "supply": [found(each) for each in supplies]} if isinstance(supplies, list) else raw


def from_dict(raw: dict[str, Any], where: str) -> Settings:
    """Check settings that are already parsed. `where` stands for the file in errors. Raises SettingsError."""
    try:
        return Settings.model_validate(raw)
    except ValidationError as e:
        raise SettingsError("\n".join(f"{where}: {fault.text}" for fault in faults(e, Settings))) from None


def secret(value: str, file: str, key: str) -> str:
    """A secret given in the settings or in a file of its own (one line). Raises SettingsError."""
    if not file:
        return value
    try:
        return Path(file).expanduser().read_text("utf-8").strip()
    except (OSError, ValueError, RuntimeError) as e:  # no such file; not UTF-8 text; no such user after '~'
        raise SettingsError(f"{key} = {file!r}: cannot be read: {e}") from e
