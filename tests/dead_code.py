"""Finds what the product never uses; what only tests use counts as unused.

    python -m tests.dead_code

Data flow: sources of the product and of the benches -> vulture -> functions, classes, methods,
properties and imports that nothing names -> less ALLOWED -> printed, exit status 1. An entry of
ALLOWED says who uses the name.
"""

from __future__ import annotations

import sys
from pathlib import Path

import vulture

ROOT = Path(__file__).resolve().parents[1]
PRODUCT = ("api", "control", "daq", "simulator")
USERS = (*PRODUCT, "bench", "firmware")
KINDS = {"function", "method", "property", "class", "import", "unreachable_code"}
REGISTERED = ["@router.*", "@app.*", "@*.command*", "@*.callback*", "@*.get", "@*.post", "@event.*"]
ALLOWED = {
    # called by a library
    "do_GET": "http.server",
    "do_POST": "http.server",
    "handle_error": "socketserver",
    "log_message": "http.server",
    "footer": "fpdf",
    "downgrade": "alembic",
    "on_start": "numba.core.event",
    "on_end": "numba.core.event",
    # for people who read files of the rig elsewhere
    "read_truth": "docs/simulator.md: reads the truth that the simulator wrote",
    "set_point_noise": "the noise gains that docs/control.md states",
    # the simulator's own truth, which its tests hold against energy
    "stored_j": "energy balance of the simulated truck",
    "spent_j": "energy balance of the simulated truck",
}


def findings() -> list[str]:
    """What is unused, one line each."""
    search = vulture.Vulture(ignore_decorators=REGISTERED)
    search.scavenge([str(ROOT / name) for name in USERS], exclude=["*/node_modules/*"])
    found: list[str] = []
    for item in search.get_unused_code(min_confidence=60):
        path = Path(item.filename).relative_to(ROOT)
        if path.parts[0] not in PRODUCT or item.typ not in KINDS:
            continue
        if item.name not in ALLOWED:
            found.append(f"{path}:{item.first_lineno}: unused {item.typ} '{item.name}'")
    return found


if __name__ == "__main__":
    lines = findings()
    print("\n".join(lines) or "no dead code")
    sys.exit(1 if lines else 0)
