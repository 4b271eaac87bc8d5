"""Driving schedules against their published totals and limits (rows DC-01 to 04, 20 to 24).

Traces: tests/data, from an Apache-2.0 package of regulatory schedules (tests/data/SOURCES.md).
Published totals from memory unless said otherwise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from daq.errors import Refused
from daq.results.kinds.cycles import (
    ReferenceTrace,
    judge_following,
    load_trace,
    parse_trace,
    trace_limits,
)

DATA = Path(__file__).parents[1] / "data"
MPH = 0.44704
MILE = 1609.344


@pytest.fixture(scope="module")
def udds() -> ReferenceTrace:
    return load_trace(DATA / "udds.csv")


@pytest.mark.parametrize(
    ("name", "samples", "seconds", "miles", "published", "top", "mean"),
    [
        ("udds", 1370, 1369, 7.4505, 7.45, 56.70, 19.5923),
        ("hwfet", 766, 765, 10.2569, 10.26, 59.90, 48.2676),
        ("us06", 601, 600, 8.0080, 8.01, 80.30, 48.0478),  # the file pads 596 s to 600 s
    ],
)
def test_schedule_totals(
    name: str,
    samples: int,
    seconds: float,
    miles: float,
    published: float,
    top: float,
    mean: float,
) -> None:
    # DC-01, 03, 04
    trace = load_trace(DATA / f"{name}.csv")
    assert len(trace.time_s) == samples
    assert trace.duration_s == seconds
    assert trace.distance_m / MILE == pytest.approx(miles, abs=5e-5)
    assert trace.distance_m / MILE == pytest.approx(published, abs=5e-3)
    assert trace.speed_mps.max() / MPH == pytest.approx(top, abs=5e-3)
    assert trace.distance_m / trace.duration_s / MPH == pytest.approx(mean, abs=5e-5)


def test_first_505_seconds(udds: ReferenceTrace) -> None:
    # DC-02
    cut = udds.time_s <= 505
    first = ReferenceTrace(udds.time_s[cut], udds.speed_mps[cut], udds.grade_percent[cut])
    assert first.distance_m / MILE == pytest.approx(3.5911, abs=5e-5)
    assert (udds.distance_m - first.distance_m) / MILE == pytest.approx(3.8594, abs=6e-5)


def test_recorded_trip_keeps_its_grade() -> None:
    # DC-13: -4.11 to +4.96 %
    trip = load_trace(DATA / "graded_trip.csv")
    assert trip.duration_s == 300
    assert trip.distance_m / 1000 == pytest.approx(3.4148, abs=5e-3)
    assert trip.grade_percent.min() == pytest.approx(-4.11, abs=0.005)
    assert trip.grade_percent.max() == pytest.approx(4.96, abs=0.005)


@pytest.mark.parametrize(("second", "mph"), [(21, 3.0), (50, 22.6), (240, 56.7), (1000, 23.5)])
def test_speeds_on_the_way(udds: ReferenceTrace, second: float, mph: float) -> None:
    # DC-20: computed from the file
    assert udds.speed_at(second) / MPH == pytest.approx(mph, abs=5e-3)


@pytest.mark.parametrize(
    ("second", "low", "high"),
    [(50, 19.3, 24.7), (125, 0.0, 4.2), (240, 54.60, 58.70), (1000, 20.7, 26.0)],
)
def test_band_of_the_driver(udds: ReferenceTrace, second: float, low: float, high: float) -> None:
    # DC-21: computed by the rule of 40 CFR 1066.425(b), seen
    lower, upper = trace_limits(udds, np.array([second]))
    assert lower[0] / MPH == pytest.approx(low, abs=5e-3)
    assert upper[0] / MPH == pytest.approx(high, abs=5e-3)


def test_a_driver_one_second_late_stays_inside_the_band(udds: ReferenceTrace) -> None:
    # 40 CFR 1066.425(b), seen: excursions up to 2.0 s may be allowed
    time = np.arange(2.0, 1369.0, 0.1)
    late = np.interp(time - 1.0, udds.time_s, udds.speed_mps)
    assert judge_following(udds, time, late).excursions == ()
    hole = np.where((time > 199.95) & (time < 201.45), late - 3.0 * MPH, late)
    short = judge_following(udds, time, hole)
    assert short.within
    assert short.longest_s == pytest.approx(1.5, abs=0.15)
    longer = np.where((time > 199.95) & (time < 203.05), late - 4.0 * MPH, late)
    assert not judge_following(udds, time, longer).within


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "no time and speed"),
        ("time_s,mps\n0,0\n1,x\n", "line 3"),
        ("time_s,mps\n0,0\n", "fewer than two"),
        ("time_s,mps\n0,0\n1,nan\n", "finite"),
        ("time_s,mps\n0,0\n1,2\n1,3\n", "line 4"),
        ("time_s,mps\n0,0\n1,-2\n", "below 0"),
        ("time_s,mps\n0,0\n1,120\n", "above 90"),
        ("time_s,mps,grade\n0,0,0\n1,1,0.8\n", "steeper"),
    ],
)
def test_a_wrong_trace_is_refused_with_its_reason(text: str, words: str) -> None:
    with pytest.raises(Refused, match=words):
        parse_trace(text)


def test_units_of_the_speed_column_are_taken_from_its_name() -> None:
    assert parse_trace("time_s,kmh\n0,0\n1,36\n").speed_mps[1] == pytest.approx(10.0)
    assert parse_trace("time_s,mph\n0,0\n1,10\n").speed_mps[1] == pytest.approx(4.4704)
    graded = parse_trace("time_s,mps,grade_percent\n0,0,5\n1,1,5\n")
    assert graded.grade_percent[0] == 5.0
