"""Controller settings and brake curve against published and closed forms (CT-01, CT-02, EC-*)."""

from __future__ import annotations

import cmath
import math

import pytest

from control.absorber.map import COLD_K, map_row, speed_factor, torque_at
from control.load_loop.tuning import feedback_gain, simc_gain
from daq.rig.description import Absorber, AbsorberMap, LoadCell


@pytest.mark.parametrize(
    ("k", "tau", "theta", "tau_c", "gain"),
    [
        (2.0, 10.0, 1.0, 1.0, 2.5),
        (1.0, 8.0, 1.0, 1.0, 4.0),
        (0.5, 1.2, 0.05, 0.05, 24.0),
        (1.0, 1.0, 0.1, 0.1, 5.0),
        (1.0, 0.2, 0.05, 0.05, 2.0),
    ],
)
def test_ct_01_simc_settings(k: float, tau: float, theta: float, tau_c: float, gain: float) -> None:
    """CT-01: Skogestad, J. Process Control 13 (2003) and the author's note."""
    assert simc_gain(k / tau, theta, tau_c) == pytest.approx(gain, rel=1e-12)


def test_ct_01_the_speed_feedback_is_the_simc_gain_with_twice_the_delay_as_closed_loop() -> None:
    """The same rule on M v' = F: slope 1 per unit of mass; half as tight as the tight choice."""
    assert feedback_gain(0.02) == pytest.approx(simc_gain(1.0, 0.02, 0.04))
    assert feedback_gain(0.02) == pytest.approx(2.0 / 3.0 * simc_gain(1.0, 0.02, 0.02))


def test_ct_02_simc_margins_of_a_first_order_process() -> None:
    """CT-02, computed (published 3.14, 61.4 degrees: from memory): loop e^(-th s) / (2 th s)."""
    k, tau, theta = 1.0, 4.0, 0.5
    gain, reset = simc_gain(k / tau, theta, theta), tau  # the slow pole is cancelled

    def loop(w: float) -> complex:
        s = 1j * w
        return gain * (1 + 1 / (reset * s)) * k / (tau * s + 1) * cmath.exp(-theta * s)

    crossover = 1.0 / (2.0 * theta)
    assert abs(loop(crossover)) == pytest.approx(1.0, rel=1e-9)
    phase = 180.0 + math.degrees(cmath.phase(loop(crossover)))
    assert phase == pytest.approx(61.352, abs=1e-3)
    turning = math.pi / (2.0 * theta)
    assert 1.0 / abs(loop(turning)) == pytest.approx(3.1416, abs=1e-4)


@pytest.mark.parametrize(
    ("x", "share"),
    [
        (0.1, 0.198020), (0.2, 0.384615), (0.25, 0.470588), (0.5, 0.8), (0.8, 0.975610),
        (1.0, 1.0), (1.25, 0.975610), (2.0, 0.8), (4.0, 0.470588), (5.0, 0.384615),
        (10.0, 0.198020),
    ],
)  # fmt: skip
def test_ec_01_torque_over_speed(x: float, share: float) -> None:
    """EC-01, computed; the law of Wouterse, IEE Proc. B 138 (1991)."""
    assert speed_factor(120.0 * x, 120.0) == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(
    ("r", "shares"),
    [
        (1.39, (0.733026, 0.948126, 1.271485)),
        (1.9, (0.541370, 0.824295, 1.506741)),
        (2.5, (0.413355, 0.689655, 1.639344)),
    ],
)
def test_ec_06_a_hot_rotor_fades_below_the_critical_speed_and_grows_above(
    r: float, shares: tuple[float, ...]
) -> None:
    """EC-06, computed: the critical speed moves with resistivity, the peak stays."""
    guess = AbsorberMap(
        peak_torque_nm=1000.0,
        critical_speed_radps=120.0,
        rated_current_a=30.0,
        saturation_a=24.0,
        hot_fade_per_k=0.004,
    )
    row = map_row(
        Absorber(
            name="a", roll_set="r", output="o", arm_m=0.5, cell=LoadCell(converter="c"), map=guess
        )
    )
    hot_k = COLD_K + (r - 1.0) / 0.004
    for x, share in zip((0.2, 1.0, 3.0), shares, strict=True):
        hot = torque_at(row, 30.0, 120.0 * x, hot_k)
        cold = torque_at(row, 30.0, 120.0 * x, COLD_K)
        assert hot / cold == pytest.approx(share, abs=1e-6)
