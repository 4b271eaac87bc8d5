"""A gain is called only when it is there, and the answer says what would settle it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.errors import Refused
from daq.results.gain import Repeat, Verdict, gain


def repeats(values: list[float], prefix: str = "r", **conditions: str | float) -> list[Repeat]:
    return [
        Repeat(f"{prefix}{index}", np.array([value]), dict(conditions))
        for index, value in enumerate(values)
    ]


def test_published_small_sample_is_a_gain_with_the_published_interval() -> None:
    # UN-14 (computed with scipy.stats.ttest_ind): difference 18.90, half-width 3.057122, dof 3.985.
    # Here on logarithms; for changes of some per cent both agree to second order.
    answer = gain([0.0], repeats([412.1, 414.0, 411.5]), repeats([431.8, 429.9, 432.6]))
    assert answer.overall.verdict is Verdict.GAINED
    assert answer.overall.change == pytest.approx(18.90 / 412.533, rel=2e-3)
    assert answer.overall.dof == pytest.approx(3.985335, abs=0.02)
    half = (answer.overall.high - answer.overall.low) / 2
    assert half == pytest.approx(3.057122 / 412.533, rel=0.05)


def test_student_sleep_data_on_logarithms_of_exponentials_reproduces_welch() -> None:
    # UN-15 (Student 1908, from memory): Welch t -1.860813, df 17.776474. exp() of the data, so that
    # the logarithms inside are the data themselves; sides swapped in sign.
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    answer = gain([0.0], repeats([math.exp(v) for v in one]), repeats([math.exp(v) for v in two]))
    assert answer.overall.dof == pytest.approx(17.776474, abs=1e-6)
    half = (math.log1p(answer.overall.high) - math.log1p(answer.overall.low)) / 2
    assert math.log1p(answer.overall.change) == pytest.approx(1.58, abs=1e-9)
    assert half / 1.58 == pytest.approx(2.102753 / 1.860813, rel=2e-3)  # t95(17.78) / t
    assert answer.overall.verdict is Verdict.NOT_PROVEN


def test_what_may_differ_between_sessions_widens_the_interval() -> None:
    before, after = repeats([400.0, 400.4, 399.8]), repeats([402.0, 402.3, 401.9])
    assert gain([0.0], before, after).overall.verdict is Verdict.GAINED
    unsure = gain([0.0], before, after, between_sigma_relative=0.004)
    assert unsure.overall.verdict is Verdict.NOT_PROVEN
    assert unsure.more_repeats is None
    assert "would not settle" in str(unsure.sentence())


def test_when_not_proven_it_says_how_many_more_repeats() -> None:
    before, after = repeats([400.0, 406.0, 398.0]), repeats([405.0, 401.0, 411.0])
    answer = gain([0.0], before, after)
    assert answer.overall.verdict is Verdict.NOT_PROVEN
    assert answer.more_repeats is not None
    assert answer.more_repeats >= 1
    assert str(answer.more_repeats) in str(answer.sentence())


def test_a_loss_is_called_a_loss() -> None:
    answer = gain([0.0], repeats([400.0, 400.4, 399.8]), repeats([390.0, 390.3, 389.9]))
    assert answer.overall.verdict is Verdict.LOST


def test_only_bins_that_every_run_covers_are_compared() -> None:
    before = [Repeat("a", np.array([1.0, 2.0, math.nan])), Repeat("b", np.array([1.1, 2.1, 3.0]))]
    after = [Repeat("c", np.array([1.0, 2.2, 3.0])), Repeat("d", np.array([math.nan, 2.1, 3.1]))]
    answer = gain([1500.0, 2000.0, 2500.0], before, after)
    assert answer.bins == (2000.0,)


def test_many_bins_together_are_more_cautious_than_one() -> None:
    rng = np.random.default_rng(3)
    before = [Repeat(f"b{i}", np.exp(rng.normal(0, 0.01, 12))) for i in range(4)]
    after = [Repeat(f"a{i}", np.exp(rng.normal(0, 0.01, 12))) for i in range(4)]
    answer = gain(list(range(12)), before, after)
    overall = answer.overall.high - answer.overall.low
    assert all(one.high - one.low > 1.5 * overall for one in answer.per_bin)


def test_two_repeats_tell_something_of_every_bin() -> None:
    """Each bin alone has two degrees of freedom; the noise of the shape is pooled over all."""
    rng = np.random.default_rng(4)

    def side(change: float) -> list[Repeat]:
        return [
            Repeat(f"r{i}", np.exp(change + rng.normal(0, 0.001) + rng.normal(0, 0.004, 24)))
            for i in range(2)
        ]

    answer = gain(list(range(24)), side(0.0), side(0.05))
    assert all(one.verdict is Verdict.GAINED for one in answer.per_bin)
    assert max(one.high - one.low for one in answer.per_bin) < 0.06


@pytest.mark.parametrize(
    ("before", "after", "code"),
    [
        ([[1.0]], [[1.0], [2.0]], "too-few-repeats"),
        ([[1.0], [1.0, 2.0]], [[1.0], [2.0]], "bins-differ"),
        ([[math.nan], [1.0]], [[1.0], [2.0]], "no-common-range"),
    ],
)
def test_what_cannot_be_compared_is_refused(
    before: list[list[float]], after: list[list[float]], code: str
) -> None:
    sides = [[Repeat("x", np.array(v)) for v in side] for side in (before, after)]
    with pytest.raises(Refused) as refusal:
        gain([0.0], *sides)
    assert refusal.value.code == code


def test_conditions_that_differ_are_named() -> None:
    before = repeats([400.0, 401.0], gear="4th locked", ambient_k=293.0, tyre_pressure_pa=4.5e5)
    after = repeats([410.0, 411.0], gear="5th locked", ambient_k=301.0, straps="new")
    notes = {note.name for note in gain([0.0], before, after).notes}
    assert notes == {"gear", "ambient_k", "tyre_pressure_pa", "straps"}


def test_like_conditions_raise_no_note() -> None:
    same: dict[str, str | float] = {"gear": "4th locked", "ambient_k": 293.0}
    answer = gain([0.0], repeats([400.0, 401.0], **same), repeats([410.0, 411.0], **same))
    assert answer.notes == ()


def test_when_nothing_changed_gained_is_said_in_at_most_five_per_cent() -> None:
    rng = np.random.default_rng(11)
    false = covered = 0
    trials = 400
    for _ in range(trials):
        sides = [
            [Repeat(str(i), np.array([math.exp(rng.normal(0.0, 0.004))])) for i in range(3)]
            for _ in range(2)
        ]
        answer = gain([0.0], *sides)
        false += answer.overall.verdict is Verdict.GAINED
        covered += answer.overall.low <= 0.0 <= answer.overall.high
    assert false / trials <= 0.05
    assert 0.92 <= covered / trials <= 0.99
