"""What a core shows and what it keeps: telemetry for people, memory for the next start.

Data flow: Core -> Telemetry (on demand, some fifty times a second) and Memory. Nothing is changed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from control.core.memory import AbsorberMemory, Memory
from control.load_loop.loop import Output
from control.telemetry import State, Telemetry, TestView
from control.test_kinds import Test

if TYPE_CHECKING:
    from control.core.core import Core


def telemetry(core: Core, output: Output, currents_a: tuple[float, ...]) -> Telemetry:
    """A snapshot for people. `output`: of load_loop.loop; `currents_a`: let through by the gate."""
    count = len(core.rig.absorbers)
    absorbers = tuple(core.heat.view(i, core.loads.asked_n(i), currents_a[i]) for i in range(count))
    trip, test, measured = core.faults.trip, core.test, core.measured
    return Telemetry(
        core.time_s,
        core.state,
        trip.code if trip is not None else "",
        core.helm.view(core.now_s),
        core.acknowledged,
        _test_view(core, test, output.shortfall_n) if test is not None else None,
        msgspec.structs.replace(measured, flat=()) if measured is not None else None,
        absorbers,
        core.faults.view(),
        heat=core.heat.summary(core.fans_asked()),
        vehicle=core.vehicle if core.acknowledged else "",
        last_end=core.last_end,
    )


def _test_view(core: Core, test: Test, shortfall_n: float) -> TestView:
    """The test for people; near a heat limit the driver is asked for less."""
    view = test.view(shortfall_n)
    advice = core.heat.advice()
    return msgspec.structs.replace(view, instruction=advice) if advice else view


def memory(core: Core) -> Memory:
    """What must survive a restart."""
    if core.session.chain is not None:
        core.teeth.update(core.session.chain.tooth_tables())
    absorbers: dict[str, AbsorberMemory] = {}
    heat = core.heat.records()
    for i, absorber in enumerate(core.rig.absorbers):
        gain, shape = core.loads.learned(i)
        absorbers[absorber.name] = AbsorberMemory(
            gain,
            shape,
            core.loads.rotor_k(i),
            core.zeros.get(absorber.name),
            heat[absorber.name],
            core.identified.get(absorber.name),
        )
    return Memory(
        session=core.session.number,
        trip=core.faults.trip,
        loaded=core.state in (State.LOADED, State.EASING),
        ratio_per_m=core.ratio_per_m,
        ratio_of=core.ratio_of,
        absorbers=absorbers,
        teeth=dict(core.teeth),
        advice=core.advice,
        tuned=core.tuned,
    )
