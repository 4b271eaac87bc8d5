"""The demo's driver does what the running test asks: for people who try plans without a truck.

Data flow: telemetry of the loop (test, phase, instruction, speeds) -> Follower.words -> the seat of
the simulated truck. It knows what a person in the cab knows: the instruction and the dials.
A word is sent when something changes, so what a person tells the seat in between stays.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

from api.runtime.channel import SOCKET_NAME
from api.runtime.channel_client import ChannelClient
from control.telemetry import State, Telemetry, TestView
from daq.measure.measured import Measured
from daq.texts.message import Message, Text

LOOK_EVERY_S = 0.05
REACTION_S = 0.4
# Pedal, per cent. Light enough on the way up for the converter to lock before the load comes on.
LIGHTER, LIGHT, FULL = 18.0, 30.0, 100.0
LOCKED_PER_M = 10.3  # engine rad/s per m/s in 4th gear below which the converter is locked
NEAR = 0.9  # of the set point: from here on the pedal may go down
CRUISE_MPS = 18.0  # where force and power are held
FOOT_N = 0.0015  # per cent of pedal a second for each newton of light load that is missing
SNAP_S = 2.5
LEAD_S = 0.5  # how far ahead of a trace the driver looks
# What this driver knows of a pickup: mass, road load, full pull, full brake, answer to an error.
TRUCK_KG, ROAD_N, ROAD_N_PER_MPS2 = 3850.0, 250.0, 1.0
PULL_N, PULL_W, BRAKE_N, IDLE_N = 16_000.0, 230_000.0, 15_000.0, 300.0
PER_MPS_N, REACH_N, MOST_REACH_N = 3500.0, 800.0, 4000.0
AUTOMATIC, NEUTRAL, HELD = -1, 0, 4
GEARS = {
    "grade-climb": AUTOMATIC,
    "speed-trace": AUTOMATIC,
    "identification": AUTOMATIC,
    "snap-smoke": NEUTRAL,
}
Words = dict[str, Any]


class Follower:
    """What the driver does now; call `words` again and again."""

    def __init__(self) -> None:
        self._run = ""
        self._phase = ""
        self._since_s = 0.0
        self._told: Words = {}
        self._foot = 12.0
        self._reach_n = 0.0
        self._looked_s = math.nan

    def words(self, telemetry: Telemetry, now_s: float) -> Words:
        """What to tell the seat now; empty when nothing changes. `now_s`: any steady clock."""
        test, measured = telemetry.test, telemetry.measured
        if test is None or measured is None:
            return self._idle(telemetry.state)
        dt_s = now_s - self._looked_s if self._looked_s == self._looked_s else 0.0
        self._looked_s = now_s
        if test.run_id != self._run:
            self._run, self._phase, self._foot, self._reach_n = test.run_id, "", 12.0, 0.0
            self._told = {}
        if test.phase != self._phase:
            self._phase, self._since_s = test.phase, now_s
        wanted = self._drive(test, measured, now_s - self._since_s, dt_s)
        if "gear" not in wanted:
            wanted["gear"] = GEARS.get(test.kind, HELD)
        return self._changed(wanted)

    def _idle(self, state: State) -> Words:
        """Off the pedal when the test is over, on the brake once the load is off."""
        if not self._run:
            return {}
        if state is State.EASING:
            return self._changed({"pedal": 0.0})
        self._run = ""
        self._told = {}
        return {"pedal": 0.0, "brake": 20.0, "gear": HELD}

    def _changed(self, wanted: Words) -> Words:
        words = {name: value for name, value in wanted.items() if self._told.get(name) != value}
        if "pedal" in words:
            self._told.pop("drive_at_mps", None)
        if "drive_at_mps" in words:
            self._told.pop("pedal", None)
        self._told |= words
        return words

    def _drive(self, test: TestView, measured: Measured, phase_s: float, dt_s: float) -> Words:
        speed = measured.roll_sets[-1].speed.value
        phase = test.phase
        match test.kind:
            case "steady-hold" if test.unit in ("N", "W"):
                return {"drive_at_mps": CRUISE_MPS}
            case "steady-hold" | "stepped-map":
                return {"pedal": self._up_to(test, speed)}
            case "power-sweep":
                floor = phase == "sweep" or (phase == "full pedal" and phase_s > REACTION_S)
                return {"pedal": FULL if floor else self._foot_on_the_way(test, speed)}
            case "spool-up":
                return self._spool(test, measured, phase_s, dt_s)
            case "grade-climb":
                return {"drive_at_mps": test.set_point}
            case "speed-trace":
                return self._trace(test, speed, dt_s)
            case "coastdown" | "identification":
                return self._coast(test, speed)
            case "snap-smoke":
                floor = phase == "snap" and REACTION_S < phase_s < REACTION_S + SNAP_S
                return {"pedal": FULL if floor else 0.0}
        return {}

    def _up_to(self, test: TestView, speed_mps: float) -> float:
        """Floored once near the set point, by engine speed only with the converter locked."""
        floored = self._told.get("pedal") == FULL
        if floored or test.phase in ("hold", "average"):
            return FULL
        if _open_yet(test, speed_mps):
            return self._foot_on_the_way(test, speed_mps)
        return FULL if test.measured > NEAR * test.set_point else LIGHT

    def _foot_on_the_way(self, test: TestView, speed_mps: float) -> float:
        """Light, and lighter near the set point while the converter is open."""
        return (
            LIGHTER
            if _open_yet(test, speed_mps) and test.measured > 0.8 * test.set_point
            else LIGHT
        )

    def _spool(self, test: TestView, measured: Measured, phase_s: float, dt_s: float) -> Words:
        if test.phase != "light load":
            return {"pedal": FULL} if phase_s > 3.0 * REACTION_S else {}
        if not test.measured > 0.97 * test.set_point and phase_s < 60.0 and self._foot == 12.0:
            return {"pedal": 25.0}  # on the way up
        newton = sum(one.absorber_force.value for one in measured.roll_sets)
        off_n = value_in(test.instruction, "force_n") - newton
        if math.isfinite(off_n):
            self._foot = min(max(self._foot + FOOT_N * off_n * dt_s, 0.1), 60.0)
        return {"pedal": round(self._foot, 1)}

    def _trace(self, test: TestView, speed_mps: float, dt_s: float) -> Words:
        now = test.set_point
        if test.phase != "trace":
            return {"drive_at_mps": now} if now > 1.0 else {"pedal": 0.0, "brake": 30.0}
        wanted, later = at_time(test.ahead, LEAD_S, now), at_time(test.ahead, 2.0 * LEAD_S, now)
        if wanted < 0.1:
            self._reach_n = 0.0
            return {"pedal": 0.0, "brake": 30.0 if speed_mps < 2.0 else 15.0}
        pull = (later - now) / (2.0 * LEAD_S)
        error = wanted - speed_mps - 0.5 * LEAD_S * pull
        reach = self._reach_n + REACH_N * error * dt_s
        self._reach_n = min(max(reach, -MOST_REACH_N), MOST_REACH_N)
        force = ROAD_N + ROAD_N_PER_MPS2 * speed_mps**2 + TRUCK_KG * pull
        force += PER_MPS_N * error + self._reach_n
        share = force / min(PULL_N, PULL_W / max(speed_mps, 1.0))
        return {
            "pedal": round(100.0 * min(max(share, 0.0), 1.0), 1),
            "brake": round(100.0 * min(max((-force - IDLE_N) / BRAKE_N, 0.0), 0.8), 1),
        }

    def _coast(self, test: TestView, speed_mps: float) -> Words:
        if test.phase in ("run-up", "drive-up"):
            above = value_in(test.instruction, "above_mps")
            neutral = self._told.get("gear") == NEUTRAL and self._told.get("pedal") == 0.0
            if not speed_mps > above and not (neutral and test.phase == "run-up"):
                return {"pedal": 50.0, "gear": GEARS.get(test.kind, HELD)}
        return {"pedal": 0.0, "gear": NEUTRAL}


def _open_yet(test: TestView, speed_mps: float) -> bool:
    """Whether the converter is still open in a test by engine speed."""
    return test.unit == "rad/s" and test.measured > LOCKED_PER_M * max(speed_mps, 0.1)


def at_time(ahead: tuple[tuple[float, float], ...], seconds: float, now: float) -> float:
    """Speed of the trace so many seconds from now, m/s; the last known beyond what is shown."""
    past = [mps for at_s, mps in ahead if at_s <= seconds]
    return past[-1] if past else now


def value_in(instruction: Text, name: str) -> float:
    """A number that an instruction names; NaN when it does not."""
    value = instruction.values.get(name) if isinstance(instruction, Message) else None
    return float(value) if isinstance(value, int | float) else math.nan


async def follow(data: Path, seat_port: int, say: Callable[[str], None]) -> None:
    """Follow the tests of a running demo until cancelled."""
    follower = Follower()
    loop = asyncio.get_running_loop()
    failed = False
    async with ChannelClient(data / SOCKET_NAME) as client:
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            newest = client.latest
            if newest is None or not client.connected:
                continue
            words = follower.words(newest, loop.time())
            if not words:
                continue
            try:
                await asyncio.to_thread(_tell, seat_port, words)
                failed = False
            except OSError as error:
                if not failed:
                    say(f"The driver's seat does not answer: {error}.")
                failed = True


def _tell(seat_port: int, words: Words) -> None:
    request = urllib.request.Request(
        f"http://127.0.0.1:{seat_port}/tell",
        data=json.dumps(words).encode(),
        headers={"Content-Type": "application/json"},
    )
    with contextlib.closing(urllib.request.urlopen(request, timeout=5.0)) as answer:
        answer.read()
