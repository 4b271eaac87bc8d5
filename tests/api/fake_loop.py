"""A loop process that does as the test says, speaking the real channel over a real socket."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from pathlib import Path

import msgspec

from api.runtime.channel import CHANNEL_VERSION, SOCKET_NAME, LoopHello
from api.runtime.channel_server import ChannelServer
from control.core.commands import Answer, AnyCommand
from control.telemetry import (
    AbsorberView,
    Event,
    FaultView,
    HelmView,
    LoopHealth,
    State,
    Telemetry,
    TestView,
)
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Quality, Reading, Unit

RIG_FILE = Path(__file__).parents[2] / "rigs" / "tarnhow.toml"
NAN = math.nan


class FakeLoop:
    """Answers every command as `answer` says; remembers them in `commands`."""

    def __init__(self, data: Path) -> None:
        self._path = data / SOCKET_NAME
        self.commands: list[AnyCommand] = []
        self.answer: Callable[[AnyCommand], Answer | None] = lambda command: Answer(
            command.id, True
        )
        self.server: ChannelServer | None = None

    async def start(self) -> None:
        hello = LoopHello(CHANNEL_VERSION, 1, "Tarnhow demo rig", "")
        self.server = ChannelServer(hello, self._answer_all)
        await self.server.start(self._path)

    async def stop(self) -> None:
        if self.server is not None:
            await self.server.stop()
            self.server = None

    def refuse(self, code: str, reason: str, remedy: str) -> None:
        self.answer = lambda command: Answer(command.id, False, code, reason, remedy)

    def publish(self, snapshot: Telemetry) -> None:
        assert self.server is not None
        self.server.publish_telemetry(snapshot)

    def event(self, kind: str, text: str = "", **data: str | float) -> None:
        assert self.server is not None
        self.server.publish_event(Event(1.0, kind, text, dict(data)))

    def _answer_all(self) -> None:
        assert self.server is not None
        for command in self.server.take_commands():
            self.commands.append(command)
            answer = self.answer(command)
            if answer is not None:
                self.server.answer(answer)


def telemetry(
    time_s: float = 10.0,
    state: State = State.PARKED,
    run_id: str = "",
    helm: HelmView | None = None,
    faults: tuple[FaultView, ...] = (),
) -> Telemetry:
    """A snapshot of the demo rig with two roll sets and four absorbers."""
    test = None
    if run_id:
        test = TestView(
            run_id, "steady-hold", "hold", "Keep it floored", 3.0, NAN, 199.0, "rad/s", 198.9,
            -0.0005, 0.0,
        )  # fmt: skip
    return Telemetry(
        time_s=time_s,
        state=state,
        first_cause="",
        helm=helm or HelmView("", "", 0.0),
        acknowledged=False,
        test=test,
        measured=measured(time_s),
        absorbers=tuple(AbsorberView(n, 0.0, 0.0, NAN, math.inf) for n in ABSORBERS),
        faults=faults,
        health=LoopHealth(period_p50_ms=2.0, frames=100, link_up=True),
    )


ABSORBERS = ("front-left", "front-right", "rear-left", "rear-right")


def measured(time_s: float) -> Measured:
    def reading(value: float, unit: Unit, late_s: float = 0.0) -> Reading:
        return Reading(value, unit, time_s - late_s, Quality.GOOD, 0.01)

    roll_sets = tuple(
        RollSetReadings(
            name,
            reading(20.0, Unit.METRE_PER_SECOND, 0.010),
            reading(0.1, Unit.METRE_PER_SECOND_2),
            reading(5000.0, Unit.NEWTON),
            reading(90.0, Unit.NEWTON),
            reading(155.0, Unit.NEWTON),
            reading(5245.0, Unit.NEWTON),
            reading(104_900.0, Unit.WATT),
            0.010,
        )
        for name in ("front", "rear")
    )
    absorbers = tuple(
        AbsorberReadings(
            name,
            reading(1200.0, Unit.NEWTON),
            reading(720.0, Unit.NEWTON_METRE),
            reading(4600.0, Unit.NEWTON),
            Reading(NAN, Unit.AMPERE, time_s, Quality.MISSING),
            128.0,
            0.005,
        )
        for name in ABSORBERS
    )
    return Measured(
        time_s=time_s,
        sequence=5000,
        frames_lost=0,
        roll_sets=roll_sets,
        absorbers=absorbers,
        engine_speed=reading(199.0, Unit.RADIAN_PER_SECOND),
        engine_speed_source="pickup",
        slow={"oil-temperature": reading(361.0, Unit.KELVIN, 0.8)},
        stop_chain_closed=True,
        tie_downs=True,
        digital={"stop-chain": True},
        permission=1,
        permission_left_s=0.1,
        last_set_point=7,
    )


async def until(condition: Callable[[], bool], timeout_s: float = 90.0) -> None:
    """Wait until something is so; fails with the condition's name after `timeout_s`."""
    async with asyncio.timeout(timeout_s):
        while not condition():
            await asyncio.sleep(0.005)


def decode(body: bytes) -> dict[str, object]:
    return msgspec.json.decode(body, type=dict[str, object])
