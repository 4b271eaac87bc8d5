"""Starting a test for a person: the checks of the service, the run's place in the catalogue.

Data flows: route -> start_run -> the loop's gate by Context.command -> keeper. Nothing else in the
service sends StartTest, and each one carries the caller who asked for it.
"""

from __future__ import annotations

import asyncio

import msgspec
from starlette.requests import HTTPConnection

from api.http import command_context
from api.http.answers.problems import Problem
from api.http.context import Context, context_of
from api.http.entry.access import Caller
from api.services.heat_jobs import OutlookJob
from api.services.thermal_status import ambient_of, known_now
from api.store.run_lifecycle import RunRequest
from control.core.commands import StartTest
from control.forecast.outlook import Outlook
from control.test_kinds.plans import Plan
from daq.errors import DrumlinError
from daq.quantities import UnitSystem
from daq.texts.message import say

OUTLOOK_WITHIN_S = 10.0  # the first question after a start loads what all of them need
START_WITHIN_S = 5.0  # a test that has begun is answered without it: the page waits for eight


def operator_of(request: HTTPConnection) -> tuple[Context, Caller]:
    """Context and caller of a command. Raises Problem without role or client id."""
    return context_of(request), command_context.operator_of(request)[1]


def check_vehicle(plan: Plan, vehicle: str) -> None:
    """Raise Problem when the plan simulates a road load and nobody said whose."""
    if getattr(plan, "vehicle", None) is not None and not vehicle:
        raise Problem(
            409,
            "vehicle-missing",
            say("test-simulates-vehicle-road-load-nobody"),
            say("choose-vehicle-stands-on-rolls-then"),
        )


async def heat_outlook(
    context: Context,
    plan: Plan,
    power_w: float | None,
    units: UnitSystem,
    within_s: float = OUTLOOK_WITHIN_S,
) -> Outlook | None:
    """What heat says of the plan by the rotors of now; None when it takes too long to say."""
    latest = context.loop.latest
    settings = context.settings
    job = OutlookJob(
        str(settings.rig.resolve()), str(settings.data.resolve()), ambient_of(latest), plan,
        power_w, *known_now(context.rig, latest), units,
    )  # fmt: skip
    try:
        async with asyncio.timeout(within_s):
            told = await context.have_done(job)
    except (TimeoutError, DrumlinError, Problem):  # a budget that is used up, too
        return None
    return msgspec.msgpack.decode(told, type=Outlook)


async def start_run(
    context: Context,
    caller: Caller,
    run_id: str,
    plan: Plan,
    vehicle: str,
    note: str,
    power_w: float | None = None,
    units: UnitSystem = UnitSystem.METRIC,
) -> Outlook | None:
    """Start a test as the caller; what heat says of it. Raises Problem when it is refused.

    The load does not wait for what heat says: that is looked at once the rig has accepted.
    """
    check_vehicle(plan, vehicle)
    context.check_disk()
    keeper = context.keeper
    keeper.expect(run_id, RunRequest(vehicle, note, caller.holder, plan))
    try:
        await context.command(
            caller,
            StartTest(0, caller.holder, run_id, plan, vehicle),
            detail={"run_id": run_id, "vehicle": vehicle},
        )
    except Problem:
        keeper.forget(run_id)
        raise
    await keeper.note_start(run_id)
    return await heat_outlook(context, plan, power_w, units, START_WITHIN_S)
