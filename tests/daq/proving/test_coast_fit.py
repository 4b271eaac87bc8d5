"""Inertia and losses come back from coasts that were simulated with known ones.

The motion is integrated here apart from the product, by another rule and in finer steps; the
edges carry pitch error, jitter and a 1 us timer, the forces carry converter noise.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np
import pytest

from daq.errors import Refused
from daq.proving.coast_fit import Coast, Observable, fit_coasts, force_noise, whole_turns
from daq.proving.verification import BASE_INERTIA_MEAN, mean_coastdown_force
from tests.standards.reference import coastdown_time

RADIUS = 0.5
CIRCUMFERENCE = 2 * math.pi * RADIUS
TEETH = 60
STEP = 0.002
MASS, LOSS = 1550.0, (62.0, 1.1, 0.021)
Load = Callable[[float, float], float]


@functools.cache
def motion(
    load: Load, start: float, end: float, loss: tuple[float, float, float]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Time, speed, travel in steps of half of STEP, and the load every STEP: without any noise."""
    a, b, c = loss
    h = STEP / 2

    def slowing(t: float, v: float) -> float:
        return -(a + b * v + c * v * v + load(t, v)) / MASS

    t, v, x = 0.0, start, 0.0
    rows = [(t, v, x)]
    while v > end and t < 500:
        k1 = slowing(t, v)
        k2 = slowing(t + h / 2, v + h / 2 * k1)
        v_next = v + h * k2
        x += h * (v + v_next) / 2
        t, v = t + h, v_next
        rows.append((t, v, x))
    ts, vs, xs = np.array(rows).T
    force = np.array([load(t, v) for t, v in zip(ts[::2], vs[::2], strict=True)])
    return ts, vs, xs, force


def coast(
    load: Load,
    start: float = 30.0,
    end: float = 5.0,
    *,
    seed: int = 1,
    noise_n: float = 2.0,
    loss: tuple[float, float, float] = LOSS,
) -> Coast:
    generator = np.random.default_rng(seed)
    ts, _, xs, force = motion(load, start, end, loss)
    pitch = CIRCUMFERENCE / TEETH
    wheel = np.random.default_rng(99).normal(0.0, 1e-3 * pitch, TEETH)
    count = np.arange(1, int(xs[-1] / pitch) - 1)
    edges = np.interp(count * pitch + wheel[count % TEETH], xs, ts)
    edges = np.round((edges + generator.normal(0, 3e-6, len(edges))) * 1e6) / 1e6
    force = force + generator.normal(0, noise_n, len(force))
    times, travel = whole_turns(edges, TEETH, CIRCUMFERENCE)
    inside = times <= STEP * (len(force) - 1)
    return Coast(STEP, force, times[inside], travel[inside])


def no_load(_t: float, _v: float) -> float:
    """No load at all."""
    return 0.0


@functools.cache
def ramped(level: float) -> Load:
    """An absorber that builds up with its lag and follows its curve a little."""
    return lambda t, v: level * (1 - math.exp(-t / 0.2)) * (0.8 + 0.2 * v / 30)


@pytest.fixture(scope="module")
def coasts() -> list[Coast]:
    return [
        coast(no_load),
        *(coast(ramped(n), seed=k) for k, n in enumerate((800, 1600, 3000), start=2)),
    ]


def test_inertia_and_losses_are_found_together(coasts: list[Coast]) -> None:
    fit = fit_coasts(coasts, guess_inertia_kg=1400.0)
    # target of 40 CFR 1066.250(d)(2) is 0.20 %, and a loss point may move by 9.0 N (1066.255)
    assert fit.inertia_kg == pytest.approx(MASS, rel=2e-4)
    for speed in (5.0, 10.0, 20.0, 30.0):
        true = LOSS[0] + LOSS[1] * speed + LOSS[2] * speed**2
        assert fit.loss(speed) == pytest.approx(true, abs=0.3)
        assert abs(fit.loss(speed) - true) < 4 * fit.loss_sigma(speed) + 1e-6
    assert abs(fit.inertia_kg - MASS) < 4 * fit.inertia_sigma_kg
    assert fit.flags == ()


def test_stated_sigmas_match_the_spread_over_repeats() -> None:
    deviations, losses = [], []
    for seed in range(12):
        some = [
            coast(no_load, 25, 8, seed=10 * seed),
            coast(ramped(1000), 25, 8, seed=10 * seed + 1),
            coast(ramped(2500), 25, 8, seed=10 * seed + 2),
        ]
        fit = fit_coasts(some, guess_inertia_kg=1600.0)
        deviations.append((fit.inertia_kg - MASS) / fit.inertia_sigma_kg)
        true = LOSS[0] + LOSS[1] * 15 + LOSS[2] * 225
        losses.append((fit.loss(15.0) - true) / fit.loss_sigma(15.0))
    for found in (deviations, losses):
        # twelve normal draws: root mean square between 0.5 and 1.5 with probability above 0.99
        assert 0.4 < math.sqrt(np.mean(np.square(found))) < 1.6


def test_a_known_inertia_needs_one_free_coast() -> None:
    fit = fit_coasts([coast(no_load)], 1400.0, inertia_kg=MASS, inertia_sigma_kg=1.6)
    assert fit.inertia_given
    for speed in (5.0, 15.0, 30.0):
        true = LOSS[0] + LOSS[1] * speed + LOSS[2] * speed**2
        assert fit.loss(speed) == pytest.approx(true, abs=0.1)
        # an inertia uncertain by 0.1 % leaves the loss uncertain by the same share
        assert fit.loss_sigma(speed) == pytest.approx(true * 1.6 / MASS, rel=0.15)


def test_free_coasts_alone_cannot_tell_inertia() -> None:
    both = [coast(no_load, seed=k) for k in (1, 2)]
    with pytest.raises(Refused, match="cannot tell inertia from loss"):
        fit_coasts(both, guess_inertia_kg=1500.0)


def test_calibration_error_of_the_force_is_inherited_and_stated(coasts: list[Coast]) -> None:
    wrong = [Coast(one.step_s, 1.002 * one.force_n, one.time_s, one.observed) for one in coasts]
    fit = fit_coasts(wrong, 1400.0, force_relative_sigma=0.002, force_zero_sigma_n=1.0)
    assert fit.inertia_kg == pytest.approx(1.002 * MASS, rel=2e-4)
    assert fit.inertia_sigma_kg == pytest.approx(0.002 * MASS, rel=0.02)
    assert fit.loss_sigma(1.0) > 1.0


def test_smoothed_speed_can_be_fitted_instead_of_travel() -> None:
    one = coast(ramped(1500), seed=7)
    two = coast(no_load, seed=8)
    three = coast(ramped(3000), seed=9)

    def as_speed(c: Coast) -> Coast:
        middle = (c.time_s[1:] + c.time_s[:-1]) / 2
        return Coast(
            c.step_s, c.force_n, middle, np.diff(c.observed) / np.diff(c.time_s), Observable.SPEED
        )

    fit = fit_coasts([as_speed(c) for c in (one, two, three)], 1400.0)
    assert fit.inertia_kg == pytest.approx(MASS, rel=1e-3)
    assert fit.loss(15.0) == pytest.approx(LOSS[0] + LOSS[1] * 15 + LOSS[2] * 225, rel=5e-3)


def test_what_is_found_meets_the_regulations_own_check(coasts: list[Coast]) -> None:
    # 40 CFR 1066.250: mean base inertia within 0.20 %
    fit = fit_coasts(coasts, guess_inertia_kg=1400.0)
    reference = (fit.loss_n[0], fit.loss_n[1], fit.loss_n[2])
    seconds = coastdown_time(fit.inertia_kg, reference, 24.0, 10.0)
    true = coastdown_time(MASS, LOSS, 24.0, 10.0)
    assert seconds == pytest.approx(true, rel=2e-3)
    force = mean_coastdown_force(fit.inertia_kg, 24.0, 10.0, true)
    assert force == pytest.approx(mean_coastdown_force(MASS, 24.0, 10.0, true), abs=0.5)
    assert fit.inertia_kg == pytest.approx(MASS, rel=BASE_INERTIA_MEAN)


def test_a_negative_loss_curve_is_flagged() -> None:
    # 40 CFR 1066.255 does not allow it; here the force record is 90 N too high
    free = coast(no_load)
    high = Coast(free.step_s, free.force_n + 90.0, free.time_s, free.observed)
    fit = fit_coasts([high], 1500.0, inertia_kg=MASS)
    assert any("negative" in flag for flag in fit.flags)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: Coast(c.step_s, c.force_n, c.time_s[:5], c.observed[:5]), "few observations"),
        (lambda c: Coast(c.step_s, c.force_n * np.nan, c.time_s, c.observed), "gaps"),
        (lambda c: Coast(c.step_s, c.force_n[:50], c.time_s, c.observed), "outside"),
    ],
)
def test_unusable_records_are_refused(change: Callable[[Coast], Coast], words: str) -> None:
    free = coast(no_load, 12.0, 8.0)
    with pytest.raises(Refused, match=words):
        fit_coasts([change(free)], 1500.0, inertia_kg=MASS)
    with pytest.raises(Refused, match="no coast"):
        fit_coasts([], 1500.0)


def test_force_noise_is_seen_through_a_moving_force() -> None:
    time = np.arange(5000) * STEP
    force = 1000 * np.exp(-time) + np.random.default_rng(5).normal(0, 3.0, len(time))
    assert force_noise(force) == pytest.approx(3.0, rel=0.05)
