"""A made-up rig behind the page: plays invented telemetry through the same routes and JSON.

Only for developing and testing the page by itself. Data flow: Scene -> control.telemetry structs ->
msgspec JSON -> /api/live and /api/state. `POST /fake` sets the scene: state, silence, faults.
Nothing here is physics; tests that speak about the rig run against the real loop and simulator.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import random
import time
from pathlib import Path
from typing import Any

import msgspec
from fastapi import FastAPI, Request, Response, WebSocket, WebSocketDisconnect
from fastapi.responses import JSONResponse

from api.http.answers.problems import Problem
from api.http.answers.static import PageServer
from api.http.entry import pairing
from api.http.entry.guard import CONTENT_SECURITY_POLICY
from api.http.routes.campaigns import NewCampaign
from api.http.routes.proving import ShuntReadings
from api.http.routes.results import NewEvaluation
from api.http.routes.weather import WeatherNow
from api.services.route_files import road_read
from control.telemetry import (
    AbsorberView,
    FaultView,
    HelmView,
    LoopHealth,
    RunEnd,
    State,
    Telemetry,
    TestView,
)
from daq.errors import Refused
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.readings import Quality, Reading, Unit
from daq.results.correction import Rule, correction
from daq.rig.description import load_rig
from daq.rig.weather import Weather, air_density, dewpoint_k, dry_pressure_pa, vapour_pressure_pa
from daq.texts.message import Text, say
from daq.texts.published import published
from tests.browser import fake_campaign, fake_results

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "api" / "page"
RIG = load_rig(ROOT / "rigs" / "tarnhow.toml")
NAN = float("nan")
HELM_S = 300.0  # a starved browser keeps its helm; that it is kept alive is looked at by itself
HZ = 10.0  # fewer messages than a rig sends: a browser that paints takes the tests' time


class Scene:
    """What the made-up rig shows now."""

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.random = random.Random(7)
        self.state = State.PARKED
        self.silent = False  # telemetry messages stop
        self.frozen = False  # messages go on, but the rig's time stands still
        self.refuse_sockets = False
        self.loop_up = True
        self.link_dead = False  # the loop lives, but no frame comes
        self.acknowledged = False
        self.vehicle = ""
        self.holder = ""
        self.name = ""
        self.asked_by = ""
        self.helm_until = 0.0
        self.set_rpm = 1900.0
        self.test_began = 0.0
        self.test_seconds = 180.0
        self.start_takes_s = 0.0  # until a start is answered
        self.run_id = ""
        self.shown_load = 0.0
        self.load = 0.0
        self.surge = 0.0  # inertia share, for pictures
        self.rotor_unknown = False
        self.missing_engine = False
        self.suspect_cell = False
        self.faults: tuple[FaultView, ...] = ()
        self.last_end: RunEnd | None = None
        self.cause = ""
        self.held_at: float | None = None
        self.posts: list[str] = []
        self.runs = 3
        self.kind = "steady-hold"  # of the test that runs
        self.sweeping = False  # a sweep goes through its range, over and over
        self.role = "maintain"
        self.zeros_missing: list[str] = []
        self.campaign = ""  # stage of the campaign in hand
        self.begun: NewCampaign | None = None  # as it was asked for

    def anew(self) -> None:
        """As at first, but for its clock: pages that look on see no restart."""
        began = self.began
        vars(self).clear()
        vars(self).update(vars(Scene()), began=began)

    def now(self) -> float:
        if self.frozen or self.link_dead:
            if self.held_at is None:
                self.held_at = time.monotonic() - self.began
            return self.held_at
        self.held_at = None
        return time.monotonic() - self.began

    def helm(self, now: float) -> HelmView:
        if self.holder and now > self.helm_until:
            self.holder = self.name = self.asked_by = ""
        left = max(0.0, self.helm_until - now) if self.holder else 0.0
        asked_id = "demo:other" if self.asked_by else ""
        return HelmView(self.holder, self.name, left, self.asked_by, asked_id)

    def message(self) -> str:
        """The snapshot as the service sends it: with its age."""
        fields = published(self.telemetry())
        age_s = 0.01 if self.link_dead else time.monotonic() - self.began - self.now()
        fields |= {"age_s": age_s, "loop_up": self.loop_up, "stale": age_s > 1.0}
        fields["sent_s"] = time.monotonic()
        return msgspec.json.encode(fields).decode()

    def telemetry(self) -> Telemetry:
        now = self.now()
        rolling = self.state in (State.READY, State.LOADED, State.EASING)
        speed = 24.6 if rolling else 0.0
        target = 1.0 if self.state is State.LOADED else 0.0
        self.load += (target - self.load) * 0.03
        noise = self.random.gauss
        wobble = 3.0 * math.sin(now * 1.1) + 1.5 * math.sin(now * 3.3)
        if self.sweeping:
            self.set_rpm = min(3000.0, 1500.0 + 300.0 * (now - self.test_began))
        rpm = (self.set_rpm + wobble + noise(0, 0.8)) if rolling else 0.0
        surge = self.surge + 260.0 * math.cos(now * 1.1) * (1.0 if rolling else 0.0)
        sets = []
        for index, roll_set in enumerate(RIG.roll_sets):
            v = speed * (1.0 + 0.0016 * index) + (noise(0, 0.004) if rolling else 0.0)
            absorbed = self.load * (5350.0 - 480.0 * index) + noise(0, 4.0) * self.load
            loss = sum(c * v**n for n, c in enumerate(roll_set.loss_n)) if rolling else 0.0
            inertia = surge * (1.0 - 0.1 * index)
            force = absorbed + loss + inertia

            def reading(value: float, unit: Unit, sigma: float, t: float = now) -> Reading:
                return Reading(value, unit, t, Quality.GOOD, sigma)

            sets.append(
                RollSetReadings(
                    roll_set.name,
                    reading(v, Unit.METRE_PER_SECOND, 0.004),
                    reading(inertia / roll_set.base_inertia_kg, Unit.METRE_PER_SECOND_2, 0.01),
                    reading(absorbed, Unit.NEWTON, 6.0),
                    reading(loss, Unit.NEWTON, 4.0),
                    reading(inertia, Unit.NEWTON, 15.0),
                    reading(force, Unit.NEWTON, 17.0),
                    reading(force * v, Unit.WATT, 400.0),
                    0.004,
                )
            )
        absorbers = []
        views = []
        for index, absorber in enumerate(RIG.absorbers):
            share = self.load * (2675.0 - 240.0 * (index // 2))
            torque = share * 0.5 / absorber.gear_ratio
            quality = Quality.SUSPECT if self.suspect_cell and index == 2 else Quality.GOOD
            absorbers.append(
                AbsorberReadings(
                    absorber.name,
                    Reading(torque / absorber.arm_m, Unit.NEWTON, now, quality, 0.6),
                    Reading(torque, Unit.NEWTON_METRE, now, quality, 0.4),
                    Reading(share, Unit.NEWTON, now, quality, 3.0),
                    Reading(
                        17.5 * math.sqrt(max(self.load, 0)), Unit.AMPERE, now, Quality.GOOD, 0.1
                    ),
                    speed / 0.5 * absorber.gear_ratio,
                    0.005,
                )
            )
            rotor = NAN if self.rotor_unknown else 331.0 + self.load * (62.0 - 9.0 * index)
            headroom = (
                NAN
                if self.rotor_unknown
                else (14.2 + 3.1 * index) * 60.0
                if self.load > 0.2
                else math.inf
            )
            views.append(made_up_heat(absorber.name, share, self.load, rotor, headroom))
        test = None
        if self.state in (State.LOADED, State.EASING) and self.run_id:
            elapsed = now - self.test_began
            holding = elapsed > 6
            test = TestView(
                self.run_id,
                "steady-hold",
                "hold" if holding else "settle",
                "Keep the pedal still.",
                elapsed,
                self.test_seconds,
                self.set_rpm * math.pi / 30,
                "rad/s",
                rpm * math.pi / 30,
                (rpm - self.set_rpm) / self.set_rpm,
                0.0,
            )
            if self.kind != "steady-hold":
                test = made_up_test(self.kind, test, speed, elapsed)
            if self.sweeping:
                test = msgspec.structs.replace(test, phase="sweep", elapsed_s=elapsed)
        engine = (
            Reading(NAN, Unit.RADIAN_PER_SECOND, now, Quality.MISSING)
            if self.missing_engine
            else Reading(rpm * math.pi / 30, Unit.RADIAN_PER_SECOND, now, Quality.GOOD, 0.05)
        )
        measured = Measured(
            now,
            int(now * 500) & 0xFFFF,
            0,
            tuple(sets),
            tuple(absorbers),
            engine,
            "" if self.missing_engine else "pickup",
            {
                "ambient-temperature": Reading(294.4, Unit.KELVIN, now - 0.2, Quality.GOOD, 0.2),
                "barometer": Reading(98_600.0, Unit.PASCAL, now - 0.2, Quality.GOOD, 30.0),
                "humidity": Reading(0.46, Unit.RATIO, now - 7.0, Quality.AGING, 0.02),
                "oil-temperature": Reading(
                    372.0 if rolling else 305.0, Unit.KELVIN, now - 0.2, Quality.GOOD, 0.5
                ),
                "boost": Reading(
                    148_000.0 * self.load, Unit.PASCAL, now - 0.2, Quality.GOOD, 900.0
                ),
                "smoke-opacity": Reading(NAN, Unit.RATIO, now, Quality.MISSING),
                "rotor-rear-left": Reading(352.0, Unit.KELVIN, now - 0.3, Quality.GOOD, 1.0),
                "rotor-rear-right": Reading(349.0, Unit.KELVIN, now - 0.3, Quality.GOOD, 1.0),
            },
            self.state is not State.TRIPPED or self.cause != "stop-chain-open",
            True,
            {"stop-chain": True, "tie-downs": True, "fan-front": True, "fan-rear": True},
            1 if self.state is State.LOADED else 0,
            0.1 if self.state is State.LOADED else 0.0,
            4711,
        )
        return Telemetry(
            now,
            self.state,
            self.cause,
            self.helm(time.monotonic() - self.began),
            self.acknowledged,
            test,
            measured,
            tuple(views),
            self.faults,
            LoopHealth(
                2.0,
                2.3,
                3.1,
                0,
                int(now * 500),
                0,
                0,
                0,
                0,
                True,
                "writing" if self.run_id else "idle",
            ),
            vehicle=self.vehicle,
            zeros_missing=tuple(self.zeros_missing),
            last_end=self.last_end,
        )


def made_up_heat(
    name: str, share: float, load: float, rotor: float, headroom: float
) -> AbsorberView:
    """An absorber with its heat: intervals of a tenth, as long as there is a headroom at all."""
    known = math.isfinite(headroom)
    return AbsorberView(
        name,
        share,
        17.5 * load,
        rotor,
        headroom,
        rotor_sigma_k=4.0,
        headroom_low_s=0.9 * headroom if known else headroom,
        headroom_high_s=1.12 * headroom if known else headroom,
        after_pause_s=1.4 * headroom,
        after_pause_low_s=1.2 * headroom,
        after_pause_high_s=1.7 * headroom,
        pause_s=120.0,
        plan_headroom_s=headroom,
        plan_headroom_low_s=0.9 * headroom,
        plan_headroom_high_s=1.12 * headroom,
        capacity_nm=880.0 - 90.0 * load,
        capacity_cold_nm=900.0,
        power_w=share * 24.6,
        cap_w=118_000.0,
        heat_level="cool" if load < 0.5 else "warm",
        rotor_sensor="trusted",
        fan=load > 0.1,
        coil_k=318.0 + 30.0 * load,
        coil_sigma_k=6.0,
        coil_measured=name.endswith("left"),
    )


def target_at(time_s: float) -> float:
    """An invented road: m/s over time."""
    return 17.0 + 5.0 * math.sin(time_s / 5.0) + 2.0 * math.sin(time_s / 2.1)


def made_up_test(kind: str, test: TestView, speed: float, elapsed: float) -> TestView:
    """The same moment in a test of another kind."""
    replace = msgspec.structs.replace
    if kind == "speed-trace":
        now = target_at(elapsed)
        near = [target_at(elapsed + step / 10) for step in range(-10, 11)]
        return replace(
            test, kind=kind, phase="trace", instruction="Keep inside the band.", unit="m/s",
            set_point=now, measured=now + 0.5 * math.sin(elapsed), target_mps=now,
            band_low_mps=min(near) - 0.894, band_high_mps=max(near) + 0.894,
            ahead=tuple((s / 4, target_at(elapsed + s / 4)) for s in range(25)),
            grade_percent=0.0, distance_m=17.0 * elapsed, error_relative=0.0,
        )  # fmt: skip
    if kind == "grade-climb":
        return replace(
            test, kind=kind, phase="climb", unit="m/s", set_point=18.0, measured=17.6 + speed * 0,
            instruction="Hold 65 km/h; floor it when the speed falls.", total_s=600.0,
            grade_percent=6.0 + 2.0 * math.sin(elapsed / 9), distance_m=17.6 * elapsed,
        )  # fmt: skip
    if kind == "power-sweep":
        return replace(
            test, kind=kind, phase="full pedal", total_s=10.0, elapsed_s=0.0,
            instruction=say("floor-it-now-and-stay-on"),
            next_phases=(say("stay-on-floor-until", stop=say("aim-rpm", rpm=3000.0)),),
        )  # fmt: skip
    return replace(test, kind=kind)


def problem(status: int, detail: Text, remedy: Text, code: str) -> Response:
    """A refusal as the service sends it."""
    return Problem(status, code, detail, remedy).response()


def made_up_run(n: int) -> dict[str, Any]:
    """One stored run in the catalogue's shape."""
    state = "interrupted" if n == 2 else "closed"
    return {
        "id": f"20261125-08{40 - 3 * n:02d}00-mad{n}",
        "rig_name": RIG.name,
        "kind": "power-sweep",
        "vehicle": ("Invented pickup, as delivered", "Invented pickup, new exhaust", "")[n % 3],
        "state": state,
        "reason": ("time is up", "eased off by heat", "operator")[n % 3],
        "answer": "Greatest wheel power 241.3 ± 1.2 kW (95 %) at 2650 rpm." if n < 2 else "",
        "valid": (True, False, None)[n % 3],
        "started_at": f"2026-11-25T08:{40 - 3 * n:02d}:00Z",
        "ended_at": f"2026-11-25T08:{42 - 3 * n:02d}:00Z",
        "holder": "demo",
        "frames": 60_000,
        "tags": ["check"] if n == 0 else [],
        "notes": [{"at": "2026-11-25T08:44:00Z", "who": "demo", "text": "Tyres warm."}],
        "result": None,
    }


def made_up_samples(run_id: str, columns: str, points: int) -> dict[str, Any]:
    """Columns in the shape of the samples route."""
    available = {
        "engine_speed_radps": "rad/s",
        "set_point": "",
        "rolls_front_power_w": "W",
        "rolls_rear_power_w": "W",
        "rolls_front_speed_mps": "m/s",
        "rolls_rear_speed_mps": "m/s",
        "rolls_front_tractive_force_n": "N",
        "slow_oil_temperature": "K",
    }
    level = {
        "engine_speed_radps": 199.0,
        "set_point": 198.97,
        "rolls_front_power_w": 131e3,
        "rolls_rear_power_w": 120e3,
        "rolls_front_speed_mps": 24.6,
        "rolls_rear_speed_mps": 24.64,
        "rolls_front_tractive_force_n": 5500.0,
        "slow_oil_temperature": 372.0,
    }
    names = [name for name in columns.split(",") if name in available]
    noise = random.Random(3)
    found = {}
    for name in names:
        middle = [
            level[name] * (1 + 0.004 * math.sin(i / 40) * math.exp(-i / 200)) for i in range(points)
        ]
        wide = [level[name] * abs(noise.gauss(0, 0.0006)) for _ in range(points)]
        found[name] = {
            "unit": available[name],
            "least": [m - w for m, w in zip(middle, wide, strict=True)],
            "greatest": [m + w for m, w in zip(middle, wide, strict=True)],
        }
    step = 120.0 / points
    return {
        "run_id": run_id,
        "frames": 60_000,
        "duration_s": 120.0,
        "from_s": 0.0,
        "to_s": 120.0,
        "bin_s": step,
        "time_s": [i * step for i in range(points)] if names else [],
        "columns": found,
        "available": available,
    }


def build(scene: Scene | None = None) -> FastAPI:
    """The app; `app.state.scene` is the scene."""
    scene = scene or Scene()
    app = FastAPI()
    app.state.scene = scene
    sockets: set[WebSocket] = set()

    @app.middleware("http")
    async def strict_policy(request: Request, call_next: Any) -> Response:
        response: Response = await call_next(request)
        response.headers["Content-Security-Policy"] = CONTENT_SECURITY_POLICY
        response.headers["Cache-Control"] = "no-cache"
        return response

    @app.post("/fake")
    async def set_scene(request: Request) -> dict[str, str]:
        change = await request.json()
        for key, value in change.items():
            if key == "state":
                scene.state = State(value)
                if scene.state is State.LOADED:
                    scene.test_began, scene.run_id = scene.now() - 20, "20261125-084100-fake"
                    scene.load = 1.0
                if scene.state is State.PARKED:
                    scene.load, scene.run_id = 0.0, ""
            elif key == "faults":
                scene.faults = msgspec.convert(value, tuple[FaultView, ...])
            elif key == "last_end":
                scene.last_end = RunEnd(**{**value, "voids": tuple(value.get("voids", ()))})
            elif key == "close_sockets":
                for socket in list(sockets):
                    with contextlib.suppress(Exception):
                        await socket.close()
            elif hasattr(scene, key):
                setattr(scene, key, value)
        return {"state": scene.state.value}

    @app.post("/fake/new")
    async def anew() -> dict[str, str]:
        scene.anew()
        return {"state": scene.state.value}

    @app.get("/fake")
    async def posts() -> dict[str, Any]:
        return {"posts": scene.posts}

    app.include_router(fake_campaign.routes(scene, fake_results.comparison([], [])))

    @app.get("/api/rig")
    async def rig() -> Response:
        return Response(msgspec.json.encode(RIG), media_type="application/json")

    @app.get("/api/state")
    async def state() -> Response:
        return Response(scene.message(), media_type="application/json")

    @app.get("/api/self")
    async def who(request: Request) -> JSONResponse:
        holder = f"demo:{request.headers.get('drumlin-client', '')}"
        return JSONResponse(
            {"name": "demo", "role": scene.role, "holder": holder, "tokens_in_use": True}
        )

    @app.get("/api/tokens")
    async def tokens() -> JSONResponse:
        return JSONResponse(
            {
                "tokens": [
                    {
                        "id": "t1",
                        "name": "office",
                        "role": "maintain",
                        "made": "2026-11-20T08:00:00Z",
                        "revoked": "",
                    },
                    {
                        "id": "t2",
                        "name": "shop tablet",
                        "role": "operate",
                        "made": "2026-11-21T08:00:00Z",
                        "revoked": "",
                    },
                ]
            }
        )

    @app.get("/api/audit")
    async def audit() -> JSONResponse:
        return JSONResponse(
            {
                "entries": [
                    {
                        "at": "2026-11-25T08:00:00Z",
                        "who": "office",
                        "what": "take-helm",
                        "outcome": "accepted",
                    }
                ]
            }
        )

    @app.get("/api/runs")
    async def runs(q: str = "", kind: str = "", tag: str = "") -> JSONResponse:
        found = [made_up_run(n) for n in range(scene.runs)]
        found = [
            run
            for run in found
            if q.lower() in f"{run['id']} {run['vehicle']}".lower()
            and kind in ("", run["kind"])
            and (not tag or tag in run["tags"])
        ]
        return JSONResponse({"runs": found, "next": ""})

    @app.get("/api/runs/{run_id}/evaluations")
    async def evaluations(run_id: str) -> JSONResponse:
        return JSONResponse({"evaluations": fake_results.evaluations(run_id)})

    @app.post("/api/runs/{run_id}/evaluations")
    async def evaluate(run_id: str, request: Request) -> JSONResponse:
        scene.posts.append("evaluate")
        msgspec.json.decode(await request.body(), type=NewEvaluation)  # as the service reads it
        return JSONResponse({"number": 2})

    @app.post("/api/pairing-codes")
    async def pairing_code(request: Request) -> JSONResponse:
        link = "https://rig.example/#/pair/ABCDEFGH"
        drawn = pairing.svg(link)
        told = {"role": (await request.json())["role"], "expires_in_s": 300.0, "link": link}
        return JSONResponse({"code": "ABCDEFGH", "qr_svg": drawn, **told}, 201)

    @app.get("/api/runs/{run_id}/result")
    async def result(run_id: str) -> Response:
        for n in range(scene.runs):
            if made_up_run(n)["id"] == run_id and n != 2:
                return Response(fake_results.encoded(fake_results.result(n)))
        return problem(404, "No evaluation.", "Evaluate it.", "no-evaluation")

    @app.get("/api/vehicles")
    async def vehicles() -> Response:
        return Response(fake_results.encoded({"vehicles": fake_results.VEHICLES}))

    @app.get("/api/sets")
    async def sets() -> Response:
        return Response(fake_results.encoded({"sets": fake_results.SETS}))

    @app.get("/api/consistency")
    async def consistency() -> Response:
        return Response(fake_results.encoded(fake_results.check_runs()))

    @app.get("/api/proving")
    async def proving() -> Response:
        return Response(fake_results.encoded(fake_results.proving()))

    @app.get("/api/identification")
    async def identification() -> JSONResponse:
        return JSONResponse(fake_results.identification())

    @app.get("/api/weather")
    async def weather(rule: Rule = Rule.NONE) -> Response:
        air = Weather(294.4, 98_600.0, 0.46)
        vapour = vapour_pressure_pa(air.temperature_k, air.relative_humidity)
        made = correction(rule, air)
        told = WeatherNow(
            air, vapour, dry_pressure_pa(air), dewpoint_k(vapour), air_density(air),
            say("this-rule-was-asked-for"), made,
        )  # fmt: skip
        return Response(fake_results.encoded(told))

    @app.post("/api/route")
    async def route(request: Request, name: str = "") -> Response:
        try:
            return Response(fake_results.encoded(road_read(await request.body(), name)))
        except Refused as refused:
            return problem(409, refused.problem, refused.remedy, refused.code)

    @app.get("/api/heat")
    async def heat() -> Response:
        return Response(fake_results.encoded(fake_results.heat_memory()))

    @app.get("/api/heat/endurance")
    async def endurance(speeds: int = 12, powers: int = 12) -> Response:
        return Response(fake_results.encoded(fake_results.endurance(speeds, powers)))

    @app.post("/api/rehearse")
    async def rehearse(request: Request) -> Response:
        plan = (await request.json())["plan"]
        possible = plan.get("seconds", 0.0) < 600.0
        return Response(fake_results.encoded(fake_results.rehearsal(possible)))

    @app.post("/api/test/outlook")
    async def outlook(request: Request) -> Response:
        plan = (await request.json())["plan"]
        possible = plan.get("seconds", 0.0) < 600.0
        return Response(fake_results.encoded(fake_results.outlook(possible)))

    @app.post("/api/compare")
    async def compare(request: Request) -> Response:
        body = await request.json()
        return Response(
            fake_results.encoded(fake_results.comparison(body["before"], body["after"]))
        )

    @app.get("/api/runs/{run_id}")
    async def one_run(run_id: str) -> Response:
        for n in range(scene.runs):
            if run_id.endswith("-fake"):  # the one that goes on, along a route
                road = [[250.0 * k, 4.0 + 3.0 * math.sin(k)] for k in range(60)]
                return JSONResponse(
                    {**made_up_run(n), "plan": {"grade": {"by_distance": road}}, "id": run_id}
                )
            if made_up_run(n)["id"] == run_id:
                return JSONResponse(made_up_run(n))
        return problem(404, say("no-such-run", run=run_id), say("look-at-list-runs"), "no-run")

    @app.get("/api/events")
    async def events() -> Response:
        return Response(fake_results.encoded({"events": fake_results.events(), "missed": 0}))

    @app.get("/api/runs/{run_id}/timeline")
    async def timeline(run_id: str) -> Response:
        return Response(fake_results.encoded({"moments": fake_results.moments()}))

    @app.get("/api/runs/{run_id}/samples")
    async def samples(run_id: str, columns: str = "", points: int = 1000) -> JSONResponse:
        return JSONResponse(made_up_samples(run_id, columns, points))

    @app.websocket("/api/live")
    async def live(socket: WebSocket) -> None:
        if scene.refuse_sockets:
            await socket.close()
            return
        await socket.accept()
        sockets.add(socket)
        try:
            while True:
                if not scene.silent:
                    await socket.send_text(scene.message())
                await asyncio.sleep(1.0 / HZ)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            sockets.discard(socket)

    @app.put("/api/runs/{run_id}/tags")
    async def tags(run_id: str, request: Request) -> JSONResponse:
        scene.posts.append(f"runs/{run_id}/tags")
        return JSONResponse(await request.json())

    @app.post("/api/{path:path}")
    async def command(path: str, request: Request) -> Response:
        scene.posts.append(path)
        holder = f"demo:{request.headers.get('drumlin-client', '')}"
        body: dict[str, Any] = {}
        with contextlib.suppress(Exception):
            body = await request.json()
        now = time.monotonic() - scene.began
        scene.helm(now)
        if path.endswith("/notes"):
            return JSONResponse({"at": "", "who": "demo", "text": body["text"]}, 201)
        if path == "proving/shunt":
            asked = msgspec.convert(body, ShuntReadings)
            return Response(fake_results.encoded(fake_results.proven_shunt(asked.absorber)))
        if path == "ease-off":
            if scene.state is State.LOADED:
                scene.state = State.EASING
            return JSONResponse({"accepted": True})
        if path == "helm/take":
            if scene.holder and scene.holder != holder:
                return problem(
                    409,
                    f"{scene.name} has the helm.",
                    "Ask for it, or wait until it is released.",
                    "helm-taken",
                )
            scene.holder, scene.name = holder, str(body.get("name") or "demo")
            scene.helm_until = now + HELM_S
            return JSONResponse({"accepted": True})
        if path == "helm/ask":
            scene.asked_by = str(body.get("name") or "demo")
            return JSONResponse({"accepted": True})
        if scene.holder != holder:
            return problem(
                409,
                "Only who has the helm may do this.",
                "Take the helm first.",
                "not-at-helm",
            )
        if path == "helm/keep":
            scene.helm_until = now + HELM_S
        elif path == "helm/release":
            scene.holder = scene.name = ""
        elif path == "helm/offer":
            scene.holder, scene.name, scene.asked_by = "demo:other", scene.asked_by, ""
            scene.helm_until = now + HELM_S
        elif path == "acknowledge":
            scene.acknowledged = True
            scene.vehicle = body.get("vehicle", "")
        elif path == "ready":
            scene.state = State.READY
        elif path == "park":
            scene.state = State.PARKED
        elif path == "reset":
            scene.state, scene.cause, scene.faults = State.PARKED, "", ()
        elif path == "test/start":
            plan = body["plan"]
            scene.set_rpm = plan.get("rpm") or 1900.0
            scene.test_seconds = plan.get("seconds", 60.0)
            scene.kind = plan["kind"]
            scene.test_began, scene.run_id = now, "20261125-084100-fake"
            scene.state = State.LOADED
            await asyncio.sleep(scene.start_takes_s)
            return JSONResponse({"run_id": scene.run_id})
        elif path == "test/adjust":
            scene.set_rpm = body["set_point"] * 30 / math.pi
        return JSONResponse({"accepted": True})

    app.mount("/", PageServer(PAGE), name="page")
    return app


if __name__ == "__main__":
    import sys

    import uvicorn

    uvicorn.run(build(), host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
