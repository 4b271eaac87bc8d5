"""The step test finds what is left between the times of force and speed."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from daq.errors import Refused
from daq.measure.chain import Chain
from daq.measure.force.alignment import Alignment, measure_alignment
from daq.measure.speed.smoother import collect_edges
from daq.rig.description import Rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer
from daq.wire.frames import AskIdentity, Hello, Sample, SetPoint
from simulator.plant import Plant
from simulator.rig_and_truck.setup import nominal
from tests.daq.synthetic import tarnhow


def _step_test(rig: Rig, seed: int) -> Alignment:
    """Free rolls, truck lifted off, coast from 25 m/s with 8 A on and off every half second."""
    plant = Plant(replace(nominal(), on_rolls=False), seed=seed)
    plant.driver.tell(pedal=0.0, gear=0, brake=0.0)
    plant.world.spin(25.0, 25.0)
    deframer = Deframer()
    chain: Chain | None = None
    samples: list[Sample] = []
    times, forces = [], []
    hello: Hello | None = None
    for k in range(3500):
        for frame in deframer.feed(plant.advance()):
            if isinstance(frame, Hello) and chain is None:
                hello, chain = frame, Chain(rig, frame)
                plant.receive(encode(AskIdentity(7)))
            elif isinstance(frame, Sample) and chain is not None:
                samples.append(frame)
                measured = chain.update(frame)
                left, right = measured.absorbers[2:4]
                times.append(left.force.time_s)
                forces.append(left.force.value + right.force.value)
        current = 800 if k % 500 > 250 else 0
        plant.receive(encode(SetPoint(7, (k + 1) & 0xFFFF, 100, 3, (current,) * 4)))
    assert chain is not None
    assert hello is not None
    track = collect_edges(chain.wheels.wheels[1], 1, hello.tick_hz, samples)
    return measure_alignment(track, np.array(times), np.array(forces))


def _with_delay(rig: Rig, delay_s: float) -> Rig:
    return msgspec.structs.replace(
        rig,
        absorbers=tuple(
            msgspec.structs.replace(
                absorber, cell=msgspec.structs.replace(absorber.cell, filter_delay_s=delay_s)
            )
            for absorber in rig.absorbers
        ),
    )


def test_the_declared_delays_of_the_demo_rig_leave_less_than_half_a_millisecond() -> None:
    found = _step_test(tarnhow(), seed=1)
    assert abs(found.delay_s) < 5e-4
    assert found.sigma_s < 3e-4
    assert found.inertia_kg == pytest.approx(1650.0, rel=0.005)


@pytest.mark.parametrize("wrong_s", [0.000, 0.012])
def test_a_wrongly_declared_delay_is_found(wrong_s: float) -> None:
    found = _step_test(_with_delay(tarnhow(), wrong_s), seed=2)
    # declared too short: the force is stated later than it acts
    assert found.delay_s == pytest.approx(0.005 - wrong_s, abs=7e-4)


def test_a_test_without_steps_is_refused() -> None:
    track = collect_edges(Chain(tarnhow(), _hello()).wheels.wheels[0], 0, 1_000_000, [])
    with pytest.raises(Refused):
        measure_alignment(track, np.arange(500) * 0.002, np.zeros(500))


def _hello() -> Hello:
    from tests.daq.synthetic import hello_for

    return hello_for(tarnhow())
