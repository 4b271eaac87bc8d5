"""Tells the driver of a running simulator from the command line; light, so that it starts at once.

Data flows: words -> JSON -> POST /tell of the driver's seat -> exit code and one clear line.
"""

from __future__ import annotations

import argparse
import json
import sys
import urllib.error
import urllib.request
from typing import Any

TELL_HELP = """what to tell the driver:
  pedal PERCENT | brake PERCENT | gear N (-1 automatic, 0 neutral) | transfer-case open|locked|rear
  engine on|off | full | lift | drive-at METRES_PER_SECOND | mend
  fault TARGET KIND [CHANNEL [AMOUNT]]   (GET /menu of the seat lists them)"""


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise ValueError(f"'{word}' is not a number.\n{TELL_HELP}") from None


def _words(told: list[str]) -> dict[str, Any]:
    """The seat's JSON for words from a command line. Raises ValueError with what is allowed."""
    match told:
        case ["full"]:
            return {"pedal": 100.0}
        case ["lift"]:
            return {"pedal": 0.0}
        case ["mend"]:
            return {"mend": True}
        case ["drive-at", speed]:
            return {"drive_at_mps": _number(speed)}
        case ["pedal" | "brake" | "gear" as what, value]:
            return {what: _number(value)}
        case ["transfer-case" | "engine" as what, value]:
            return {what: value}
        case ["fault", target, kind, *rest] if len(rest) <= 2:
            fault: dict[str, Any] = {"target": target, "kind": kind}
            if rest:
                fault["channel"] = rest[0]
            if len(rest) == 2:
                fault["amount"] = _number(rest[1])
            return {"fault": fault}
    raise ValueError(TELL_HELP)


def tell(arguments: list[str]) -> int:
    """Send words to the seat of a running simulator; 0 when it did as told."""
    parser = argparse.ArgumentParser(
        "python -m simulator tell",
        description=TELL_HELP,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("words", nargs="+")
    parser.add_argument("--driver-port", type=int, required=True)
    options = parser.parse_args(arguments)
    try:
        body = json.dumps(_words(options.words)).encode()
    except ValueError as error:
        print(error, file=sys.stderr)
        return 2
    request = urllib.request.Request(
        f"http://127.0.0.1:{options.driver_port}/tell",
        data=body,
        headers={"Content-Type": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=5.0) as answer:
            answer.read()
    except urllib.error.HTTPError as error:
        with error:
            print(json.loads(error.read())["problem"], file=sys.stderr)
        return 1
    except OSError:
        print(
            f"Nobody sits at port {options.driver_port}. Start `python -m simulator --link PATH "
            f"--driver-port {options.driver_port}` first.",
            file=sys.stderr,
        )
        return 1
    return 0
