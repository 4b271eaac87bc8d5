"""Telemetry as JSON: each reading with its age, nothing stale shown as if it were fresh.

Data flows: Telemetry from the loop -> `encode` -> bytes for GET /api/state, the WebSocket and
MQTT alike. NaN and infinity become null. Once the snapshot itself is older than STALE_S every
reading loses its value and is `missing`, whatever it was before.
"""

from __future__ import annotations

import math
import time
from typing import Any

import msgspec

from control.telemetry import Telemetry
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Quality, Reading, Unit
from daq.texts.published import published

STALE_S = 1.0


class ReadingView(msgspec.Struct, frozen=True, gc=False):
    """A Reading as others see it; `age_s` is how long ago the value held."""

    value: float | None
    unit: Unit
    time_s: float | None
    quality: Quality
    sigma: float | None
    age_s: float | None


# The fields are looped over rather than named so that a reading added by daq is never left out.
_ROLL_SET = RollSetReadings.__struct_fields__
_ABSORBER = AbsorberReadings.__struct_fields__
_MEASURED = tuple(
    field for field in Measured.__struct_fields__ if field not in ("roll_sets", "absorbers", "slow")
)
_TELEMETRY = tuple(field for field in Telemetry.__struct_fields__ if field != "measured")
_SPOKEN = ("test", "faults", "heat", "last_end")  # what holds sentences
_encoder = msgspec.json.Encoder()


def view(telemetry: Telemetry | None, age_s: float, loop_up: bool) -> dict[str, Any]:
    """The snapshot as JSON-able fields, with `age_s` (null before the first) and `loop_up`."""
    if telemetry is None:
        empty: dict[str, Any] = dict.fromkeys((*_TELEMETRY, "measured"))
        return {**empty, "age_s": None, "loop_up": loop_up, "stale": True}
    stale = age_s > STALE_S or not loop_up
    fields: dict[str, Any] = {name: getattr(telemetry, name) for name in _TELEMETRY}
    for name in _SPOKEN:
        fields[name] = published(fields[name])
    fields["measured"] = _measured(telemetry.measured, age_s, stale)
    fields["age_s"] = age_s
    fields["loop_up"] = loop_up
    fields["stale"] = stale
    return fields


def encode(telemetry: Telemetry | None, age_s: float, loop_up: bool) -> bytes:
    """`view` as JSON, with `sent_s`: this computer's monotonic clock at this moment, in seconds, by
    which a viewer tells what lay in the line from what is new, whatever the front end's clock does.
    """
    return _encoder.encode({**view(telemetry, age_s, loop_up), "sent_s": time.monotonic()})


def _measured(measured: Measured | None, age_s: float, stale: bool) -> dict[str, Any] | None:
    if measured is None:
        return None
    now = measured.time_s + age_s
    fields = _struct(measured, _MEASURED, now, stale)
    fields["roll_sets"] = [_struct(each, _ROLL_SET, now, stale) for each in measured.roll_sets]
    fields["absorbers"] = [_struct(each, _ABSORBER, now, stale) for each in measured.absorbers]
    fields["slow"] = {
        name: _reading(reading, now, stale) for name, reading in measured.slow.items()
    }
    return fields


def _struct(source: object, names: tuple[str, ...], now: float, stale: bool) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for name in names:
        value = getattr(source, name)
        fields[name] = _reading(value, now, stale) if type(value) is Reading else value
    return fields


def _reading(reading: Reading, now: float, stale: bool) -> ReadingView:
    if stale:
        return ReadingView(
            None, reading.unit, reading.time_s, Quality.MISSING, None, _age(reading, now)
        )
    return ReadingView(
        reading.value,
        reading.unit,
        reading.time_s,
        reading.quality,
        reading.sigma,
        _age(reading, now),
    )


def _age(reading: Reading, now: float) -> float | None:
    age = now - reading.time_s
    return max(0.0, age) if math.isfinite(age) else None
