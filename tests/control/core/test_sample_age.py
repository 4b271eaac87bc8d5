"""How long samples waited on their way to the step, by the clocks of both sides."""

from __future__ import annotations

import pytest

from control.core.sample_age import APART_S, SampleAge

FRAME_S = 0.002


def even(age: SampleAge, from_s: float, seconds: float, ahead_s: float = 90.0) -> float:
    """Samples as they come, `ahead_s` between the clocks; the host time of the last."""
    now_s = from_s
    for _ in range(round(seconds / FRAME_S)):
        now_s += FRAME_S
        age.take(now_s - ahead_s, now_s)
        assert not age.old
    return now_s


def test_samples_that_come_as_they_are_made_are_never_old_whatever_the_clocks_drift() -> None:
    age = SampleAge()
    for each in range(50_000):
        now_s = 100.0 + each * FRAME_S
        age.take(now_s * (1.0 - 1e-4), now_s)  # the device's quartz is slow by 100 ppm
        assert not age.old


def test_a_frame_late_by_a_computers_ordinary_jitter_is_not_old() -> None:
    age = SampleAge()
    now_s = even(age, 100.0, 1.0)
    age.take(now_s - 90.0 + FRAME_S, now_s + 0.02)
    assert not age.old


@pytest.mark.parametrize("gap_s", [0.2, 5.0, 300.0])
def test_what_waited_through_a_gap_is_past_until_the_line_is_read_empty(gap_s: float) -> None:
    age = SampleAge()
    slept_s = even(age, 100.0, 1.0)
    now_s = slept_s + gap_s
    for each in range(60):  # the line kept so many
        now_s += 1e-4
        age.take(slept_s - 90.0 + (each + 1) * FRAME_S, now_s)
        assert age.past or gap_s < 0.3
        assert age.behind or gap_s < 0.3
    even(age, now_s, 1.0)


def test_a_second_gap_while_the_line_is_read_makes_nothing_young() -> None:
    age = SampleAge()
    slept_s = even(age, 100.0, 1.0)
    now_s = slept_s + 3.0
    for each in range(1000):
        now_s += 0.2 if each == 30 else 1e-4
        age.take(slept_s - 90.0 + (each + 1) * FRAME_S, now_s)
        assert age.past
    even(age, now_s, 1.0)


def test_a_loop_that_falls_behind_is_told_before_its_samples_are_a_tenth_of_a_second_old() -> None:
    age = SampleAge()
    now_s = even(age, 100.0, 1.0)
    time_s, since_s = now_s - 90.0, now_s
    while not age.behind:
        now_s += 2.0 * FRAME_S
        time_s += FRAME_S
        age.take(time_s, now_s)
    assert now_s - since_s < 0.25
    assert now_s - 90.0 - time_s < 0.15


def test_clocks_that_moved_apart_for_good_are_taken_as_they_are_in_the_end() -> None:
    age = SampleAge()
    now_s = even(age, 100.0, 1.0)
    young = False
    for _ in range(round((APART_S + 0.1) / FRAME_S)):
        now_s += FRAME_S
        age.take(now_s - 92.0, now_s)
        assert age.past or now_s > 101.0 + APART_S
        young = not age.old
    assert young
    even(age, now_s, 1.0, 92.0)


def test_a_new_session_forgets_the_clock_of_the_one_before() -> None:
    age = SampleAge()
    now_s = even(age, 100.0, 1.0)
    age.restart()
    age.take(3.0, now_s + 0.1)
    assert not age.old
