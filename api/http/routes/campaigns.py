"""Campaigns at the rig: begin, look, tell what was fitted, start each run, pause, resume, stop.

Data flows: request -> role check -> api.services.campaigns -> View. A run is started by the person
at the helm and goes through the loop's gate like any other test; every step enters the audit log.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from fastapi import APIRouter, Path, Query, Request
from msgspec import Meta
from starlette.responses import Response

from api.http.answers.bodies import NO_NUL, ONE_LINE, WORD, Nothing, answer, gives, read, takes
from api.http.answers.problems import Problem
from api.http.audit import Detail
from api.http.context import context_of
from api.http.entry.tokens import Role
from api.http.starting import check_vehicle, operator_of, start_run
from api.services.campaigns import CampaignView
from api.services.comparing import Compared, compare
from api.store.campaign_files import Listed
from control.campaigns.campaign import Campaign
from control.core.commands import EaseOff
from control.forecast.outlook import Outlook
from control.test_kinds.kinds import check_plan
from control.test_kinds.plans import Plan
from daq.texts.message import say

router = APIRouter(prefix="/api/campaigns", tags=["campaigns"])

Id = Annotated[str, Path(pattern=r"^[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}$")]
Setup = Annotated[str, Query(max_length=40, pattern=WORD)]


class NewCampaign(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    campaign: Campaign
    name: Annotated[str, Meta(max_length=36, pattern=ONE_LINE)] = ""  # of its sets of runs, too
    vehicle: Annotated[str, Meta(max_length=80, pattern=ONE_LINE)] = ""
    note: Annotated[str, Meta(max_length=3000, pattern=NO_NUL)] = ""  # goes to every run


class Fitted(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    setup: Annotated[str, Meta(min_length=1, max_length=40, pattern=ONE_LINE)]


class NextRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Load follows: the person at the helm has looked at truck, straps and people just now."""

    number: Annotated[int, Meta(ge=1, le=1000)]  # as the campaign shows it
    checked: Literal[True]


class Begun(msgspec.Struct, frozen=True):
    run_id: str
    heat: Outlook | None = None  # what heat says of it; null when that took too long


class CampaignList(msgspec.Struct, frozen=True):
    in_hand: str  # id of the one that has not ended; "" when there is none
    campaigns: list[Listed]


@router.get("", responses=gives(CampaignList))
async def listed(request: Request) -> Response:
    """The newest hundred campaigns, and which one is in hand."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    hand = context.campaigns.current
    found = await context.campaigns.listed()
    in_hand = hand.filed.id if hand is not None and not hand.sequence.ended else ""
    return answer(CampaignList(in_hand, found))


@router.post(
    "", status_code=201, responses=gives(CampaignView, 201), openapi_extra=takes(NewCampaign)
)
async def begin(request: Request) -> Response:
    """Take a campaign in hand. Starts nothing: each run is asked for by itself."""
    context, caller = operator_of(request)
    body = await read(request, NewCampaign)
    check_vehicle(body.campaign.plan, body.vehicle)
    check_plan(body.campaign.plan, context.rig, None, engine_speed=True)
    view = await context.campaigns.begin(
        body.campaign, body.name.strip(), body.vehicle, body.note, caller.holder
    )
    detail: Detail = {"campaign": view.id, "name": view.name}
    await context.audit.write(caller, "begin-campaign", "done", detail=detail)
    return answer(view, 201, {"Location": f"/api/campaigns/{view.id}"})


@router.get("/{campaign_id}", responses=gives(CampaignView))
async def one(request: Request, campaign_id: Id) -> Response:
    """Where it stands: stage, what it waits for, runs so far, conditions then and now."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    return answer(await context.campaigns.view(campaign_id))


@router.post("/{campaign_id}/fitted", responses=gives(CampaignView), openapi_extra=takes(Fitted))
async def fitted(request: Request, campaign_id: Id) -> Response:
    """The set-up that was asked for is on the truck (the other calibration is loaded)."""
    context, caller = operator_of(request)
    body = await read(request, Fitted)
    view = await context.campaigns.fitted(campaign_id, body.setup)
    detail: Detail = {"campaign": campaign_id, "setup": body.setup}
    await context.audit.write(caller, "campaign-fitted", "done", detail=detail)
    return answer(view)


@router.post(
    "/{campaign_id}/run", status_code=201, responses=gives(Begun, 201), openapi_extra=takes(NextRun)
)
async def run(request: Request, campaign_id: Id) -> Response:
    """Start the run that is asked for. Load follows."""
    context, caller = operator_of(request)
    body = await read(request, NextRun)

    heat: Outlook | None = None

    async def start(run_id: str, plan: Plan, vehicle: str, note: str) -> None:
        nonlocal heat
        heat = await start_run(context, caller, run_id, plan, vehicle, note)

    run_id = await context.campaigns.run_next(campaign_id, body.number, start)
    return answer(Begun(run_id, heat), 201, {"Location": f"/api/runs/{run_id}"})


@router.post("/{campaign_id}/pause", responses=gives(CampaignView), openapi_extra=takes(Nothing))
async def pause(request: Request, campaign_id: Id) -> Response:
    """Ask for no further run until resumed; a run that is on goes on."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    view = await context.campaigns.pause(campaign_id)
    await context.audit.write(caller, "pause-campaign", "done", detail={"campaign": campaign_id})
    return answer(view)


@router.post("/{campaign_id}/resume", responses=gives(CampaignView), openapi_extra=takes(Nothing))
async def resume(request: Request, campaign_id: Id) -> Response:
    """Go on after a pause or a restart of the service."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    view = await context.campaigns.resume(campaign_id)
    await context.audit.write(caller, "resume-campaign", "done", detail={"campaign": campaign_id})
    return answer(view)


@router.post("/{campaign_id}/stop", responses=gives(CampaignView), openapi_extra=takes(Nothing))
async def stop(request: Request, campaign_id: Id) -> Response:
    """End it for good; a run of it that is under load is eased off. Its valid runs stay a set."""
    context, caller = operator_of(request)
    await read(request, Nothing)
    running = (await context.campaigns.view(campaign_id)).running
    latest = context.loop.latest
    test = latest.test if latest is not None else None
    if running and test is not None and test.run_id == running:
        await context.command(caller, EaseOff(0, caller.holder, caller.name))
    view = await context.campaigns.stop(campaign_id, caller.name)
    await context.audit.write(caller, "stop-campaign", "done", detail={"campaign": campaign_id})
    return answer(view)


@router.get("/{campaign_id}/gain", responses=gives(Compared))
async def gain(
    request: Request,
    campaign_id: Id,
    before: Setup = "",
    after: Setup = "",
    quantity: Annotated[str, Query(max_length=60, pattern=WORD)] = "",
    level: Annotated[float, Query(gt=0.5, lt=1)] = 0.95,
) -> Response:
    """One set-up against another over the campaign's valid runs; without names, its first two."""
    context = context_of(request)
    context.caller(request, Role.WATCH)
    sides = await context.campaigns.sides(campaign_id)
    names = list(sides)
    first = before or names[0]
    second = after or next((name for name in names if name != first), "")
    if first not in sides or second not in sides or first == second:
        raise Problem(
            409,
            "campaign-sides",
            say("are-not-two-set-ups-campaign", first=first, second=second),
            say("its-set-ups", setups=names),
        )
    found = await context.slowly(
        compare,
        context.keeper.runs_folder,
        sides[first],
        sides[second],
        quantity,
        level,
    )
    return answer(found)
