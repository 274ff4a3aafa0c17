"""`benchd supplies try`: a guided, safe check of a profile on the user's own instrument."""

from __future__ import annotations

import functools
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.supplies.profile_tables import Profile
    from benchd.supplies.recording_text import Origin
    from benchd.supplies.tryout import Tryout, Unit


def try_(
    name: Annotated[str, typer.Argument(help="A supply in the settings; leave it out with --resource.")] = "",
    resource: Annotated[str, typer.Option("--resource", help="VISA resource name, without settings.")] = "",
    profile: Annotated[str, typer.Option("--profile", help="Profile by name or file; with --resource.")] = "",
    channel: Annotated[
        int | None, typer.Option("--channel", min=1, max=31, help="Output number; the first one without it.")
    ] = None,
    output: Annotated[
        bool,
        typer.Option("--output", help="Then switch on into open terminals, at 1 V or its lowest, after asking."),
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --output: nothing is connected to the leads; do not ask.")
    ] = False,
    save: Annotated[
        Path | None,
        typer.Option("--save", help="Write the exchange as a recording: a file, or a folder for it."),
    ] = None,
    origin: Annotated[str, typer.Option("--origin", help="Of the recording: hardware or simulated.")] = "",
    baud: Annotated[int | None, typer.Option("--baud", min=50, max=4_000_000, help="With --resource.")] = None,
    timeout_ms: Annotated[float | None, typer.Option("--timeout-ms", min=20, max=10000, help="For one reply.")] = None,
    visa_library: Annotated[
        str, typer.Option("--visa-library", help="PyVISA backend; without it that of the settings, or @py.")
    ] = "",
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Try what a profile says on your own supply. Switches the output OFF first: nothing may depend on its power.

    Settings are changed to low values, read back, and set again as they were. Exit status 1 when a check failed.
    Example: benchd supplies try left --output --save .
    """
    if origin not in ("", "hardware", "simulated"):
        out.fail(f"--origin {origin!r}: allowed are hardware, simulated", 2)
    if save is not None and save.is_file():
        out.fail(f"--save {save}: there is such a file already; name another one, or a folder", 2)
    if bool(name) == bool(resource) or (resource and not profile) or (name and profile):
        out.fail("give the name of a supply in the settings, or --resource and --profile", 2)
    unit = _named(name, channel, timeout_ms, visa_library, config) if name else None
    if unit is None:
        unit = _given(resource, profile, channel, timeout_ms, visa_library, baud)
    tryout = _run(unit, output, yes, json_)
    if save is not None:
        _save(tryout, save, "simulated" if origin == "simulated" else "hardware" if origin else "", json_)
    _finish(tryout, json_)


def _named(name: str, channel: int | None, timeout_ms: float | None, library: str, config: Path | None) -> Unit:
    from benchd.supplies.tryout import Unit

    settings = out.settings(config)
    for supply in settings.supply:
        if supply.name == name:
            numbers = [each.number for each in supply.channel]
            if channel is not None and channel not in numbers:
                out.fail(f"supply {name} has no channel {channel} in the settings; it has {numbers}", 2)
            envelope = supply.channel[numbers.index(channel) if channel is not None else 0]
            timeout_s = (timeout_ms or supply.timeout_ms) / 1e3
            return Unit(
                supply.resource, _profile(supply.profile), envelope.number, supply.serial, timeout_s, supply.baud_rate,
                library or supply.visa_library, envelope.max_voltage_v, envelope.max_limit_a,
            )  # fmt: skip
    known = ", ".join(supply.name for supply in settings.supply) or "none"
    out.fail(f"no supply {name!r} in the settings; there are: {known}", 2)


def _given(
    resource: str, profile: str, channel: int | None, timeout_ms: float | None, library: str, baud: int | None
) -> Unit:
    from benchd.supplies.tryout import Unit

    found = _profile(profile)
    number = channel or found.channel_numbers[0]
    return Unit(resource, found, number, "", (timeout_ms or 1000.0) / 1e3, baud, library or "@py")


def _profile(name: str) -> Profile:
    from benchd.supplies.profile import ProfileError, load_profile

    with out.errors(ProfileError):
        return load_profile(name)


def _run(unit: Unit, output: bool, yes: bool, as_json: bool) -> Tryout:
    from benchd.cli.supplies_try_text import record, result_text
    from benchd.daemon.run import StartError, lock_dir
    from benchd.supplies.lock import SupplyHeld, SupplyLock
    from benchd.supplies.profile_tables import ProfileError
    from benchd.supplies.tryout import Tryout
    from benchd.supplies.tryout_checks import output_off_checks
    from benchd.supplies.tryout_output import output_on_checks

    with out.errors(StartError, SupplyHeld, ProfileError, OSError):
        unit.profile.check_channels([unit.channel])
        lock = SupplyLock(lock_dir(), unit.resource, "benchd supplies try")
    tryout = Tryout(unit, lambda result: out.emit(record(result), result_text(result), as_json))
    checks = [output_off_checks]
    if output:
        checks.append(functools.partial(output_on_checks, consent=lambda: _consent(tryout, yes)))
    try:
        tryout.run(checks)
    except KeyboardInterrupt:
        _interrupted(tryout)
    finally:
        lock.release()
    return tryout


def _consent(tryout: Tryout, yes: bool) -> str:
    """Why not, or nothing. The person is told what may happen, and has to write the word."""
    from benchd.cli.supplies_try_text import cautions

    typer.echo(cautions(tryout), err=True)
    if yes:
        return ""
    typer.echo(f"Is nothing connected to the leads of channel {tryout.unit.channel}? Type yes to go on: ", err=True)
    answer = sys.stdin.readline().strip().lower()
    return "" if answer == "yes" else f"not agreed to ({answer!r} was typed, yes was asked for)"


def _interrupted(tryout: Tryout) -> NoReturn:
    if tryout.identified is None:
        out.fail("interrupted; nothing was set", 130)
    if tryout.state != "off":
        out.fail(f"interrupted; THE OUTPUT IS {tryout.state.upper()}: switch it off at the supply", 130)
    out.fail("interrupted; the output is confirmed off", 130)


def _save(tryout: Tryout, where: Path, origin: Origin | Literal[""], as_json: bool) -> None:
    from benchd.supplies.recording import recording_path
    from benchd.supplies.recording_text import write

    supply = tryout.identified
    if supply is None or supply.named is None:
        out.fail(f"--save {where}: nothing to save, as it was not identified")
    made = origin or ("simulated" if supply.named.maker.lower() == "benchd" else "hardware")
    dialogue = tryout.recorder.dialogue(
        supply.profile.name, made, supply.link.identity or "", supply.named, tryout.unit.channel
    )
    path = where if where.suffix and not where.is_dir() else where / recording_path(dialogue, supply.named)
    with out.errors(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(write(dialogue))
    out.emit({"saved": str(path), "origin": made}, f"saved: {path} (without the serial number)", as_json)


def _finish(tryout: Tryout, as_json: bool) -> NoReturn:
    from benchd.supplies.tryout import Verdict

    verdicts = [result.verdict for result in tryout.results]
    passed, failed, skipped = (verdicts.count(each) for each in (Verdict.PASSES, Verdict.FAILS, Verdict.SKIPPED))
    told = f"{passed} passed, {failed} failed, {skipped} skipped"
    state = str(tryout.state) if tryout.identified is not None else "not touched"
    record = {"result": "fails" if tryout.failed else "passes", "passed": passed, "failed": failed, "skipped": skipped}
    out.emit(record | {"output": state}, f"{told}; output: {state}", as_json)
    if tryout.identified is not None and tryout.state != "off":
        out.fail("THE OUTPUT IS NOT CONFIRMED OFF: switch it off at the supply, or pull its plug")
    raise typer.Exit(1 if tryout.failed else 0)
