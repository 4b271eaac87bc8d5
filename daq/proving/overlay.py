"""Calibration values laid over a rig file: the file's own text with those lines exchanged.

Data flow: rig file text + values by path (from daq.proving.record) -> new text, checked to be the
same rig but for those values -> written as a rig file, or kept as a checked calibration file in the
data directory and laid over at each start. Comments and order of the rig file stay as they are.

Paths: `absorbers.NAME.cell.KEY` and `roll_sets.NAME.KEY`, with the keys in ALLOWED.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

import msgspec

from daq.errors import RigError
from daq.proving.record import Value
from daq.rig.description import Rig, parse_rig
from daq.texts.message import say

CELL_KEYS = frozenset(
    ("newton_per_mv_per_v", "zero_count", "relative_sigma", "calibrated_on", "filter_delay_s")
)
SET_KEYS = frozenset(
    (
        "base_inertia_kg", "base_inertia_sigma_kg", "loss_n", "loss_sigma_n", "roll_radius_m",
        "roll_radius_sigma_m",
    )
)  # fmt: skip
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\-\"]+)\s*\]\]?")
_KEY = re.compile(r"^\s*([A-Za-z0-9_]+)\s*=")
_NAME = re.compile(r"^\s*name\s*=\s*(?:\"([^\"]*)\"|'([^']*)')")


def _split(path: str) -> tuple[str, str, str, str]:
    """(kind, name, table, key). Raises RigError."""
    parts = path.split(".")
    if len(parts) == 4 and parts[0] == "absorbers" and parts[2] == "cell" and parts[3] in CELL_KEYS:
        return parts[0], parts[1], "absorbers.cell", parts[3]
    if len(parts) == 3 and parts[0] == "roll_sets" and parts[2] in SET_KEYS:
        return parts[0], parts[1], "roll_sets", parts[2]
    raise RigError(
        say("no-value-proving-may-set", path=path),
        say("only-calibrations-cells-delays-diameters-inertia"),
    )


def toml_value(value: Value) -> str:
    """A value as TOML; numbers to seven digits, as calibrations are no better."""
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, float | int):
        text = f"{float(value):.7g}"
        return text if any(mark in text for mark in ".en") else f"{text}.0"
    return "[" + ", ".join(toml_value(one) for one in value) + "]"


def rig_lines(values: Mapping[str, Value]) -> str:
    """The lines to write into a rig file by hand, under the heading of each part."""
    lines: list[str] = []
    before = ""
    for path in sorted(values):
        kind, name, table, key = _split(path)
        heading = f"# {kind[:-1].replace('_', ' ')} {name}, in [{table}]"
        if heading != before:
            lines += [*([""] if lines else []), heading]
            before = heading
        lines.append(f"{key} = {toml_value(values[path])}")
    return "\n".join(lines) + ("\n" if lines else "")


def merged(text: str, values: Mapping[str, Value], source: str = "rig.toml") -> str:
    """The rig file's text with the values in place. Raises RigError when they have no place."""
    lines = text.splitlines()
    for path, value in sorted(values.items()):
        kind, name, table, key = _split(path)
        begin, end = _section(lines, kind, name, table, source)
        line = f"{key} = {toml_value(value)}"
        for number in range(begin, end):
            found = _KEY.match(lines[number])
            if found and found.group(1) == key:
                if lines[number].count("[") != lines[number].count("]"):
                    raise RigError(
                        say("written-over-several-lines", source=source, key=key, name=name),
                        say("write-on-one-line"),
                    )
                lines[number] = line
                break
        else:
            lines.insert(begin, line)
    new = "\n".join(lines) + "\n"
    _same_but_for(text, new, values, source)
    return new


def _section(lines: list[str], kind: str, name: str, table: str, source: str) -> tuple[int, int]:
    """First and last line (exclusive) of one table of one named part."""
    heads = [
        (number, match.group(1), match.group(2))
        for number, line in enumerate(lines)
        if (match := _HEADER.match(line))
    ]
    ends = [number for number, _, _ in heads[1:]] + [len(lines)]
    inside = False
    for (number, bracket, title), end in zip(heads, ends, strict=True):
        if bracket == "[[":
            inside = False
            if title == kind:
                names = [_NAME.match(line) for line in lines[number + 1 : end]]
                inside = any(found and name in found.groups() for found in names)
        if inside and title == table:
            return number + 1, end
    raise RigError(
        say("has-no-for", source=source, table=table, name=name),
        say("write-part-as-table-its-own"),
    )


def _plain(rig: Rig) -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(msgspec.structs.replace(rig, fingerprint=""))
    return built


def _same_but_for(old: str, new: str, values: Mapping[str, Value], source: str) -> None:
    wanted = _plain(parse_rig(old, source))
    for path, value in values.items():
        kind, name, table, key = _split(path)
        part = next(one for one in wanted[kind] if one["name"] == name)
        target = part["cell"] if table == "absorbers.cell" else part
        target[key] = tomllib.loads(f"v = {toml_value(value)}")["v"]
    if json.dumps(_plain(parse_rig(new, source))) != json.dumps(wanted):
        raise RigError(
            say("new-values-could-not-be-written", source=source),
            say("write-them-by-hand-drumlin-prove"),
        )


class CalibrationFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Values found by proving, kept beside a rig file. `check` guards against slips of the hand."""

    rig: str
    values: dict[str, Value]
    check: str

    @staticmethod
    def of(rig: str, values: Mapping[str, Value]) -> CalibrationFile:
        return CalibrationFile(rig, dict(values), _check(rig, values))


def _check(rig: str, values: Mapping[str, Value]) -> str:
    told = json.dumps([rig, sorted((key, toml_value(value)) for key, value in values.items())])
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def write_calibration(file: CalibrationFile) -> str:
    """The checked calibration file as text."""
    lines = [
        "# Calibration found by `drumlin prove`, laid over the rig file at each start.",
        "# Do not edit: prove again, or write the lines into the rig file and remove this file.",
        f"rig = {json.dumps(file.rig)}",
        f"check = {json.dumps(file.check)}",
        "",
        "[values]",
        *(f"{json.dumps(key)} = {toml_value(file.values[key])}" for key in sorted(file.values)),
    ]
    return "\n".join(lines) + "\n"


def read_calibration(text: str, source: str) -> CalibrationFile:
    """Raises RigError when the file is not valid or its check does not hold."""
    try:
        file = msgspec.convert(tomllib.loads(text), CalibrationFile)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError, RecursionError) as error:
        raise RigError(
            say("no-calibration-file", source=source, error=error),
            say("apply-again-or-remove"),
        ) from None
    if file.check != _check(file.rig, file.values):
        raise RigError(
            say("was-changed-by-hand-its-check", source=source),
            say("write-again-by-drumlin-prove-apply"),
        )
    return file
