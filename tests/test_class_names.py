"""One class name, one meaning: no two classes of the project share a name."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]


def test_no_two_classes_share_a_name() -> None:
    places: dict[str, list[str]] = defaultdict(list)
    for package in ("api", "bench", "control", "daq", "simulator"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                    places[node.name].append(path.relative_to(ROOT).as_posix())
    shared = {name: where for name, where in places.items() if len(where) > 1}
    assert not shared, f"{shared}: give each thing a name of its own"
