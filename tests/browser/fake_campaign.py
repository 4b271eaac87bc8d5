"""A made-up campaign behind the page: the routes' own shapes, its stage as the test sets it."""

from __future__ import annotations

from typing import Any

import msgspec
from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse

from api.http.routes.campaigns import Fitted, NewCampaign, NextRun
from api.services.campaigns import CampaignView
from control.campaigns.sequence import CampaignRun, Stage
from daq.texts.message import say
from daq.texts.published import published_json

ID = "20261125-083000-camp"
ORDER = ("A", "B", "A", "A", "B", "A")
RUNS = (
    CampaignRun("20261125-084000-mad0", "A", True),
    CampaignRun("20261125-083700-mad1", "B", False, say("pull-did-not-rise-and-stay")),
    CampaignRun("20261125-083400-mad2", "B", True),
)
WHY = {
    "waiting": (
        say("is-at-first-run-began-at", what="oil", now_k=377.15, first_k=365.15, band_k=5.0),
    ),
    "paused": (say("service-was-restarted"),),
    "done": (say("stopped-by", who="demo"),),
}


def view(stage: str, begun: NewCampaign | None) -> CampaignView:
    told = begun.campaign if begun is not None else None
    return CampaignView(
        ID, "Exhaust", begun.vehicle if begun is not None else "Invented truck", "steady-hold",
        ORDER if told is None else told.setups * told.repeats, Stage(stage), "A", 3, 6,
        WHY.get(stage, ()), "B", "20261125-084100-fake" if stage == "running" else "", RUNS,
        {"rotor_k": 350.2, "oil_k": 365.1}, {"rotor_k": 358.9, "oil_k": 377.2}, {},
        False, (), "2026-11-25T08:30:00Z",
    )  # fmt: skip


def routes(scene: Any, comparison: Any) -> APIRouter:
    """`scene.campaign`: the stage, "" when none is in hand."""
    router = APIRouter(prefix="/api/campaigns")

    def shown() -> Response:
        found = published_json(view(scene.campaign, scene.begun))
        return Response(found, media_type="application/json")

    async def noted(request: Request, what: str, kind: type[Any]) -> Any:
        scene.posts.append(what)
        return msgspec.json.decode(await request.body(), type=kind)

    @router.get("")
    async def listed() -> JSONResponse:
        return JSONResponse({"in_hand": ID if scene.campaign else "", "campaigns": []})

    @router.post("")
    async def begin(request: Request) -> Response:
        scene.begun = await noted(request, "campaign", NewCampaign)
        scene.campaign = "ask"
        return shown()

    @router.get("/{_}")
    async def one(_: str) -> Response:
        return shown()

    @router.get("/{_}/gain")
    async def gain(_: str) -> Response:
        return Response(msgspec.json.encode(comparison), media_type="application/json")

    @router.post("/{_}/fitted")
    async def fitted(_: str, request: Request) -> Response:
        await noted(request, "campaign/fitted", Fitted)
        scene.campaign = "waiting"
        return shown()

    @router.post("/{_}/run")
    async def run(_: str, request: Request) -> JSONResponse:
        await noted(request, "campaign/run", NextRun)
        scene.campaign = "running"
        return JSONResponse({"run_id": "20261125-084100-fake"})

    @router.post("/{_}/{what}")
    async def other(_: str, what: str) -> Response:
        scene.posts.append(f"campaign/{what}")
        scene.campaign = {"pause": "paused", "resume": "waiting", "stop": "done"}[what]
        return shown()

    return router
