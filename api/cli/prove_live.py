"""What a proving asks of the running service: zeros taken, and the mean of a load cell.

Data flows: command -> HTTP to the service on this computer -> answer. A refusal by the rig comes
back as Refused with the rig's own words.
"""

from __future__ import annotations

import json
import math
import secrets
import time
import urllib.error
import urllib.request
from typing import Any

from daq.errors import DrumlinError, Refused

TIMEOUT_S = 10.0
READ_EVERY_S = 0.05
NOISY_SIGMAS = 6.0


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
