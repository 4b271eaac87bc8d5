"""Sound frames to damage: the simulator's, and the golden ones of the wire."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from daq.wire.codec import encode
from daq.wire.frames import AskIdentity, SetPoint
from simulator.plant import Plant

GOLDEN = Path(__file__).parents[2] / "tests" / "daq" / "wire" / "golden.json"


def corpus(seed: int) -> list[bytes]:
    """Sound frames of both directions, delimiters included."""
    plant = Plant(seed=seed)
    plant.receive(encode(AskIdentity(7)))
    frames = [plant.advance() for _ in range(200)]
    frames.append(encode(SetPoint(7, 1, 100, 3, (100, 100, 100, 100))))
    golden = json.loads(GOLDEN.read_text(encoding="utf-8"))
    frames += [bytes.fromhex(each["wire"]) for each in _vectors(golden)]
    return [frame for frame in frames if frame]


def _vectors(node: Any) -> list[dict[str, Any]]:
    if isinstance(node, dict):
        found = [node] if isinstance(node.get("wire"), str) else []
        return found + [each for value in node.values() for each in _vectors(value)]
    if isinstance(node, list):
        return [each for value in node for each in _vectors(value)]
    return []
