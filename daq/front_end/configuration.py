"""What is wired to a reference front end, from a TOML file to the record that stands in its flash.

Data flows: TOML -> `load_configuration` -> Configuration -> `record` -> bytes that firmware/core
reads at boot, whole or not at all. Both sides refuse the same things; here with words.
"""

from __future__ import annotations

import struct
import tomllib
from pathlib import Path
from typing import Literal
from zlib import crc32

import msgspec

from daq.errors import DrumlinError
from daq.wire.codec import MAX_FIRMWARE_BYTES, MAX_NAME_BYTES
from daq.wire.frames import CURRENT_STEP_A, MAX_FRAME_BYTES

RECORD_MAGIC = b"DFEC"
RECORD_VERSION = 1
MAX_RECORD_BYTES = 4096
NO_INPUT = 255
_HEAD = struct.Struct("<4sHHHHI10B2xii")
_CRC_BYTES = 4
_HELLO_FIXED = 30 + 1 + MAX_FIRMWARE_BYTES + _CRC_BYTES
_SAMPLE_FIXED = 19 + _CRC_BYTES + 4  # and the bytes of the stuffing
_BITS_PER_BYTE = 10  # on the line, with start and stop


class FrontEndError(DrumlinError):
    """A front end's configuration or image cannot be used."""


class Board(msgspec.Struct, frozen=True):
    """What a board has room for; the same numbers as in its port."""

    id: int
    wheels: int
    converters: int
    outputs: int
    digital_in: int
    digital_out: int
    slow: int
    converter_inputs: int
    slow_inputs: int
    tick_hz: int


BOARDS = {"rp2040": Board(1, 4, 8, 4, 4, 2, 8, 8, 8, 10_000_000)}
_LEAST_PERMIT_HZ, _MOST_PERMITS = 500, 10


class WheelWiring(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One tooth wheel or engine pickup."""

    name: str
    top_hz: int  # most edges a second to be expected
    flank: Literal["rising", "falling"] = "rising"
    least_pulse_us: float = 5.0  # shorter pulses and gaps are glitches; 0 to 50


class ConverterWiring(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One load cell's channel of the converter chip."""

    name: str
    input: int
    gain: int = 64  # 1, 2, 4 ... 128


class OutputWiring(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One absorber supply with its current read-back."""

    name: str
    ceiling_a: float  # most a set point may ask for
    ramp_from_a: float  # full, lasting current (max_current_a): the ramp takes it to zero ...
    ramp_s: float  # ... in this time (limits.ease_off_s)
    output_full_a: float  # what the output asks for at its upper end
    read_full_a: float  # what the whole span of the read-back stands for
    read_zero_counts: int = 0  # of 65536, when no current flows


class DigitalInWiring(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One contact."""

    name: str
    inverted: bool = False  # its 1 is an open contact


class SlowWiring(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One slow channel: value = scale x volt + offset."""

    name: str
    unit: str
    input: int
    scale: float
    offset: float = 0.0


class Configuration(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything connected to one front end, and its limits. SI units where not named."""

    stop_chain: str  # the digital input that reads the hardwired chain
    outputs: tuple[OutputWiring, ...]
    digital_in: tuple[DigitalInWiring, ...]
    wheels: tuple[WheelWiring, ...] = ()
    converters: tuple[ConverterWiring, ...] = ()
    digital_out: tuple[str, ...] = ()
    slow: tuple[SlowWiring, ...] = ()
    board: str = "rp2040"
    frame_hz: int = 500
    baud: int = 2_000_000
    slow_hz: int = 10
    converter_rate: int = 5  # the chip's code for its oversampling, 0 to 7
    excitation_input: int | None = None  # of the converter chip
    excitation_low: int = 0  # counts; outside of both: bridge fault on all cells
    excitation_high: int = 0


def load_configuration(path: Path) -> Configuration:
    """The configuration in a TOML file. Raises FrontEndError, saying what to correct."""
    try:
        asked = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FrontEndError(f"{path} cannot be read: {error}.", "Give a TOML file.") from None
    try:
        configuration = msgspec.convert(asked, Configuration)
    except msgspec.ValidationError as error:
        raise FrontEndError(
            f"{path}: {error}.", "docs/front-end.md explains every key of this file."
        ) from None
    check(configuration)
    return configuration


def check(configuration: Configuration) -> None:
    """Raises FrontEndError when no front end of that board could work with it."""
    c = configuration
    board = BOARDS.get(c.board)
    if board is None:
        raise FrontEndError(
            f"There is no board '{c.board}'.", f"There is: {', '.join(sorted(BOARDS))}."
        )
    for kind, count, most in (
        ("wheels", len(c.wheels), board.wheels),
        ("converters", len(c.converters), board.converters),
        ("outputs", len(c.outputs), board.outputs),
        ("digital inputs", len(c.digital_in), board.digital_in),
        ("digital outputs", len(c.digital_out), board.digital_out),
        ("slow channels", len(c.slow), board.slow),
    ):
        if count > most:
            raise FrontEndError(
                f"{count} {kind} are asked for, the board has {most}.",
                "Take some away, or port the firmware to a larger board.",
            )
    names = {
        "wheel": [each.name for each in c.wheels],
        "converter": [each.name for each in c.converters],
        "output": [each.name for each in c.outputs],
        "digital input": [each.name for each in c.digital_in],
        "digital output": list(c.digital_out),
        "slow channel": [each.name for each in c.slow],
    }
    for kind, each in names.items():
        for name in each:
            _check_text(name, f"The name of a {kind}")
            if not name or each.count(name) > 1:
                raise FrontEndError(
                    f"A {kind} is named '{name}' twice, or not at all.",
                    "Give each channel of a kind a name of its own.",
                )
    for slow in c.slow:
        _check_text(slow.unit, f"The unit of '{slow.name}'")
    if c.stop_chain not in names["digital input"]:
        raise FrontEndError(
            f"The stop chain '{c.stop_chain}' is no digital input.",
            "Name the input that reads the hardwired stop chain.",
        )
    _check_rates(c, board)
    _check_values(c, board)
    table = 1 + sum(3 + len(name.encode()) for each in names.values() for name in each)
    table += sum(len(slow.unit.encode()) for slow in c.slow)
    if _HELLO_FIXED + table > MAX_FRAME_BYTES:
        raise FrontEndError(
            "The channel table does not fit one HELLO frame.", "Use fewer or shorter names."
        )


def _check_text(text: str, what: str) -> None:
    if len(text.encode()) > MAX_NAME_BYTES:
        raise FrontEndError(
            f"{what}, '{text}', has more than {MAX_NAME_BYTES} bytes.", "Choose a shorter one."
        )


def _check_rates(c: Configuration, board: Board) -> None:
    # Permission is looked at in steps of 2 ms or less, a whole number of them in a frame.
    permits = range(-(-_LEAST_PERMIT_HZ // max(c.frame_hz, 1)), _MOST_PERMITS + 1)
    if not 100 <= c.frame_hz <= 1000 or all(board.tick_hz % (c.frame_hz * n) for n in permits):
        raise FrontEndError(
            f"{c.frame_hz} frames a second cannot be kept exactly.",
            f"Choose 100 to 1000 and a divisor of {board.tick_hz:,}, such as 100, 200, 250, 500, "
            "1000.",
        )
    if not 9600 <= c.baud <= 10_000_000:
        raise FrontEndError(f"{c.baud} baud is out of range.", "Choose 9,600 to 10,000,000.")
    edges = sum(-(-wheel.top_hz // c.frame_hz) for wheel in c.wheels)
    fixed = _SAMPLE_FIXED + 3 * len(c.wheels) + 4 * len(c.converters) + 2 * len(c.outputs)
    room = c.baud // _BITS_PER_BYTE // c.frame_hz
    if fixed + 4 * edges > room - room // 5:
        raise FrontEndError(
            f"The line carries {room} bytes a frame; at top speed {fixed + 4 * edges} are needed, "
            "and a fifth must stay free.",
            "Raise baud, or lower frame_hz or top_hz.",
        )


def _check_values(c: Configuration, board: Board) -> None:
    inputs = [each.input for each in c.converters]
    if c.excitation_input is not None:
        inputs.append(c.excitation_input)
    _within("slow_hz", c.slow_hz, 1, 20)
    _within("converter_rate", c.converter_rate, 0, 7)
    for wheel in c.wheels:
        _within(f"least_pulse_us of '{wheel.name}'", wheel.least_pulse_us, 0, 50)
        _within(f"top_hz of '{wheel.name}'", wheel.top_hz, 1, 0xFFFF)
    for each in inputs:
        _within("input of the converter chip", each, 0, board.converter_inputs - 1)
    for converter in c.converters:
        if converter.gain not in (1, 2, 4, 8, 16, 32, 64, 128):
            raise FrontEndError(
                f"The gain of '{converter.name}' is {converter.gain}.", "Choose 1, 2, 4 ... 128."
            )
    for slow in c.slow:
        _within(f"input of '{slow.name}'", slow.input, 0, board.slow_inputs - 1)
    for count in (c.excitation_low, c.excitation_high):
        _within("excitation counts", count, -(1 << 23), (1 << 23) - 1)
    for output in c.outputs:
        name = output.name
        _within(f"output_full_a of '{name}'", output.output_full_a, CURRENT_STEP_A, 655.35)
        _within(f"ramp_from_a of '{name}'", output.ramp_from_a, CURRENT_STEP_A, 655.35)
        _within(f"ramp_s of '{name}'", output.ramp_s, 0.001, 65.535)
        _within(f"read_full_a of '{name}'", output.read_full_a, CURRENT_STEP_A, 655.35)
        _within(f"read_zero_counts of '{name}'", output.read_zero_counts, -32768, 32767)
        if not CURRENT_STEP_A <= output.ceiling_a <= output.output_full_a:
            raise FrontEndError(
                f"The ceiling of '{name}', {output.ceiling_a:g} A, is beyond what its output can "
                f"ask for, {output.output_full_a:g} A.",
                "Lower ceiling_a, or correct output_full_a.",
            )


def _within(what: str, value: float, low: float, high: float) -> None:
    if not low <= value <= high:
        raise FrontEndError(
            f"{what[0].upper()}{what[1:]} is {value:g}.", f"It must lie in {low:g} to {high:g}."
        )


def _text(value: str) -> bytes:
    raw = value.encode()
    return bytes((len(raw),)) + raw


def _steps(current_a: float) -> int:
    return round(current_a / CURRENT_STEP_A)


def record(configuration: Configuration) -> bytes:
    """The record as it stands in flash. Raises FrontEndError when it could not work."""
    check(configuration)
    c = configuration
    board = BOARDS[c.board]
    parts = [b""]
    for wheel in c.wheels:
        least = round(wheel.least_pulse_us * 10.0)
        parts.append(_text(wheel.name))
        parts.append(struct.pack("<BHH", wheel.flank == "falling", least, wheel.top_hz))
    for converter in c.converters:
        parts.append(_text(converter.name))
        parts.append(bytes((converter.input, converter.gain.bit_length() - 1)))
    for output in c.outputs:
        parts.append(_text(output.name))
        parts.append(
            struct.pack(
                "<HHHHhH",
                _steps(output.ceiling_a),
                _steps(output.ramp_from_a),
                round(output.ramp_s * 1000.0),
                _steps(output.output_full_a),
                output.read_zero_counts,
                _steps(output.read_full_a),
            )
        )
    parts.extend(_text(each.name) + bytes((each.inverted,)) for each in c.digital_in)
    parts.extend(_text(name) for name in c.digital_out)
    for slow in c.slow:
        parts.append(_text(slow.name) + _text(slow.unit))
        parts.append(struct.pack("<Bff", slow.input, slow.scale, slow.offset))
    chain = [each.name for each in c.digital_in].index(c.stop_chain)
    body = b"".join(parts)
    head = _HEAD.pack(
        RECORD_MAGIC,
        RECORD_VERSION,
        _HEAD.size + len(body) + _CRC_BYTES,
        board.id,
        c.frame_hz,
        c.baud,
        c.slow_hz,
        len(c.wheels),
        len(c.converters),
        len(c.outputs),
        len(c.digital_in),
        len(c.digital_out),
        len(c.slow),
        chain,
        c.converter_rate,
        NO_INPUT if c.excitation_input is None else c.excitation_input,
        c.excitation_low,
        c.excitation_high,
    )
    return head + body + crc32(head + body).to_bytes(_CRC_BYTES, "little")


def config_hash(data: bytes) -> int:
    """What HELLO will carry for this record: FNV-1a of 64 bits over all but its CRC."""
    value = 0xCBF29CE484222325
    for byte in data[:-_CRC_BYTES]:
        value = (value ^ byte) * 0x100000001B3 & 0xFFFF_FFFF_FFFF_FFFF
    return value
