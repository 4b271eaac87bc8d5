"""Words of the diagnosis: what can be named as the likely cause of failing proofs."""

from __future__ import annotations

import enum

import msgspec

from daq.texts.message import Text


class CauseKind(enum.StrEnum):
    """What can be named."""

    SWAPPED_CELLS = "swapped-cells"
    REVERSED_CELL = "reversed-cell"
    TEETH = "teeth"
    LOOSE_WHEEL = "loose-wheel"
    DRIFTING_CELL = "drifting-cell"
    CONVERTER_GAIN = "converter-gain"
    SHUNT_RESISTOR = "shunt-resistor"
    ARM = "arm"
    LATITUDE = "latitude"
    WEIGHTS = "weights"
    COLD_BEARINGS = "cold-bearings"
    INERTIA = "inertia"
    DELAY = "delay"


class Cause(msgspec.Struct, frozen=True):
    """One likely cause: where, which figures say so, what looks the same, what to do next."""

    kind: CauseKind
    subject: str  # absorbers or roll set, "" for the whole rig
    evidence: Text
    next_step: Text
