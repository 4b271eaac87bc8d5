"""One hold without anybody at the page: the demo's proof that all parts work together.

Data flows: HTTP requests to the running service as a page would make them, words to the simulated
driver's seat; the stored run and the loop's own health come back as plain data.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import urllib.error
import urllib.request
from collections.abc import Callable
from typing import Any

import msgspec

from daq.errors import DrumlinError
from daq.tasks import Tasks

KEEP_HELM_S = 1.0
NEAR_RPM = 150.0
PATIENCE_S = 60.0


class HoldAsked(msgspec.Struct, frozen=True):
    """Where to ask, and for what."""

    address: str
    seat: int
    rpm: float
    seconds: float


class _Failed(DrumlinError):
    exit_code = 1


async def run_hold(asked: HoldAsked, say: Callable[[str], None]) -> dict[str, object]:
    """Take the helm, hold, ease off, read the stored run. Raises DrumlinError."""
    client = _Client(asked)
    await client.until("the front end's frames", lambda state: state.get("measured") is not None)
    await client.post("/api/helm/take", {"name": "unattended demo"})
    tasks = Tasks()
    tasks.keep("heartbeat of the helm", client.keep_helm)
    try:
        say("The helm is taken; zeros, cautions, ready.")
        await client.zero()
        await client.post("/api/acknowledge")
        await client.post("/api/ready")
        await client.drive({"gear": 4, "brake": 0.0, "pedal": 40.0})
        await client.until(
            f"{asked.rpm:.0f} rev/min", lambda state: _rpm(state) > asked.rpm - NEAR_RPM
        )
        plan = {
            "kind": "steady-hold",
            "rpm": asked.rpm,
            "seconds": asked.seconds,
            "settle_s": min(10.0, asked.seconds / 3.0),
        }
        started = await client.post(
            "/api/test/start", {"plan": plan, "vehicle": "demo truck", "note": "unattended demo"}
        )
        run_id = str(started["run_id"])
        say(f"Run {run_id}: holding {asked.rpm:.0f} rev/min for {asked.seconds:g} s.")
        if heat := (started.get("heat") or {}).get("text"):
            say(f"Heat: {heat}")
        await client.drive({"pedal": 100.0})
        during = await client.until(
            "the hold's end",
            lambda state: state["state"] != "loaded",
            asked.seconds + PATIENCE_S,
        )
        await client.post("/api/ease-off")  # takes what is left off; nothing when it is off
        await client.drive({"pedal": 0.0})
        after = await client.until(
            "the load to be off", lambda state: state["state"] not in ("loaded", "easing")
        )
        await client.drive({"brake": 30.0})
        run = await client.run(run_id)
    finally:
        await tasks.stop()
    health = after["health"]
    return {
        "run_id": run_id,
        "state": run.get("state"),
        "reason": run.get("reason"),
        "result": run.get("result"),
        "set_rpm": asked.rpm,
        "seconds": asked.seconds,
        "rig_state_after": after["state"],
        "first_cause": after.get("first_cause", ""),
        "loop_period_p50_ms": health["period_p50_ms"],
        "loop_period_p99_ms": health["period_p99_ms"],
        "worst_loop_period_ms": during["health"]["period_max_ms"],
        "loop_overruns": health["overruns"],
        "frames": health["frames"],
        "lost_frames": health["frames_lost"],
        "crc_failures": health["crc_failures"],
        "bytes_discarded": health["bytes_discarded"],
    }


class _Client:
    """Requests to the service and to the seat, each in a thread, none longer than 10 s."""

    def __init__(self, asked: HoldAsked) -> None:
        self._asked = asked
        self._id = secrets.token_hex(8)

    async def keep_helm(self) -> None:
        while True:
            await asyncio.sleep(KEEP_HELM_S)
            await self.post("/api/helm/keep")

    async def post(self, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
        return await asyncio.to_thread(self._ask, f"{self._asked.address}{path}", body or {})

    async def get(self, path: str) -> dict[str, Any]:
        return await asyncio.to_thread(self._ask, f"{self._asked.address}{path}", None)

    async def zero(self) -> None:
        """Take zeros; at first the rig does not know yet that the rolls stand, so try again."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + PATIENCE_S
        while True:
            try:
                await self.post("/api/zero")
                return
            except _Failed:
                if loop.time() > until_s:
                    raise
                await asyncio.sleep(0.3)

    async def drive(self, words: dict[str, Any]) -> None:
        await asyncio.to_thread(self._ask, f"http://127.0.0.1:{self._asked.seat}/tell", words)

    async def until(
        self, what: str, reached: Callable[[dict[str, Any]], bool], within_s: float = PATIENCE_S
    ) -> dict[str, Any]:
        """The first state for which `reached` holds. Raises when the wait is in vain."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + within_s
        while True:
            try:
                state = await self.get("/api/state")
            except _Failed:
                if loop.time() > until_s:
                    raise
                state = {}
            if state.get("state") == "tripped":
                raise _Failed(f"The rig tripped: {state.get('first_cause')}.", "See its faults.")
            if state and reached(state):
                return state
            if loop.time() > until_s:
                raise _Failed(f"Waited {within_s:g} s for {what}, in vain.", "See the messages.")
            await asyncio.sleep(0.1)

    async def run(self, run_id: str) -> dict[str, Any]:
        """The stored run, once it is closed."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + PATIENCE_S
        while True:
            run = await self.get(f"/api/runs/{run_id}")
            if run.get("state") not in ("recording", "closing", "open", "ended"):
                return run
            if loop.time() > until_s:
                raise _Failed(
                    f"Run {run_id} was not closed within {PATIENCE_S:g} s.", "See the messages."
                )
            await asyncio.sleep(0.2)

    def _ask(self, url: str, body: dict[str, Any] | None) -> dict[str, Any]:
        request = urllib.request.Request(
            url,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json", "Drumlin-Client": self._id},
        )
        try:
            with urllib.request.urlopen(request, timeout=10.0) as answer:
                text = answer.read()
        except urllib.error.HTTPError as error:
            with error:
                problem = error.read().decode(errors="replace")
            raise _Failed(f"{url} was refused ({error.code}): {problem}", "") from None
        except OSError as error:
            raise _Failed(f"{url} does not answer: {error}.", "See the messages above.") from None
        found = json.loads(text) if text else {}
        return found if isinstance(found, dict) else {}


def _rpm(state: dict[str, Any]) -> float:
    reading = (state.get("measured") or {}).get("engine_speed") or {}
    value = reading.get("value")
    return float(value) * 9.549296585513721 if value is not None else 0.0
