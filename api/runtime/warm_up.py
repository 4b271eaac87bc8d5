"""Runs the whole core once on made-up frames, so that no kernel compiles while a truck is loaded.

Data flows: rig file -> a greeting and frames such as its front end would send (standing, then at
a steady speed) -> a core that is thrown away. Nothing here reaches the port.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import cast

from control.core.commands import (
    Acknowledge,
    AnyCommand,
    EaseOff,
    KeepHelm,
    MakeReady,
    SlowValue,
    StartTest,
    TakeHelm,
)
from control.core.core import Core
from control.core.memory import AbsorberMemory, Memory
from control.test_kinds.plans import SteadyHold
from daq.readings import Unit
from daq.rig.description import Rig, SlowChannel
from daq.rig.units import scale_of
from daq.wire.codec import decode, encode
from daq.wire.frames import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    AskIdentity,
    Channel,
    ChannelKind,
    Hello,
    Permission,
    ResetCause,
    Sample,
    Slow,
)

_HOLDER = "warm-up:1"
_TICK_HZ = 1_000_000
_SPEED_MPS = 8.0
_STANDING_FRAMES = 1000  # until rolls are known to stand, at up to 1000 frames a second
_MOVING_FRAMES = 700
_SLOW_EVERY = 40


def warm_up(rig: Rig) -> str:
    """Step a core through standing, readiness, load and easing; the state it ended in."""
    zeros = {each.name: AbsorberMemory(zero_count=each.cell.zero_count) for each in rig.absorbers}
    core = Core(rig, Memory(absorbers=zeros))
    session = 0
    for ask in core.step(None, (), 0.0).send:
        if isinstance(ask, AskIdentity):
            session = ask.session
    core.step(_hello(rig, session), (), 0.001)
    slow = tuple(enumerate(_slow_value(each) for each in rig.slow))
    fed = [SlowValue(8, each.name, _slow_value(each)) for each in rig.slow if each.topic]
    moments = _commands()
    moment = next(moments, None)
    taken = 0
    for number, sample in enumerate(_samples(rig)):
        commands: tuple[AnyCommand, ...] = ()
        while moment is not None and moment[0] <= number:
            commands = (*commands, moment[1])
            moment = next(moments, None)
        now_s = 0.002 + number / rig.frame_hz
        told = sample.__replace__(last_set_point=taken)
        step = core.step(cast(Sample, decode(encode(told)[:-1])), commands, now_s)
        if step.set_point is not None:
            taken = step.set_point.sequence
            encode(step.set_point)
        if number % _SLOW_EVERY == 0:
            core.step(Slow(sample.tick, slow), (*fed,), now_s)
    core.telemetry()
    core.memory()
    core.heat.look_everywhere()
    return core.state.value


def _slow_value(channel: SlowChannel) -> float:
    """An ordinary day, in the channel's own unit."""
    scale = scale_of(channel.unit)
    ordinary = {Unit.KELVIN: 293.15, Unit.PASCAL: 100_000.0, Unit.RATIO: 0.5}
    return (ordinary.get(scale.unit, 0.0) - scale.offset) / scale.factor


def _hello(rig: Rig, session: int) -> Hello:
    inputs = [rig.inputs.stop_chain_closed, rig.inputs.tie_downs, rig.inputs.doors_closed]
    inputs += sorted({each.fan_turns for each in rig.absorbers if each.fan_turns})
    wheels = [roll_set.wheel for roll_set in rig.roll_sets]
    if rig.engine.wheel:
        wheels.append(rig.engine.wheel)
    fans = sorted({absorber.fan for absorber in rig.absorbers if absorber.fan})
    return Hello(
        PROTOCOL_MAJOR,
        PROTOCOL_MINOR,
        ResetCause.POWER_ON,
        _TICK_HZ,
        rig.frame_hz,
        1,
        session,
        0,
        0,
        "warm-up",
        (
            *(Channel(ChannelKind.WHEEL, name) for name in wheels),
            *(Channel(ChannelKind.CONVERTER, each.cell.converter) for each in rig.absorbers),
            *(Channel(ChannelKind.OUTPUT, each.output) for each in rig.absorbers),
            *(Channel(ChannelKind.DIGITAL_IN, name) for name in inputs if name),
            *(Channel(ChannelKind.DIGITAL_OUT, name) for name in fans),
            *(Channel(ChannelKind.SLOW, each.name, each.unit) for each in rig.slow),
        ),
    )


def _samples(rig: Rig) -> Iterator[Sample]:
    frame_ticks = _TICK_HZ // rig.frame_hz
    pitches = [
        2.0 * math.pi * roll_set.roll_radius_m / roll_set.teeth / _SPEED_MPS * _TICK_HZ
        for roll_set in rig.roll_sets
    ]
    if rig.engine.wheel:
        pitches.append(_TICK_HZ / 60.0)  # 1,800 rev/min with two pulses a turn
    count = len(rig.absorbers)
    totals = [0] * len(pitches)
    next_edges = [_STANDING_FRAMES * frame_ticks + pitch for pitch in pitches]
    for number in range(_STANDING_FRAMES + _MOVING_FRAMES):
        tick = (number + 1) * frame_ticks
        edges: list[tuple[int, ...]] = []
        for wheel, pitch in enumerate(pitches):
            seen: list[int] = []
            while next_edges[wheel] <= tick:
                seen.append(int(next_edges[wheel]))
                next_edges[wheel] += pitch
            totals[wheel] = (totals[wheel] + len(seen)) & 0xFFFF
            edges.append(tuple(seen))
        yield Sample(
            number,
            tick,
            Permission.HELD,
            100,
            0,
            3,
            tuple(totals),
            tuple(edges),
            tuple(
                (number * 7919 + place * 31) % 97 for place in range(count)
            ),  # a cell is never still
            (0,) * count,
            (0,) * count,
        )


def _commands() -> Iterator[tuple[int, AnyCommand]]:
    """Frame numbers and what is commanded then, in order."""
    moving = _STANDING_FRAMES
    plan = SteadyHold(seconds=60.0, speed_mps=_SPEED_MPS)
    commands: list[tuple[int, AnyCommand]] = [
        (1, TakeHelm(1, _HOLDER, "warm-up")),
        (moving - 50, Acknowledge(4, _HOLDER)),
        (moving - 40, MakeReady(5, _HOLDER)),
        (moving + 300, StartTest(6, _HOLDER, "warm-up", plan)),
        (moving + 600, EaseOff(7, _HOLDER)),
    ]
    for number in range(50, moving + _MOVING_FRAMES, 50):
        commands.append((number, KeepHelm(3, _HOLDER)))
    yield from sorted(commands, key=lambda each: each[0])
