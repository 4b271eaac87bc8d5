"""The wire written a second time, plainly, from docs/wire.md alone: byte by byte, no shared code.

It makes golden.json (`python tests/daq/wire/wire_reference.py`) and checks the product's fast
codec.
"""

from __future__ import annotations

import json
import math
import struct
from pathlib import Path
from typing import Any

GOLDEN = Path(__file__).with_name("golden.json")


def crc32_bitwise(data: bytes) -> int:
    """CRC-32, polynomial 0x04C11DB7 reflected, one bit at a time."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xEDB88320 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def stuff_plainly(data: bytes) -> bytes:
    """COBS as in its first publication: one pass over the bytes."""
    out = bytearray()
    block = bytearray()
    for byte in data:
        if byte == 0:
            out.append(len(block) + 1)
            out += block
            block.clear()
            continue
        block.append(byte)
        if len(block) == 254:
            out.append(255)
            out += block
            block.clear()
    out.append(len(block) + 1)
    out += block
    # A full block that ends the data needs no empty block behind it.
    if not block and data and data[-1] != 0:
        del out[-1]
    return bytes(out)


def number(value: int, size: int) -> bytes:
    return value.to_bytes(size, "little", signed=value < 0)


def text(value: str) -> bytes:
    raw = value.encode()
    return number(len(raw), 1) + raw


def body(frame: dict[str, Any]) -> bytes:
    """Type byte and body of a frame given as JSON."""
    kind = frame["type"]
    f = frame
    if kind == "hello":
        out = b"\x01" + number(f["major"], 1) + number(f["minor"], 1)
        out += number(f["reset_cause"], 1) + number(f["tick_hz"], 4) + number(f["frame_hz"], 2)
        out += number(f["boot_id"], 4) + number(f["session"], 4) + number(f["config_hash"], 8)
        out += number(f["tick"], 4) + text(f["firmware"]) + number(len(f["channels"]), 1)
        for channel in f["channels"]:
            out += number(channel["kind"], 1) + text(channel["name"]) + text(channel["unit"])
        return out
    if kind == "sample":
        out = b"\x02" + number(f["sequence"], 4) + number(f["tick"], 4)
        out += number(f["permission"], 1) + number(f["permission_left_ms"], 2)
        out += number(f["last_set_point"], 2) + number(f["digital"], 2)
        out += number(len(f["edges"]), 1) + number(len(f["counts"]), 1)
        out += number(len(f["currents"]), 1)
        for total, ticks in zip(f["edge_totals"], f["edges"], strict=True):
            out += number(total, 2) + number(len(ticks), 1)
            for tick in ticks:
                out += number(tick, 4)
        for count, flags in zip(f["counts"], f["flags"], strict=True):
            out += number(count, 3) + number(flags, 1)
        for current in f["currents"]:
            out += number(current, 2)
        return out
    if kind == "slow":
        out = b"\x03" + number(f["tick"], 4) + number(len(f["values"]), 1)
        for index, value in f["values"]:
            out += number(index, 1) + struct.pack("<f", math.nan if value is None else value)
        return out
    if kind == "time":
        return b"\x04" + number(f["token"], 4) + number(f["tick"], 4)
    if kind == "notice":
        return b"\x05" + number(f["tick"], 4) + number(f["code"], 1) + number(f["detail"], 4)
    if kind == "set_point":
        out = b"\x81" + number(f["session"], 4) + number(f["sequence"], 2)
        out += number(f["validity_ms"], 2) + number(f["digital_out"], 1)
        out += number(len(f["currents"]), 1)
        for current in f["currents"]:
            out += number(current, 2)
        return out
    if kind == "ask_identity":
        return b"\x82" + number(f["session"], 4)
    assert kind == "ask_time"
    return b"\x83" + number(f["token"], 4)


def wire_of_body(content: bytes) -> bytes:
    """Bytes on the line for a type byte and body: CRC put on, stuffed, ended."""
    return stuff_plainly(content + number(crc32_bitwise(content), 4)) + b"\0"


def wire(frame: dict[str, Any]) -> bytes:
    return wire_of_body(body(frame))


TARNHOW_CHANNELS = [
    *({"kind": 1, "name": name, "unit": ""} for name in ("front", "rear", "engine")),
    *(
        {"kind": kind, "name": name, "unit": ""}
        for kind in (2, 3)
        for name in ("front-left", "front-right", "rear-left", "rear-right")
    ),
    *({"kind": 4, "name": name, "unit": ""} for name in ("stop-chain", "tie-downs")),
    *({"kind": 5, "name": name, "unit": ""} for name in ("fan-front", "fan-rear")),
    {"kind": 6, "name": "ambient-temperature", "unit": "degC"},
    {"kind": 6, "name": "barometer", "unit": "kPa"},
]


def hello(**changes: Any) -> dict[str, Any]:
    return {
        "type": "hello",
        "major": 1,
        "minor": 0,
        "reset_cause": 0,
        "tick_hz": 10_000_000,
        "frame_hz": 500,
        "boot_id": 0xA1B2C3D4,
        "session": 0,
        "config_hash": 0x0123456789ABCDEF,
        "tick": 250_000,
        "firmware": "front-end 1.0",
        "channels": TARNHOW_CHANNELS,
    } | changes


def sample(**changes: Any) -> dict[str, Any]:
    return {
        "type": "sample",
        "sequence": 123_456,
        "tick": 2_469_120_000,
        "permission": 1,
        "permission_left_ms": 97,
        "last_set_point": 4321,
        "digital": 0b11,
        "edge_totals": [50_001, 50_003, 777],
        "edges": [[2_469_104_211, 2_469_115_380], [2_469_108_002], []],
        "counts": [812_345, -811_902, 790_011, -790_480],
        "flags": [0, 0, 4, 0],
        "currents": [1520, 1499, 1530, 1510],
    } | changes


TIME: dict[str, Any] = {"type": "time", "token": 0xDEADBEEF, "tick": 1_000_000_000}
SET_POINT: dict[str, Any] = {
    "type": "set_point",
    "session": 0x00C0FFEE,
    "sequence": 4322,
    "validity_ms": 100,
    "digital_out": 0b11,
    "currents": [1525, 1505, 1535, 1515],
}

SOUND: list[tuple[str, dict[str, Any]]] = [
    ("hello of the demo rig at power-on", hello()),
    ("hello after a watchdog reset, in a session", hello(reset_cause=1, session=0x00C0FFEE)),
    ("hello without channels", hello(channels=[], firmware="")),
    ("hello with names beyond ASCII", hello(firmware="Prüfstand ½", channels=[])),
    ("sample in the middle of a hold", sample()),
    (
        "sample at rest after boot, nearly all zero",
        sample(
            sequence=0,
            tick=0,
            permission=0,
            permission_left_ms=0,
            last_set_point=0,
            digital=0,
            edge_totals=[0, 0, 0],
            edges=[[], [], []],
            counts=[0, 0, 0, 0],
            flags=[0, 0, 0, 0],
            currents=[0, 0, 0, 0],
        ),
    ),
    (
        "sample with every field at its upper end",
        sample(
            sequence=2**32 - 1,
            tick=2**32 - 1,
            permission=3,
            permission_left_ms=65_535,
            last_set_point=65_535,
            digital=65_535,
            edge_totals=[65_535, 65_535, 65_535],
            edges=[[2**32 - 1], [2**32 - 1], [2**32 - 1]],
            counts=[2**23 - 1, 2**23 - 1, -1, -1],
            flags=[255, 255, 255, 255],
            currents=[65_535, 65_535, 65_535, 65_535],
        ),
    ),
    (
        "sample with counts at both ends and every converter flag",
        sample(counts=[-(2**23), 2**23 - 1, -1, 1], flags=[1, 2, 4, 7]),
    ),
    (
        "sample across the wrap of the tick",
        sample(tick=1500, edges=[[4_294_961_000, 400], [4_294_967_295], [0, 1499]]),
    ),
    (
        "sample with 64 edges of one wheel: longer than one full stuffing block",
        sample(edges=[[0x11111111 + i * 0x01010101 % 0x7F7F7F7F for i in range(64)], [], []]),
    ),
    (
        "sample of a rig without anything",
        sample(edge_totals=[], edges=[], counts=[], flags=[], currents=[]),
    ),
    (
        "slow values, one of them without a value",
        {"type": "slow", "tick": 77, "values": [[0, 21.5], [1, None], [2, -0.15625]]},
    ),
    ("slow without values", {"type": "slow", "tick": 0, "values": []}),
    ("time", {"type": "time", "token": 0xDEADBEEF, "tick": 1_000_000_000}),
    ("notice: easing began", {"type": "notice", "tick": 5_000_000, "code": 1, "detail": 101}),
    (
        "notice: edges dropped on wheel 2",
        {"type": "notice", "tick": 5_000_001, "code": 5, "detail": 0x0002_0007},
    ),
    ("set point in the middle of a hold", SET_POINT),
    ("set point of zero", SET_POINT | {"sequence": 0, "currents": [0, 0, 0, 0], "digital_out": 0}),
    ("set point without outputs", SET_POINT | {"currents": []}),
    ("ask for identity, open a session", {"type": "ask_identity", "session": 0x00C0FFEE}),
    ("ask for identity only", {"type": "ask_identity", "session": 0}),
    ("ask for time", {"type": "ask_time", "token": 0xDEADBEEF}),
]


def _flip(raw: bytes, at: int, bit: int = 1) -> bytes:
    return raw[:at] + bytes((raw[at] ^ bit,)) + raw[at + 1 :]


def damaged() -> list[tuple[str, str, bytes]]:
    """(what happened, counter that must rise by one, bytes on the line with their 0x00)."""
    good = wire(sample())
    plain = body(sample())
    setp = body(SET_POINT)
    return [
        ("one bit of the body flipped", "crc_failures", _flip(good, 8, 0x10)),
        ("cut in the middle", "cobs_failures", good[:30] + b"\0"),
        ("a type and nothing else", "truncated", stuff_plainly(b"\x02") + b"\0"),
        ("one byte short of type and CRC", "truncated", stuff_plainly(b"\x04\x01\x02\x03") + b"\0"),
        ("1025 bytes long with a sound CRC", "oversized", wire_of_body(b"\x7e" + bytes(1020))),
        ("a type from the future", "unknown_type", wire_of_body(b"\x7e\x01\x02")),
        ("sample one byte too long", "malformed", wire_of_body(plain + b"\x01")),
        ("sample one byte too short", "malformed", wire_of_body(plain[:-1])),
        ("sample with permission 4", "malformed", wire_of_body(plain[:9] + b"\x04" + plain[10:])),
        (
            "sample that claims 65 edges",
            "malformed",
            wire_of_body(plain[:21] + b"\x41" + plain[22:]),
        ),
        (
            "set point that claims more outputs than it has",
            "malformed",
            wire_of_body(setp[:10] + b"\x05" + setp[11:]),
        ),
        ("hello cut after the firmware", "malformed", wire_of_body(body(hello(channels=[]))[:-1])),
        ("time one byte too long", "malformed", wire_of_body(body(TIME) + b"\x01")),
        ("time one byte too short", "malformed", wire_of_body(body(TIME)[:-1])),
        ("set point one byte too long", "malformed", wire_of_body(setp + b"\x01")),
        ("ask for time one byte too long", "malformed", wire_of_body(b"\x83" + bytes(5))),
        ("ask for identity one byte short", "malformed", wire_of_body(b"\x82" + bytes(3))),
        ("slow with half a value", "malformed", wire_of_body(b"\x03" + bytes(4) + b"\x01\x00")),
        (
            "hello with a name of 25 bytes",
            "malformed",
            wire_of_body(body(hello(channels=[{"kind": 1, "name": "x" * 25, "unit": ""}]))),
        ),
        (
            "hello with firmware of 65 bytes",
            "malformed",
            wire_of_body(body(hello(firmware="x" * 65))),
        ),
        ("hello with a tick rate of zero", "malformed", wire_of_body(body(hello(tick_hz=0)))),
        (
            "hello with a channel kind of 9",
            "malformed",
            wire_of_body(body(hello(channels=[{"kind": 9, "name": "x", "unit": ""}]))),
        ),
        (
            "hello with a name that is not UTF-8",
            "malformed",
            wire_of_body(body(hello(channels=[], firmware=""))[:-2] + b"\x02\xc3\x28\x00"),
        ),
    ]


def receiver(name: str, counter: str) -> str:
    """Which side counts a damage so: a layout is looked at only by whom its type goes to."""
    if counter != "malformed":
        return "both"
    return "front end" if name.startswith(("set point", "ask for")) else "host"


def golden() -> dict[str, Any]:
    return {
        "about": "Golden vectors of docs/wire.md: hex with its 0x00; null is no value (NaN). "
        "`to` is the side that receives a damaged one and counts it so.",
        "sound": [
            {"name": name, "frame": frame, "wire": wire(frame).hex()} for name, frame in SOUND
        ],
        "damaged": [
            {"name": name, "to": receiver(name, counter), "counter": counter, "wire": raw.hex()}
            for name, counter, raw in damaged()
        ],
    }


def rows(vectors: list[dict[str, Any]]) -> str:
    return ",\n".join(json.dumps(vector) for vector in vectors)


if __name__ == "__main__":
    made = golden()
    GOLDEN.write_text(
        f'{{"about": {json.dumps(made["about"])},\n'
        f'"sound": [\n{rows(made["sound"])}\n],\n"damaged": [\n{rows(made["damaged"])}\n]}}\n'
    )
