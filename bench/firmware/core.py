"""The front end's C core on this computer: built from firmware/, driven by scripts of operations.

Data flows: Script (bytes, edges, inputs in ticks) -> the built program -> Reply per operation. The
operations are those that firmware/host/script.c lists.
"""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Sequence
from pathlib import Path

import msgspec

from daq.front_end.configuration import (
    Configuration,
    ConverterWiring,
    DigitalInWiring,
    OutputWiring,
    SlowWiring,
    WheelWiring,
    record,
)
from daq.wire.deframer import WireCounters
from simulator.front_end.board import SLOW_CHANNELS
from simulator.rig_and_truck.setup import Setup

FIRMWARE = Path(__file__).parent.parent.parent / "firmware"
CORE = sorted((FIRMWARE / "core").glob("*.c"))
HOST = FIRMWARE / "host" / "script.c"
STRICT = ("-std=c11", "-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-Werror")
SANITIZED = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
OUTPUTS = 8
_INPUTS = struct.Struct("<H8i8B")
_COUNTERS = (
    "frames", "crc_failures", "cobs_failures", "truncated", "oversized", "unknown_type",
    "malformed", "wrong_direction", "bytes_discarded",
)  # fmt: skip


def build(program: Path, flags: Sequence[str] = SANITIZED, core: Sequence[Path] = CORE) -> Path:
    """Compile the core and its host program. Raises CalledProcessError, with what gcc said."""
    command: list[str | Path] = ["gcc", *STRICT, *flags, "-o", program, HOST, *core]
    subprocess.run(command, check=True, capture_output=True, text=True, cwd=program.parent)
    return program


class Reply(msgspec.Struct):
    """What the core did at one operation."""

    what: str
    line: bytes  # for the host
    permission: int = 0
    digital_out: int = 0
    set_points: tuple[int, ...] = ()  # steps of 10 mA
    fault: int = 0  # of the configuration
    edge_limit: int = 0
    counters: WireCounters | None = None
    glitches: int = 0
    resyncs: int = 0


class Script:
    """Operations for the core, in order; `run` gives a reply for each."""

    def __init__(self) -> None:
        self.data = bytearray()
        self._what: list[str] = []

    def _add(self, what: str, *parts: bytes) -> None:
        self._what.append(what)
        self.data += what.encode() + b"".join(parts)

    def boot(self, config: bytes, boot_id: int = 1, cause: int = 0, tick: int = 0) -> None:
        """Power on with that configuration record in flash."""
        head = len(config).to_bytes(2, "little")
        self._add("C", head, config, struct.pack("<IBI", boot_id, cause, tick & 0xFFFFFFFF))

    def receive(self, data: bytes, tick: int) -> None:
        """Bytes from the host, all read at one tick."""
        for at in range(0, len(data), 0xFFFF):
            piece = data[at : at + 0xFFFF]
            self._add("R", struct.pack("<IH", tick & 0xFFFFFFFF, len(piece)), piece)

    def change(self, wheel: int, *ticks: int) -> None:
        """The pin of a wheel changed at each of these ticks."""
        wrapped = [tick & 0xFFFFFFFF for tick in ticks]
        self._add("E", struct.pack(f"<BH{len(ticks)}I", wheel, len(ticks), *wrapped))

    def close(self, wheel: int, until: int) -> None:
        """A wheel's frame ends."""
        self._add("X", struct.pack("<IB", until & 0xFFFFFFFF, wheel))

    def settle(self, wheel: int, pin: bool) -> None:
        """What the pin of a wheel itself shows."""
        self._add("T", struct.pack("<BB", pin, wheel))

    def measured(self, currents: Sequence[int]) -> None:
        """What flows in the coils, steps of 10 mA."""
        self._add("M", struct.pack("<8H", *self._filled(currents)))

    def permit(self, tick: int, digital: int) -> None:
        """Chain, expiry and ramp."""
        self._add("P", struct.pack("<IH", tick & 0xFFFFFFFF, digital))

    def sample(
        self, tick: int, digital: int, counts: Sequence[int] = (), flags: Sequence[int] = ()
    ) -> None:
        """The SAMPLE of a frame."""
        inputs = _INPUTS.pack(digital, *self._filled(counts), *self._filled(flags))
        self._add("S", self._tick(tick), inputs)

    def slow(self, tick: int, values: Sequence[tuple[int, float]]) -> None:
        """Values of slow channels."""
        pairs = b"".join(struct.pack("<Bf", *pair) for pair in values)
        self._add("L", self._tick(tick), bytes((len(values),)), pairs)

    def count(self) -> None:
        """Ask for the receiver's counters."""
        self._add("K")

    @staticmethod
    def _tick(tick: int) -> bytes:
        return (tick & 0xFFFFFFFF).to_bytes(4, "little")

    @staticmethod
    def _filled(values: Sequence[int]) -> list[int]:
        return [*values, *(0 for _ in range(8 - len(values)))]

    def run(self, program: Path) -> list[Reply]:
        """Let the program do it all. Raises CalledProcessError when a sanitizer stops it."""
        done = subprocess.run([program], input=bytes(self.data), capture_output=True, check=False)
        if done.returncode:
            raise subprocess.CalledProcessError(
                done.returncode, str(program), done.stdout, done.stderr.decode()
            )
        return self._replies(done.stdout)

    def _replies(self, data: bytes) -> list[Reply]:
        at = 0

        def take(layout: str) -> tuple[int, ...]:
            nonlocal at
            values = struct.unpack_from("<" + layout, data, at)
            at += struct.calcsize("<" + layout)
            return values

        replies: list[Reply] = []
        for what in self._what:
            reply = Reply(what, b"")
            if what == "C":
                reply.fault, reply.edge_limit = take("BB")
            elif what in "PR":
                reply.permission, reply.digital_out, *rest = take(f"BB{OUTPUTS}H")
                reply.set_points = tuple(rest)
            elif what == "X":
                reply.glitches, reply.resyncs = take("II")
            elif what == "K":
                reply.counters = WireCounters(**dict(zip(_COUNTERS, take("9I"), strict=True)))
            (size,) = take("H")
            reply.line = data[at : at + size]
            at += size
            replies.append(reply)
        if at != len(data):
            raise ValueError(f"the program wrote {len(data)} bytes, {at} were expected")
        return replies


def configuration_of(setup: Setup, baud: int = 10_000_000) -> Configuration:
    """What a reference front end would be told on the simulated rig."""
    board = setup.front_end
    wheels = [roll.name for roll in setup.rolls] + ["engine"]
    return Configuration(
        stop_chain=board.digital_in[0],
        frame_hz=board.frame_hz,
        baud=baud,
        wheels=tuple(WheelWiring(name, top_hz=2000, least_pulse_us=0.0) for name in wheels),
        converters=tuple(ConverterWiring(each.name, at) for at, each in enumerate(setup.absorbers)),
        outputs=tuple(
            OutputWiring(
                each.name,
                ceiling_a=each.forcing_a,
                ramp_from_a=each.max_current_a,
                ramp_s=board.ease_off_s,
                output_full_a=each.forcing_a,
                read_full_a=75.0,
            )
            for each in setup.absorbers
        ),
        digital_in=tuple(DigitalInWiring(name) for name in board.digital_in),
        digital_out=board.digital_out,
        slow=tuple(
            SlowWiring(name, unit, at, 1.0) for at, (name, unit) in enumerate(SLOW_CHANNELS)
        ),
    )


def record_of(setup: Setup, baud: int = 10_000_000) -> bytes:
    """Its record as it stands in flash."""
    return record(configuration_of(setup, baud))
