"""What a supply can do, in sentences, read off its profile."""

from __future__ import annotations

from benchd.supplies.profile_tables import OutputRange, Profile, Protection, listed

TRUST = {
    "unverified": "UNVERIFIED: from thin documents; benchd asks once before it switches an output on",
    "documented": "checked line by line against documents, not against the hardware",
    "simulated": "made for the simulated supply",
    "recorded": "agrees with a recording of the hardware",
    "used": "people have used it for repairs",
}
"""How well a profile is verified."""

_BESIDE = {
    "power": "measures power",
    "sense": "remote sensing",
    "over_temperature": "says when it is too hot",
    "panel_lock": "its panel can be locked",
    "data_log": "can log by itself",
    "clear_status": "knows *CLS",
    "reset": "knows *RST",
}
"""Abilities that this program makes no use of; those that it can try are told by `benchd supplies try`."""

_MODES = {
    "derived": "constant current is told from the readings",
    "bits": "it says itself whether it is in constant current",
    "word": "it says itself whether it is in constant current",
}


def abilities(profile: Profile) -> list[str]:
    """One sentence for each thing that matters to who wants to use it."""
    said = [_output(profile, output) for output in profile.outputs]
    if profile.channels.fixed:
        said.append(f"output {listed(profile.channels.fixed)}: fixed, cannot be set or read; left alone")
    if profile.channels.switch == "all" and len(profile.channel_numbers) > 1:
        said.append("one switch for all outputs: only one of them can be used")
    said.append(_MODES[profile.mode.source])
    for name, protection in (("over-voltage", profile.over_voltage), ("over-current", profile.over_current)):
        said.append(_protection(name, protection))
    if profile.watchdog:
        span = f"{profile.watchdog.min_delay_s:g} to {profile.watchdog.max_delay_s:g} s"
        said.append(f"switches off by itself when no message came for {span}, where link_watchdog_s asks for it")
    said.append("reports errors" if profile.errors else "reports no errors: settings are proved by reading them back")
    if profile.tracking:
        said.append("series and parallel coupling is noticed, and refused")
    elif len(profile.channel_numbers) > 1:
        said.append("series and parallel coupling cannot be noticed: see to it at the panel")
    if profile.array:
        said.append(f"takes readings by itself, every {profile.array.interval_ms:g} ms, and hands them over in blocks")
    elif profile.read.refresh_ms:
        said.append(f"renews its readings every {profile.read.refresh_ms:g} ms")
    if profile.variants:
        said.append("ranges differ by model: what counts is found out when it is opened")
    if beside := [text for flag, text in _BESIDE.items() if getattr(profile.abilities, flag)]:
        said.append(f"its documents name beside: {', '.join(beside)}")
    if "tcp" in profile.link.interfaces:
        said.append(f"on a network its raw socket is port {profile.link.tcp_port}")
    if profile.link.one_client:
        said.append("serves one connection at a time: end other programs that talk to it")
    if profile.link.serial.levels == "ttl":
        said.append("TTL levels on its serial connector: a plain RS-232 cable can damage it")
    return [*said, *profile.notes]


def _output(profile: Profile, output: OutputRange) -> str:
    word = "output" if len(output.numbers) == 1 else "outputs"
    sign = "-" if output.negative else ""
    return (
        f"{word} {listed(output.numbers)}: {sign}{output.min_voltage_v:g} to {sign}{output.max_voltage_v:g} V, "
        f"{output.min_limit_a:g} to {output.max_limit_a:g} A, reads {_milli(output.read_resolution_v)}V and "
        f"{_milli(output.read_resolution_a)}A"
    )


def _milli(step: float) -> str:
    """A step of V or A, as `10 m` or `50 µ`."""
    return f"{step * 1e3:g} m" if step >= 1e-3 else f"{step * 1e6:g} µ"


def _protection(name: str, protection: Protection | None) -> str:
    if protection is None:
        return f"no {name} protection of its own that can be set"
    how = "with a level of its own" if protection.level == "own" and protection.set_level else "at the current limit"
    if protection.level == "own" and not protection.set_level:
        how = "whose level cannot be set from here"
    delay = f", after {protection.min_delay_s:g} to {protection.max_delay_s:g} s" if protection.set_delay else ""
    return f"{name} protection of its own, {how}{delay}"
