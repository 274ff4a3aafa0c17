"""How things look as JSON: one encoder for answers and for the live stream."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np
from starlette.responses import Response

from benchd.traces.samples import Samples
from benchd.traces.thin import thin


def encode(value: Any) -> bytes:
    """JSON. Numbers that JSON cannot say (NaN, infinity) become null."""
    return _encoder.encode(value)


def _numpy(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return value.tolist()
    raise NotImplementedError(f"{type(value).__name__} has no JSON form")


_encoder = msgspec.json.Encoder(enc_hook=_numpy)


def answer(value: Any, status: int = 200) -> Response:
    """A JSON answer."""
    return Response(encode(value), status, media_type="application/json")


def columns(samples: Samples, start_ns: int, points: int) -> dict[str, Any]:
    """Readings as columns for a plot: `t_s` s after `t0_ns`, `v` V, `i` A. `readings` says how many there were."""
    thinned = thin(samples, points)
    return {
        "t0_ns": start_ns,
        "t_s": np.round((thinned.t_ns - start_ns) / 1e9, 6).tolist(),
        "v": np.round(thinned.voltage_v, 6).tolist(),
        "i": np.round(thinned.current_a, 7).tolist(),
        "readings": len(samples),
        "thinned": len(thinned) < len(samples),
    }
