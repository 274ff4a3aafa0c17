"""Settings, protections, outputs and measurements, in the words of SCPI-1999 vol. 2 and vol. 4 (power supplies)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from benchd.sim.bench import Channel, Protection
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call
from benchd.sim.values import boolean, name, nr2, nr3, setting, whole
from benchd.sim.words import WORDS

if TYPE_CHECKING:
    from benchd.sim.instrument import Instrument

VOLTAGE = "[SOURce:]VOLTage"
CURRENT = "[SOURce:]CURRent"
LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"


@WORDS.order("INSTrument:NSELect", 1)
def _select_number(instrument: Instrument, call: Call) -> None:
    instrument.selected = whole(call.parameters[0], 1, len(instrument.channels)) - 1


@WORDS.query("INSTrument:NSELect")
def _selected_number(instrument: Instrument, _call: Call) -> str:
    return str(instrument.selected + 1)


@WORDS.order("INSTrument[:SELect]", 1)
def _select(instrument: Instrument, call: Call) -> None:
    instrument.selected = _place(instrument, call.parameters[0])


@WORDS.query("INSTrument[:SELect]")
def _selected(instrument: Instrument, _call: Call) -> str:
    return f"CH{instrument.selected + 1}"


def _place(instrument: Instrument, text: str) -> int:
    names = [f"CH{place + 1}" for place in range(len(instrument.channels))]
    given = name(text)
    if given not in names:
        raise ScpiError(-224, f"{text} is none of {' '.join(names)}")
    return names.index(given)


def _voltage(instrument: Instrument, text: str) -> float:
    rating = instrument.rating
    return setting(text, "V", 0.0, rating.voltage_v, 0.0, rating.voltage_step_v)


def _limit(instrument: Instrument, text: str) -> float:
    rating = instrument.rating
    return setting(text, "A", 0.0, rating.current_a, rating.reset_limit_a, rating.current_step_a)


@WORDS.order(VOLTAGE + LEVEL, 1)
def _set_voltage(instrument: Instrument, call: Call) -> None:
    instrument.channel.set(call.now_s, voltage_v=_voltage(instrument, call.parameters[0]))


@WORDS.query(VOLTAGE + LEVEL, 0, 1)
def _get_voltage(instrument: Instrument, call: Call) -> str:
    source = instrument.channel.source
    value = _voltage(instrument, _bound(call)) if call.parameters else source.voltage_v
    return nr2(value, instrument.rating.voltage_step_v)


@WORDS.order(CURRENT + LEVEL, 1)
def _set_limit(instrument: Instrument, call: Call) -> None:
    instrument.channel.set(call.now_s, limit_a=_limit(instrument, call.parameters[0]))


@WORDS.query(CURRENT + LEVEL, 0, 1)
def _get_limit(instrument: Instrument, call: Call) -> str:
    source = instrument.channel.source
    value = _limit(instrument, _bound(call)) if call.parameters else source.limit_a
    return nr2(value, instrument.rating.current_step_a)


def _bound(call: Call) -> str:
    """The one thing a query may ask for beside the setting itself: MINimum, MAXimum or DEFault."""
    return name(call.parameters[0])


@WORDS.order("APPLy", 1, 3)
def _apply(instrument: Instrument, call: Call) -> None:
    """Set voltage and limit of the named channel, else of the selected one; the selection stays as it is."""
    channel, values = _applied_to(instrument, call.parameters)
    if not values:
        raise ScpiError(-109)
    if len(values) > 2:
        raise ScpiError(-108, values[2])
    voltage_v = _voltage(instrument, values[0])
    limit_a = _limit(instrument, values[1]) if values[1:] else None
    channel.set(call.now_s, voltage_v=voltage_v, limit_a=limit_a)


@WORDS.query("APPLy", 0, 1)
def _applied(instrument: Instrument, call: Call) -> str:
    channel, values = _applied_to(instrument, call.parameters)
    if values:
        raise ScpiError(-224, values[0])
    rating, source = instrument.rating, channel.source
    return f"{nr2(source.voltage_v, rating.voltage_step_v)},{nr2(source.limit_a, rating.current_step_a)}"


def _applied_to(instrument: Instrument, parameters: tuple[str, ...]) -> tuple[Channel, tuple[str, ...]]:
    if parameters and parameters[0][:2].upper() == "CH":
        return instrument.channels[_place(instrument, parameters[0])], parameters[1:]
    return instrument.channel, parameters


def _protection(path: str, unit: str, of: Callable[[Channel], Protection]) -> None:
    """Declare the commands of one protection; both have the same ones."""

    def level(instrument: Instrument, text: str) -> float:
        rating = instrument.rating
        most = (rating.voltage_v if unit == "V" else rating.current_a) * rating.headroom
        return setting(text, unit, 0.0, most, most, rating.voltage_step_v)

    def delay(instrument: Instrument, text: str) -> float:
        rating = instrument.rating
        usual = 0.0 if unit == "V" else rating.reset_over_current_delay_s
        return setting(text, "S", 0.0, rating.longest_delay_s, usual, 0.001)

    def change(instrument: Instrument, call: Call, **settings: float | bool) -> None:
        instrument.channel.protect(of(instrument.channel), call.now_s, **settings)

    @WORDS.order(f"{path}[:LEVel]", 1)
    def set_level(instrument: Instrument, call: Call) -> None:
        change(instrument, call, level=level(instrument, call.parameters[0]))

    @WORDS.query(f"{path}[:LEVel]", 0, 1)
    def get_level(instrument: Instrument, call: Call) -> str:
        present = of(instrument.channel).level
        return nr2(level(instrument, _bound(call)) if call.parameters else present, 0.001)

    @WORDS.order(f"{path}:STATe", 1)
    def set_state(instrument: Instrument, call: Call) -> None:
        change(instrument, call, enabled=boolean(call.parameters[0]))

    @WORDS.query(f"{path}:STATe")
    def get_state(instrument: Instrument, _call: Call) -> str:
        return _bit(of(instrument.channel).enabled)

    @WORDS.order(f"{path}:DELay", 1)
    def set_delay(instrument: Instrument, call: Call) -> None:
        change(instrument, call, delay_s=delay(instrument, call.parameters[0]))

    @WORDS.query(f"{path}:DELay", 0, 1)
    def get_delay(instrument: Instrument, call: Call) -> str:
        present = of(instrument.channel).delay_s
        return nr2(delay(instrument, _bound(call)) if call.parameters else present, 0.001)

    @WORDS.query(f"{path}:TRIPped")
    def tripped(instrument: Instrument, call: Call) -> str:
        instrument.channel.advance(call.now_s)
        return _bit(of(instrument.channel).tripped)

    @WORDS.order(f"{path}:CLEar")
    def clear(instrument: Instrument, call: Call) -> None:
        # The output stays off: a trip that comes back with power must be a decision, not a side effect.
        change(instrument, call, tripped=False)


_protection(f"{VOLTAGE}:PROTection", "V", lambda channel: channel.over_voltage)
_protection(f"{CURRENT}:PROTection", "A", lambda channel: channel.over_current)


@WORDS.order("OUTPut:PROTection:CLEar")
def _clear_trips(instrument: Instrument, call: Call) -> None:
    channel = instrument.channel
    for protection in (channel.over_voltage, channel.over_current):
        channel.protect(protection, call.now_s, tripped=False)


@WORDS.order(f"{VOLTAGE}:SENSe[:SOURce]", 1)
def _set_sense(instrument: Instrument, call: Call) -> None:
    given = name(call.parameters[0])
    wanted = [place for place, words in enumerate((("INT", "INTERNAL"), ("EXT", "EXTERNAL"))) if given in words]
    if not wanted:
        raise ScpiError(-224, f"{call.parameters[0]} is none of INTernal EXTernal")
    instrument.channel.sense(bool(wanted[0]), call.now_s)


@WORDS.query(f"{VOLTAGE}:SENSe[:SOURce]")
def _get_sense(instrument: Instrument, _call: Call) -> str:
    return "EXT" if instrument.channel.senses else "INT"


WATCHDOG = "OUTPut:PROTection:WDOG"
LONGEST_WATCH_S = 3600.0


def _watch_delay(text: str) -> float:
    return setting(text, "S", 0.1, LONGEST_WATCH_S, 60.0, 0.1)


@WORDS.order(f"{WATCHDOG}[:STATe]", 1)
def _watch(instrument: Instrument, call: Call) -> None:
    instrument.watchdog.enabled = boolean(call.parameters[0])


@WORDS.query(f"{WATCHDOG}[:STATe]")
def _watched(instrument: Instrument, _call: Call) -> str:
    return _bit(instrument.watchdog.enabled)


@WORDS.order(f"{WATCHDOG}:DELay", 1)
def _set_watch(instrument: Instrument, call: Call) -> None:
    instrument.watchdog.delay_s = _watch_delay(call.parameters[0])


@WORDS.query(f"{WATCHDOG}:DELay", 0, 1)
def _get_watch(instrument: Instrument, call: Call) -> str:
    return nr2(_watch_delay(_bound(call)) if call.parameters else instrument.watchdog.delay_s, 0.1)


@WORDS.query(f"{WATCHDOG}:TRIPped")
def _watch_tripped(instrument: Instrument, _call: Call) -> str:
    return _bit(instrument.watchdog.tripped)


@WORDS.order(f"{WATCHDOG}:CLEar")
def _clear_watch(instrument: Instrument, _call: Call) -> None:
    # As with the other trips, outputs stay off.
    instrument.watchdog.tripped = False


@WORDS.order("OUTPut[:STATe]", 1)
def _switch(instrument: Instrument, call: Call) -> None:
    on = boolean(call.parameters[0])
    channel = instrument.channel
    if on:
        channel.advance(call.now_s)
        if instrument.watchdog.tripped or channel.over_voltage.tripped or channel.over_current.tripped:
            raise ScpiError(-221, "protection tripped, clear it first")
    instrument.switch((instrument.selected,), on, call.now_s)


@WORDS.query("OUTPut[:STATe]")
def _state(instrument: Instrument, call: Call) -> str:
    instrument.channel.advance(call.now_s)
    return _bit(instrument.channel.source.on)


def _bit(value: bool) -> str:
    return "1" if value else "0"


def _measure(quantity: str, of: Callable[[float, float], float]) -> None:
    """Declare both verbs: readings are made all the time, so both give the latest one."""

    def show(instrument: Instrument, call: Call) -> str:
        return nr3(of(*instrument.shown(instrument.selected, call.now_s)))

    for verb in ("MEASure", "FETCh"):
        WORDS.query(f"{verb}[:SCALar]:{quantity}[:DC]")(show)


_measure("VOLTage", lambda voltage_v, _current_a: voltage_v)
_measure("CURRent", lambda _voltage_v, current_a: current_a)
_measure("POWer", lambda voltage_v, current_a: voltage_v * current_a)
