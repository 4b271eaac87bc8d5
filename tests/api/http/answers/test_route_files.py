"""A route file sent by the tablet: read into a plan that starts, or refused with its place."""

from __future__ import annotations

import math

import httpx
import msgspec
import pytest

from api.http.answers.bodies import MAX_BODY_BYTES
from api.http.routes.road import MOST_BYTES
from api.services.route_files import MOST_POINTS
from control.test_kinds.kinds import check_plan
from control.test_kinds.plans import GradeClimb, Plan
from control.test_kinds.polyline import simplify_polyline
from daq.rig.description import load_rig
from tests.api.fake_loop import RIG_FILE

FILE = {"Content-Type": "application/octet-stream", "Drumlin-Client": "page-0001"}
VEHICLE = {"a_n": 226.0, "mass_kg": 3600.0}


def hills(points: int, spacing_m: float = 25.0) -> str:
    """A road whose grade swings between -4 and 8 %."""
    rows = (f"{n * spacing_m:.2f},{2.0 + 6.0 * math.sin(n / 40.0):.4f}" for n in range(points))
    return "\n".join(("distance_m,grade_percent", *rows))


def track(heights: list[str]) -> str:
    """A straight way east with a point each metre."""
    points = (
        f'<trkpt lat="0" lon="{1.0 + n * 9e-6:.7f}"><ele>{z}</ele></trkpt>'
        for n, z in enumerate(heights)
    )
    return f"<gpx>{''.join(points)}</gpx>"


async def send(browser: httpx.AsyncClient, text: str | bytes, **query: str) -> httpx.Response:
    content = text if isinstance(text, bytes) else text.encode()
    return await browser.post("/api/route", content=content, headers=FILE, params=query)


async def test_a_long_route_becomes_a_plan_that_fits_into_one_command(
    browser: httpx.AsyncClient,
) -> None:
    told = (await send(browser, hills(20_000), name="pass.csv")).json()
    assert told["read"] == 20_000
    assert 2 < len(told["points"]) <= MOST_POINTS
    assert told["length_m"] == pytest.approx(19_999 * 25.0)
    assert told["steepest_percent"] == pytest.approx(8.0, abs=0.01)
    assert told["steepest_down_percent"] == pytest.approx(4.0, abs=0.01)
    assert told["rise_m"] - told["fall_m"] == pytest.approx(10_000.0, abs=150.0)
    assert 0.0 < told["off_percent"] < 0.5  # it was thinned, and says by how much
    plan = {
        "kind": "grade-climb", "vehicle": VEHICLE, "target_mps": 18.0,
        "grade": {"by_distance": told["points"]},
    }  # fmt: skip
    assert len(msgspec.json.encode({"plan": plan})) < MAX_BODY_BYTES
    made = msgspec.convert(plan, Plan)
    assert isinstance(made, GradeClimb)
    check_plan(made, load_rig(RIG_FILE), None, engine_speed=True)


async def test_a_short_route_comes_back_as_it_was_written(browser: httpx.AsyncClient) -> None:
    told = (await send(browser, "distance_km,grade_percent\n0,0\n1,6\n2,-3\n")).json()
    assert told["points"] == [[0.0, 0.0], [1000.0, 6.0], [2000.0, -3.0]]
    assert told["off_percent"] == 0.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("distance_m,grade_percent\n0,1\n100,80\n", "a grade of 80 % at 100 m cannot be a road"),
        ("distance_m,elevation_m\n0,1\n100,\n", "line 3 has a gap"),
        ("distance_m,elevation_m\n0,1\n50,2\n100,3\n90000,4\n", "there is a gap of 89.9 km"),
        ("distance_m,elevation_m\n0,1\n50,2\n40,3\n", "distance does not rise at point 3"),
        ("speed,colour\n1,2\n", "the first line does not name distance"),
        ("<gpx><trk/></gpx>", "it has no track"),
        ('<!DOCTYPE x [<!ENTITY a "b">]><gpx/>', "it declares entities"),
        ("", "the first line does not name distance"),
        ("distance_m,grade_percent\n0," + "1" * 200_000 + "\n", "it is not readable CSV"),
        ("distance_km,grade_percent\n0,1\n1e306,1\n", "line 3 is not finite"),
        ("distance_m,grade_percent\n-1e308,1\n1e308,1\n", "it is longer than any road"),
        ("distance_m,elevation_m\n0,1\n1e200,2\n", "it is longer than any road"),
        (track(["1", "1e308", "-1e308"]), "point 2 is not on this earth"),
        (track(["1"] * 40_001), "it has more than 40,000 points"),
    ],
    ids=lambda value: value[:40],
)
async def test_what_cannot_be_a_road_is_refused_with_its_place(
    browser: httpx.AsyncClient, text: str, says: str
) -> None:
    response = await send(browser, text, name="pass.csv")
    told = response.json()
    assert 400 <= response.status_code < 500
    assert told["code"] == "route"
    assert told["detail"].startswith("pass.csv: ")
    assert says in told["detail"]
    assert told["remedy"]


async def test_other_bytes_and_too_many_of_them_are_refused(browser: httpx.AsyncClient) -> None:
    picture = await send(browser, b"\x89PNG\xff\xfe\x00")
    assert (picture.status_code, picture.json()["code"]) == (409, "route")
    large = await send(browser, b"0" * (MOST_BYTES + 1))
    assert (large.status_code, large.json()["code"]) == (413, "too-large")
    bell = await send(browser, hills(5), name="a\x07b")
    assert bell.status_code == 422
    json = await browser.post(
        "/api/route", json={"points": []}, headers={"Drumlin-Client": "page-0001"}
    )
    assert json.status_code == 415


def test_thinning_keeps_the_ends_and_tells_its_worst_departure() -> None:
    bend = [(0.0, 0.0), (1.0, 0.1), (2.0, 5.0), (3.0, 0.0), (4.0, 0.0)]
    fewer, off = simplify_polyline(bend, 3)
    assert fewer == [(0.0, 0.0), (2.0, 5.0), (4.0, 0.0)]
    assert off == pytest.approx(2.5)  # 5 -> 0 over two, at the middle; the other is 2.4
    assert simplify_polyline(bend, 5) == (bend, 0.0)
    straight = [(float(n), 0.5 * n) for n in range(100)]
    assert simplify_polyline(straight, 10) == ([straight[0], straight[-1]], 0.0)
