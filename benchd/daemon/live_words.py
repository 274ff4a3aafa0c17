"""Readings as live messages say them: to the pages, and over MQTT."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchd.daemon.watch import MODE_WORDS, ChannelWatch
from benchd.reading import Mode
from benchd.store.mqtt_payloads import Reading, State
from benchd.traces.samples import Samples
from benchd.traces.thin import thin

LIVE_POINTS = 40
"""Points of one live message: at 20 messages a second that is 800 a second, more than a phone has pixels for."""


def samples_message(watch: ChannelWatch, fresh: Samples) -> dict[str, Any]:
    """Readings for page clients: offsets in ms from `t0_ns`, thinned so that no spike is lost; and the newest mode."""
    thinned = thin(fresh, LIVE_POINTS)
    start = int(thinned.t_ns[0])
    return {
        "type": "samples",
        "supply": watch.supply,
        "channel": watch.number,
        "t0_ns": start,
        "t_ms": np.round((thinned.t_ns - start) / 1e6, 3).tolist(),
        "v": np.round(thinned.voltage_v, 6).tolist(),
        "i": np.round(thinned.current_a, 6).tolist(),
        "mode": MODE_WORDS[Mode(int(fresh.mode[-1]))],
    }


def live_numbers(watch: ChannelWatch) -> Reading:
    """The newest reading, for MQTT."""
    assert watch.latest is not None
    t_ns, volts, amps, mode = watch.latest
    return Reading(
        t_ns=t_ns,
        voltage_v=round(volts, 6),
        current_a=round(amps, 6),
        power_w=round(volts * amps, 6),
        mode=MODE_WORDS[mode],
        trace=watch.open.id if watch.open else None,
    )


def state_of(watch: ChannelWatch, job: str | None, consent_needed: bool) -> State:
    """How an output stands, for MQTT. `job`: the one on the bench."""
    return State(
        output=str(watch.output),
        reason=watch.reason,
        stage=watch.power.stage if watch.on and watch.power is not None else None,
        latched=watch.latched,
        link_up=watch.link_up,
        set_voltage_v=watch.set_voltage_v,
        limit_a=watch.limit_a,
        job=job,
        trip=watch.trip,
        trust=watch.met.trust if watch.met else None,
        consent_needed=consent_needed,
        procedure=watch.tap.run if watch.tap is not None else None,
    )
