"""Recorded frames lead to the same set points as approved, run by run and kind by kind."""

from __future__ import annotations

import numpy as np
import pytest

from control.test_kinds import plans
from tests.replay import recorded_runs
from tests.replay.recorded_runs import CASES, Frames, difference, load_frames, load_set_points

RUNS = load_frames()
APPROVED = load_set_points()


@pytest.mark.parametrize("frames", RUNS, ids=[one.name for one in RUNS])
def test_recorded_frames_lead_to_the_approved_set_points(frames: Frames) -> None:
    rows, core = recorded_runs.replay(frames)
    assert not difference(rows, APPROVED[frames.name]), (
        "See tests/replay/recorded_runs.py for how an intended change is accepted."
    )
    assert core.frames_lost == 0


def test_every_kind_of_test_is_among_the_runs() -> None:
    kinds = {type(case.plan) for case in CASES}
    assert kinds == set(plans.Plan.__args__)
    assert [one.name for one in RUNS] == [case.name for case in CASES] == list(APPROVED)


def test_the_runs_that_load_do_load() -> None:
    for case in CASES:
        most_a = APPROVED[case.name][:, 3:].max() / 100.0
        assert most_a > 4.0 or isinstance(case.plan, plans.SnapSmoke), case.name


def test_one_set_point_that_differs_is_seen() -> None:
    rows = APPROVED["sweep"]
    other = rows.copy()
    other[700, 4] += 1
    assert "1 of" in difference(other, rows)
    assert not difference(rows, np.array(rows))
