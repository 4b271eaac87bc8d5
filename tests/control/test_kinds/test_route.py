"""Routes from CSV and GPX text: the grade that drivers feel, and what is no route."""

from __future__ import annotations

import math

import pytest

from control.test_kinds.route import SMOOTH_GPX_M, haversine_m, parse_route
from daq.errors import Refused


def _csv(points: list[tuple[float, float]], header: str = "distance_m,elevation_m") -> str:
    return "\n".join([header, *(f"{x},{y}" for x, y in points)])


def _gpx(points: list[tuple[float, float, float | None]]) -> str:
    def one(lat: float, lon: float, z: float | None) -> str:
        height = f"<ele>{z}</ele>" if z is not None else ""
        return f'<trkpt lat="{lat}" lon="{lon}">{height}</trkpt>'

    inner = "".join(one(*point) for point in points)
    return (
        '<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1">'
        f"<trk><trkseg>{inner}</trkseg></trk></gpx>"
    )


def test_a_steady_hill_has_the_grade_of_its_rise_over_its_run() -> None:
    # 100 m up within 2,000 m of road: sin = 0.05, so rise over run is 5.00626 % (computed).
    route = parse_route(_csv([(x, 0.05 * x) for x in range(0, 2001, 100)]))
    assert route.length_m == 2000.0
    for _, grade in route.points:
        assert grade == pytest.approx(100.0 * math.tan(math.asin(0.05)), rel=1e-9)
    assert route.points[0][0] == 0.0


def test_the_published_tow_climb_averages_its_published_grade() -> None:
    # Row TOW-02: 3,500 ft in 11 miles averages 6.0262 % as height over distance (computed).
    text = _csv([(0.0, 0.0), (11.0, 3500.0)], "distance_mi,elevation_ft")
    grade = parse_route(text).points[0][1]
    assert math.sin(math.atan(grade / 100.0)) == pytest.approx(0.060262, abs=5e-7)


def test_grades_are_taken_as_they_are_given() -> None:
    assert parse_route(_csv([(0, 2), (500, -3)], "distance_m,grade_percent")).points == (
        (0.0, 2.0),
        (500.0, -3.0),
    )
    assert parse_route(_csv([(0, 0.02), (1, 0.03)], "distance_km,grade")).points[1] == (1000.0, 3.0)


def test_a_quarter_of_a_meridian_is_ten_thousand_kilometres() -> None:
    assert haversine_m(0.0, 0.0, 90.0, 0.0) == pytest.approx(10_007_557, rel=1e-6)  # mean sphere


def test_a_track_with_noisy_heights_gives_a_calm_road() -> None:
    # 4 % with 1.5 m of satellite noise: raw stretches of 20 m would say +-10 %.
    step = 20.0 / 111_194.93  # degrees of latitude for 20 m
    noise = [1.5 * math.sin(i * i) for i in range(400)]
    points = [(54.0 + i * step, -2.0, 0.04 * 20.0 * i + noise[i]) for i in range(400)]
    route = parse_route(_gpx(points))
    inner = [grade for x, grade in route.points if SMOOTH_GPX_M < x < route.length_m - SMOOTH_GPX_M]
    assert sum(inner) / len(inner) == pytest.approx(4.0, abs=0.1)
    assert max(abs(grade - 4.0) for grade in inner) < 4.0


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "first line"),
        ("distance_m,elevation_m\n0,1\n", "two points"),
        ("distance_m,elevation_m\n0,1\n50,\n100,2\n", "line 3"),
        ("distance_m,elevation_m\n0,1\n50,nan\n100,2\n", "line 3"),
        ("distance_m,elevation_m\n0,1\n100,2\n50,3\n", "does not rise"),
        ("distance_m,grade_percent\n0,1\n100,80\n", "80 %"),
        ("distance_m,elevation_m\n0,0\n100,60\n", "75 %"),
        ("distance_m,elevation_m\n0,0\n100,300\n", "units"),
        (_csv([(x, 0) for x in range(0, 1000, 10)] + [(9000, 0)]), "gap of 8.0 km"),
        ("<gpx><trk></trk></gpx>", "no track"),
        ("<gpx", "XML"),
        ('<!DOCTYPE x [<!ENTITY a "b">]><gpx/>', "entities"),
        (_gpx([(54.0, -2.0, 1.0), (54.01, -2.0, None)]), "point 2"),
        (_gpx([(54.0, -2.0, 1.0), (154.0, -2.0, 1.0)]), "earth"),
    ],
)
def test_what_is_no_route_is_refused_with_the_place(text: str, word: str) -> None:
    with pytest.raises(Refused, match=word) as caught:
        parse_route(text, "hill")
    assert caught.value.code == "route"
    assert caught.value.remedy
