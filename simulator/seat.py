"""The driver's seat of the simulated truck: a small page and JSON endpoints on loopback.

Data flows: page or `python -m simulator tell` -> POST /tell -> driver and fault menu, run between
two frames; GET /state -> what the truck and the rig really do. It is not part of the service: a
real truck has a real seat.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread
from typing import Any

from simulator.faults import MENU
from simulator.plant import Plant
from simulator.rig_and_truck.driver import TransferCase
from simulator.seat_page import PAGE

LONGEST_BODY = 4096
CASES = {"open": TransferCase.OPEN, "locked": TransferCase.LOCKED, "rear": TransferCase.REAR_ONLY}

Ask = Callable[[Callable[[], Any]], Any]


def _number(words: dict[str, Any], key: str, default: float) -> float:
    value = words.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"'{key}' is a number.")
    return float(value)


def tell(plant: Plant, words: dict[str, Any]) -> None:
    """Do what the words say. Pedal and brake in per cent.

    Raises ValueError with what is allowed when the words are not understood.
    """
    driver = plant.driver
    known = {"pedal", "brake", "gear", "transfer-case", "engine", "drive_at_mps", "fault", "mend"}
    unknown = set(words) - known
    if unknown or not words:
        raise ValueError(f"The seat understands: {', '.join(sorted(known))}.")
    if "transfer-case" in words and words["transfer-case"] not in CASES:
        raise ValueError(f"The transfer case is one of: {', '.join(CASES)}.")
    if "engine" in words and words["engine"] not in {"on", "off"}:
        raise ValueError("The engine is 'on' or 'off'.")
    driver.tell(
        pedal=_number(words, "pedal", 0.0) / 100.0 if "pedal" in words else None,
        brake=_number(words, "brake", 0.0) / 100.0 if "brake" in words else None,
        gear=int(_number(words, "gear", 0.0)) if "gear" in words else None,
        case=CASES[words["transfer-case"]] if "transfer-case" in words else None,
    )
    if "engine" in words:
        driver.engine_on = words["engine"] == "on"
    if "drive_at_mps" in words:
        speed = _number(words, "drive_at_mps", 0.0)
        if not 0.0 <= speed <= 60.0:
            raise ValueError("'drive_at_mps' is 0 to 60.")
        driver.brake = 0.0
        driver.drive_at = lambda _now_s: speed
    if "mend" in words:
        plant.faults.clear()
    if "fault" in words:
        fault = words["fault"]
        if not isinstance(fault, dict):
            raise ValueError("'fault' is an object with target, kind, channel, amount, for_s.")
        plant.break_it(
            str(fault.get("target", "")),
            str(fault.get("kind", "")),
            str(fault.get("channel", "")),
            _number(fault, "amount", 0.0),
            _number(fault, "after_s", 0.0),
            _number(fault, "for_s", float("inf")),
        )


def state(plant: Plant) -> dict[str, Any]:
    """What is going on, for the page."""
    driver, board = plant.driver, plant.front_end
    return {
        "truth": plant.truth(),
        "pedal": round(100.0 * driver.pedal, 1),
        "brake": round(100.0 * driver.brake, 1),
        "gear": driver.gear,
        "transfer-case": TransferCase(driver.case).name.lower().replace("rear_only", "rear"),
        "engine": "on" if driver.engine_on else "off",
        "permission": int(board.permission),
        "session": board.session,
        "faults": [
            f"{each.target} {each.kind} {each.channel}".strip() for each in plant.faults.planned
        ],
    }


def menu() -> dict[str, dict[str, str]]:
    """The fault menu as data."""
    return {
        str(target): {str(kind): text for kind, text in kinds.items()}
        for target, kinds in MENU.items()
    }


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A page that was closed in the middle of an answer is no news."""


class Seat:
    """The seat's web server in a thread of its own; `ask` runs a job between two frames."""

    def __init__(self, plant: Plant, ask: Ask, port: int) -> None:
        handler = _handler(plant, ask)
        self._server = _Server(("127.0.0.1", port), handler)
        self.port = self._server.server_address[1]
        self._thread = Thread(target=self._server.serve_forever, name="seat", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(timeout=2.0)


def _handler(plant: Plant, ask: Ask) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        """Answers GET /, /state, /menu and POST /tell from this computer only."""

        timeout = 5.0

        def do_GET(self) -> None:  # name given by http.server
            if not self._local():
                return
            if self.path == "/":
                self._send(HTTPStatus.OK, PAGE.encode(), "text/html; charset=utf-8")
            elif self.path == "/state":
                self._state()
            elif self.path == "/menu":
                self._json(HTTPStatus.OK, menu())
            else:
                self._json(HTTPStatus.NOT_FOUND, {"problem": "There is /, /state and /menu."})

        def do_POST(self) -> None:  # name given by http.server
            if not self._local():
                return
            if self.path != "/tell":
                self._json(HTTPStatus.NOT_FOUND, {"problem": "POST goes to /tell."})
                return
            try:
                # A page of another origin cannot send this type without asking first.
                if self.headers.get("Content-Type", "") != "application/json":
                    raise ValueError("Send application/json.")
                size = int(self.headers.get("Content-Length", "0"))
                if not 0 < size <= LONGEST_BODY:
                    raise ValueError(f"Send 1 to {LONGEST_BODY} bytes.")
                words = json.loads(self.rfile.read(size))
                if not isinstance(words, dict):
                    raise ValueError('Send an object, such as {"pedal": 80}.')
                ask(lambda: tell(plant, words))
            except (ValueError, OverflowError, TimeoutError) as error:
                self._json(HTTPStatus.BAD_REQUEST, {"problem": str(error)})
            else:
                self._state()

        def _state(self) -> None:
            try:
                now = ask(lambda: state(plant))
            except TimeoutError as error:
                self._json(HTTPStatus.SERVICE_UNAVAILABLE, {"problem": str(error)})
            else:
                self._json(HTTPStatus.OK, now)

        def _local(self) -> bool:
            host = self.headers.get("Host", "").rsplit(":", 1)[0]
            if host in {"127.0.0.1", "localhost"}:
                return True
            self._json(HTTPStatus.FORBIDDEN, {"problem": "The seat is for this computer only."})
            return False

        def _json(self, status: HTTPStatus, content: object) -> None:
            self._send(status, json.dumps(content).encode(), "application/json")

        def _send(self, status: HTTPStatus, content: bytes, kind: str) -> None:
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(content)))
            self.send_header("Cache-Control", "no-store")
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:
            """Quiet: the terminal belongs to whoever started it."""

    return Handler
