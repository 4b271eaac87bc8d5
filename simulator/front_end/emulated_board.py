"""A front end that is an emulated chip: the real firmware, its pins and its serial line.

Data flows: edges, counts, currents, contacts -> the chip's pins; what its pins ask of supplies and
fans, and its bytes -> back. The chip runs in a process of its own (firmware/emulator/lockstep.mjs)
in virtual time, so that everything repeats to the bit.
"""

from __future__ import annotations

import base64
import json
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, cast

TICK_HZ = 10_000_000
LOCKSTEP = Path(__file__).parents[2] / "firmware" / "emulator" / "lockstep.mjs"


@dataclass(frozen=True, slots=True)
class Firmware:
    """An image and the configuration in its flash."""

    image: Path
    ram_bytes: int  # of the image; the stack lies above
    record: bytes
    baud: int
    full_a: float  # what an output asks for at its upper end
    read_a: float  # what the whole span of a read-back stands for
    slow_scale: tuple[tuple[float, float], ...]  # value = scale x volt + offset


class EmulatedBoard:
    """The process with the chip in it. Ask it in turns: just before a tick, then the rest."""

    def __init__(self, firmware: Firmware, frame_hz: int, seed: int) -> None:
        self._process = subprocess.Popen(
            ["node", str(LOCKSTEP), str(firmware.image)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._to = cast(IO[str], self._process.stdin)
        self._from = cast(IO[str], self._process.stdout)
        start = {
            "record": base64.b64encode(firmware.record).decode(),
            "baud": firmware.baud,
            "tick_hz": TICK_HZ,
            "frame_hz": frame_hz,
            "full_a": firmware.full_a,
            "read_a": firmware.read_a,
            "seed": seed,
            "ram_end": firmware.ram_bytes,
        }
        self.answer = self._ask({"start": start})

    def _ask(self, message: dict[str, Any]) -> dict[str, Any]:
        self._to.write(json.dumps(message) + "\n")
        self._to.flush()
        line = self._from.readline()
        if not line:
            raise RuntimeError("The emulated board's process has ended.")
        answer: dict[str, Any] = json.loads(line)
        if "asked" in answer:
            self.answer = answer
        return answer

    def tick(self, edges: Sequence[Sequence[int]]) -> bytes:
        """Past the next tick, with these edges in the period after it; what it sent."""
        return base64.b64decode(self._ask({"tick": {"edges": edges}})["tx"])

    def rest(self, received: bytes, values: dict[str, Any]) -> bytes:
        """To just before the next tick, where `values` hold; what it sent."""
        message = {"rx": base64.b64encode(received).decode(), **values}
        return base64.b64decode(self._ask({"rest": message})["tx"])

    def do(self, what: str) -> dict[str, Any]:
        """Reset it, let it hang, dip its supply, or ask for figures."""
        return self._ask({"do": what})

    def close(self) -> None:
        """End the process."""
        self._to.close()
        self._from.close()
        self._process.wait(10)
