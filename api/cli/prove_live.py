"""What a proving asks of the running service: zeros taken, a cell's mean, dead weights in turn.

Data flows: command -> HTTP to the service on this computer -> answer. A refusal by the rig comes
back as Refused with the rig's own words.
"""

from __future__ import annotations

import json
import math
import secrets
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

from api.cli.prove_words import CAUTION
from daq.errors import DrumlinError, Refused
from daq.quantities import UnitSystem
from daq.rig.units import from_si

if TYPE_CHECKING:
    from daq.proving.calibration import DeadWeight
    from daq.rig.description import Rig

TIMEOUT_S = 10.0
READ_EVERY_S = 0.05


class ServiceClient:
    """The service behind one address, asked as one client."""

    def __init__(self, url: str, token: str = "") -> None:
        if not url.startswith(("http://", "https://")):
            raise Refused(f"'{url}' is no address.", "Give it as http://HOST:PORT.", "no-address")
        self._url = url.rstrip("/")
        self._headers = {
            "Drumlin-Client": f"prove-{secrets.token_hex(4)}",
            "Content-Type": "application/json",
        }
        if token:
            self._headers["Authorization"] = f"Bearer {token}"

    def ask(self, method: str, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        """One request. Raises Refused as the rig did, or DrumlinError when nobody answers."""
        request = urllib.request.Request(
            f"{self._url}{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers=self._headers,
            method=method,
        )
        try:
            with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
                told: dict[str, Any] = json.load(answer)
                return told
        except urllib.error.HTTPError as error:
            try:
                said = json.load(error)
            except ValueError:
                said = {}
            raise Refused(
                str(said.get("detail") or f"The service answered {error.code}."),
                str(said.get("remedy") or "See its log."),
                str(said.get("code") or "refused"),
            ) from None
        except (OSError, ValueError) as error:
            raise DrumlinError(
                f"Nobody answers at {self._url}: {error}.",
                "Start drumlin serve, or give --url.",
            ) from None

    def take_zeros(self) -> None:
        """Take the helm, the zeros, and give the helm back. Raises Refused."""
        self.ask("POST", "/api/helm/take", {"name": "proving"})
        try:
            self.ask("POST", "/api/zero", {})
        finally:
            self.ask("POST", "/api/helm/release", {})

    def cell_force(self, absorber: str, seconds: float) -> float:
        """Mean cell force in N over `seconds`. Raises Refused when the reading is not good."""
        values: dict[float, float] = {}
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            values |= [self._one(absorber)]
            time.sleep(READ_EVERY_S)
        found = list(values.values())
        if len(found) < 5:
            raise Refused("The reading does not move on.", "Look at the link.", "stale")
        return math.fsum(found) / len(found)

    def _one(self, absorber: str) -> tuple[float, float]:
        measured = self.ask("GET", "/api/state").get("measured") or {}
        for one in measured.get("absorbers", ()):
            if one.get("name") == absorber:
                reading = one["cell_force"]
                if reading["quality"] != "good" or reading["value"] is None:
                    raise Refused(
                        f"The load cell of '{absorber}' reads {reading['quality']}.",
                        "Look at its cable and converter first.",
                        "cell-not-good",
                    )
                return float(reading["time_s"]), float(reading["value"])
        raise Refused(
            f"The running rig has no absorber '{absorber}'.", "Check the name.", "unknown-absorber"
        )


def live_loads(
    rig: Rig,
    absorber: str,
    wanted: list[float],
    seconds: float,
    url: str,
    token: str,
    data: Path,
    units: UnitSystem,
) -> list[DeadWeight]:
    """Ask for each mass in turn, then read the cell. Raises Refused."""
    from api.services.proving import zeros_in_use
    from daq.proving.calibration import DeadWeight
    from daq.proving.record import absorber_named

    one = absorber_named(rig, absorber)
    if not wanted:
        raise Refused("No masses are given.", "Give --loads FILE, or --masses.", "calibration")
    service = ServiceClient(url, token)
    zero = zeros_in_use(data).get(absorber, one.cell.zero_count)
    print(CAUTION, file=sys.stderr)
    found = []
    for place, mass in enumerate(wanted):
        unit = "lb" if units is UnitSystem.US else "kg"
        hang = f"{from_si(mass, unit):g}"
        wait_for_enter(
            f"Hang {hang} {unit} on the arm of {absorber}, oscillate it gently, then press Enter: "
        )
        newton = service.cell_force(absorber, seconds)
        count = one.arm_sign * newton / _counts_scale(rig, absorber) + zero
        rising = place == 0 or mass >= wanted[place - 1]
        found.append(DeadWeight(mass, count, rising))
    return found


def _counts_scale(rig: Rig, absorber: str) -> float:
    """Newton at the cell per converter count, as the rig file has it."""
    cell = next(one.cell for one in rig.absorbers if one.name == absorber)
    return cell.full_scale_mv_per_v / 2.0**23 * cell.newton_per_mv_per_v


def wait_for_enter(text: str) -> None:
    print(text, end="", file=sys.stderr, flush=True)
    if not sys.stdin.readline():
        raise Refused("Nobody is there to press Enter.", "Run it at a terminal.", "no-terminal")
