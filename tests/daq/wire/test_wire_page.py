"""docs/wire.md can be trusted: its examples, numbers and tables are those of the code."""

from __future__ import annotations

import enum
import json
import re
from pathlib import Path
from typing import Any

import pytest

from daq.wire.codec import MAX_FIRMWARE_BYTES, MAX_NAME_BYTES, decode, encode
from daq.wire.deframer import MAX_STUFFED_BYTES, WireCounters
from daq.wire.frame_kernel import CRC_RESIDUE
from daq.wire.frames import (
    MAX_EDGES_PER_FRAME,
    MAX_FRAME_BYTES,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    ChannelKind,
    ConverterFlag,
    FrameType,
    NoticeCode,
    Permission,
    ResetCause,
)

from .wire_reference import body, crc32_bitwise, number, stuff_plainly
from .wire_typed import same, typed

PAGE = (Path(__file__).parents[3] / "docs" / "wire.md").read_text(encoding="utf-8")


def examples() -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for block in re.finditer(r"```wire-example (\S+)\n(.*?)```", PAGE, re.DOTALL):
        fields: dict[str, str] = {}
        key = ""
        for line in block[2].splitlines():
            if line[:6].strip():
                key = line[:6].strip()
            fields[key] = fields.get(key, "") + line[6:]
        found[block[1]] = {
            "frame": json.loads(fields["frame"]),
            "body": bytes.fromhex(fields["body"]),
            "crc": bytes.fromhex(fields["crc"]),
            "wire": bytes.fromhex(fields["wire"]),
        }
    return found


EXAMPLES = examples()


@pytest.mark.parametrize("name", EXAMPLES)
def test_each_worked_example_of_the_page_is_right_step_by_step(name: str) -> None:
    example = EXAMPLES[name]
    assert body(example["frame"]) == example["body"]
    assert number(crc32_bitwise(example["body"]), 4) == example["crc"]
    assert stuff_plainly(example["body"] + example["crc"]) + b"\0" == example["wire"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_product_reads_and_writes_each_worked_example(name: str) -> None:
    example = EXAMPLES[name]
    assert encode(typed(example["frame"])) == example["wire"]
    assert same(decode(example["wire"][:-1]), typed(example["frame"]))


def test_the_page_works_an_example_of_every_frame_type() -> None:
    assert {example["body"][0] for example in EXAMPLES.values()} == set(FrameType)


def table_after(heading: str, which: int = 0) -> list[list[str]]:
    """Rows of the numbered table after a heading, without its head."""
    section = PAGE.split(heading, 1)[1].split("\n## ", 1)[0]
    tables = re.findall(r"(?:^\|.*\n)+", section, re.MULTILINE)
    rows = tables[which].splitlines()[2:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


def spelled(member: enum.IntEnum) -> str:
    return member.name.lower().replace("_", " ")


def test_the_frame_types_of_the_page_are_those_of_the_code() -> None:
    assert {(int(row[0], 16), row[1]) for row in table_after("## 3.")} == {
        (frame.value, frame.name) for frame in FrameType
    }


def test_the_channel_kinds_of_the_page_are_those_of_the_code() -> None:
    rows = table_after("## 4.", 1)
    assert {(int(row[0]), row[1].split(":")[0]) for row in rows} == {
        (kind.value, spelled(kind)) for kind in ChannelKind
    }


def test_the_permissions_of_the_page_are_those_of_the_code() -> None:
    assert {(int(row[0]), row[1]) for row in table_after("## 8.")} == {
        (permission.value, spelled(permission)) for permission in Permission
    }


def test_the_notice_codes_of_the_page_are_those_of_the_code() -> None:
    assert {int(row[0]) for row in table_after("## 10.", 1)} == {code.value for code in NoticeCode}


def test_reset_causes_and_converter_flags_of_the_page_are_those_of_the_code() -> None:
    causes = ", ".join(f"{cause.value} {spelled(cause)}" for cause in ResetCause)
    assert causes.replace("brown out", "brown-out") in PAGE
    flags = ", ".join(f"{flag.value} {spelled(flag)}" for flag in ConverterFlag)
    assert flags in PAGE


def test_every_counter_has_its_line_on_the_page() -> None:
    for counter in WireCounters.__struct_fields__:
        if counter != "frames":
            assert f"`{counter}`" in PAGE


@pytest.mark.parametrize(
    "said",
    [
        f"protocol version **{PROTOCOL_MAJOR}.{PROTOCOL_MINOR}**",
        f"at most **{MAX_FRAME_BYTES} bytes**",
        f"at most {MAX_STUFFED_BYTES} on the line",
        "unfinished input, whatever arrives.",
        f"0x{CRC_RESIDUE:08X}",
        f"u8 | edges that follow, 0 to {MAX_EDGES_PER_FRAME} |",
        f"at most {MAX_FIRMWARE_BYTES} bytes",
        f"at most {MAX_NAME_BYTES} bytes",
    ],
)
def test_the_numbers_of_the_page_are_those_of_the_code(said: str) -> None:
    assert said in PAGE
