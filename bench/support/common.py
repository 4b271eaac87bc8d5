"""What every bench shares: its arguments, the machine it ran on, and one JSON object at the end.

A bench measures and says; it never judges. `python -m bench.NAME --json [--quick] [--seed N]`.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec


class Machine(msgspec.Struct, frozen=True):
    cores: int
    python: str


class Options(msgspec.Struct, frozen=True):
    """The arguments every bench takes; the last two only benches that run piece by piece."""

    json: bool
    quick: bool
    seed: int
    part: str = ""  # "" is all of it
    moments: int = 0  # 0: as many as the bench does by itself


def machine() -> Machine:
    """Cores this process may use, and the Python version."""
    return Machine(len(os.sched_getaffinity(0)), platform.python_version())


def rss_mb() -> float:
    """Resident memory of this process, MiB."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _plain(node: Any) -> Any:
    """JSON has no nan or infinity: they become null. Numpy numbers become Python's."""
    if hasattr(node, "item"):
        node = node.item()
    if isinstance(node, float):
        return node if math.isfinite(node) else None
    if isinstance(node, dict):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, list | tuple):
        return [_plain(value) for value in node]
    return node


def report(name: str, options: Options, fields: dict[str, Any]) -> dict[str, Any]:
    """The bench's object: name, quick, machine, then the fields."""
    here = machine()
    return {
        "name": name,
        "quick": options.quick,
        "seed": options.seed,
        "machine": {"cores": here.cores, "python": here.python},
        **_plain(fields),
    }


def run_bench(
    name: str,
    measure: Callable[[Options], dict[str, Any]],
    seed: int = 1,
    parts: tuple[str, ...] = (),
) -> None:
    """Parse the arguments, measure, print. `measure` returns the bench's own fields."""
    parser = argparse.ArgumentParser(prog=f"python -m bench.{name}")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--quick", action="store_true", help="a shorter run with the same fields")
    parser.add_argument("--seed", type=int, default=seed, help="seed of everything random")
    if parts:
        parser.add_argument("--part", choices=parts, default="", help="one part of it only")
        parser.add_argument("--moments", type=int, default=0, help="how many of each, 0: all")
    told = parser.parse_args()
    options = Options(told.json, told.quick, told.seed)
    if parts:
        options = msgspec.structs.replace(options, part=told.part, moments=told.moments)
    result = report(name, options, measure(options))
    if options.json:
        print(json.dumps(result))
        return
    for key, value in result.items():
        print(f"{key}: {json.dumps(value)}")
