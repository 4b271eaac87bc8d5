"""What is shown and what is kept: telemetry for people, memory for the next start.

Data flow: OperatingState -> Telemetry (on demand, some fifty times a second) and Memory. Nothing
is changed.
"""

from __future__ import annotations

import msgspec

from control.core.memory import AbsorberMemory, Memory
from control.core.operating_state import OperatingState
from control.load_loop.loop import Output
from control.telemetry import State, Telemetry, TestView
from control.test_kinds.base import Test


def telemetry(
    operating: OperatingState, output: Output, currents_a: tuple[float, ...]
) -> Telemetry:
    """A snapshot for people. `output`: of load_loop.loop; `currents_a`: let through by the gate."""
    count = len(operating.rig.absorbers)
    absorbers = tuple(
        operating.heat.view(i, operating.loads.asked_n(i), currents_a[i]) for i in range(count)
    )
    trip, test, measured = operating.faults.trip, operating.test, operating.measured
    return Telemetry(
        operating.time_s,
        operating.state,
        trip.code if trip is not None else "",
        operating.helm.view(operating.now_s),
        operating.acknowledged,
        _test_view(operating, test, output.shortfall_n) if test is not None else None,
        msgspec.structs.replace(measured, flat=()) if measured is not None else None,
        absorbers,
        operating.faults.view(),
        heat=operating.heat.summary(operating.fans_asked()),
        vehicle=operating.vehicle if operating.acknowledged else "",
        engine=operating.engine,
        zeros_missing=operating.zeros_missing(),
        ratio_known=operating.ratio_per_m is not None,
        last_end=operating.last_end,
    )


def _test_view(operating: OperatingState, test: Test, shortfall_n: float) -> TestView:
    """The test for people; near a heat limit the driver is asked for less."""
    view = test.view(shortfall_n)
    advice = operating.heat.advice()
    return msgspec.structs.replace(view, instruction=advice) if advice else view


def memory(operating: OperatingState) -> Memory:
    """What must survive a restart."""
    if operating.session.chain is not None:
        operating.teeth.update(operating.session.chain.tooth_tables())
    absorbers: dict[str, AbsorberMemory] = {}
    heat = operating.heat.records()
    for i, absorber in enumerate(operating.rig.absorbers):
        gain, shape = operating.loads.learned(i)
        absorbers[absorber.name] = AbsorberMemory(
            gain,
            shape,
            operating.loads.rotor_k(i),
            operating.zeros.get(absorber.name),
            heat[absorber.name],
            operating.identified.get(absorber.name),
        )
    return Memory(
        session=operating.session.number,
        trip=operating.faults.trip,
        loaded=operating.state in (State.LOADED, State.EASING),
        ratio_per_m=operating.ratio_per_m,
        ratio_of=operating.ratio_of,
        absorbers=absorbers,
        teeth=dict(operating.teeth),
        advice=operating.advice,
        tuned=operating.tuned,
    )
