"""The rig's uncertainty: one model three ways, correlations kept, truth covered."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import msgspec
import numpy as np
import pytest

from daq.rig.description import Rig, load_rig, parse_rig
from daq.uncertainty.budget import Source
from daq.uncertainty.command import Point, main, point_budget, point_columns, power_model
from daq.uncertainty.monte_carlo import compare, monte_carlo
from daq.uncertainty.power import (
    COMMON_SLOPE,
    Effects,
    RigEffects,
    RollSetColumns,
    evaluate,
    rig_sources,
)

RIG_FILE = Path(__file__).parents[3] / "rigs" / "tarnhow.toml"
STEP = 0.002


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(RIG_FILE)


def columns(rig: Rig, n: int = 500, noise: bool = True) -> list[RollSetColumns]:
    """A sweep: 15 to 35 m/s at 1 m/s2 with a force that falls a little."""
    t = np.arange(n) * STEP
    v = 15.0 + 20.0 * t / t[-1]
    a = np.full(n, 20.0 / t[-1])
    each = 2000.0 - 200.0 * t / t[-1]
    return [
        RollSetColumns(
            v,
            a,
            np.tile(each, (len(rig.absorbers_of(s.name)), 1)),
            speed_noise_mps=0.001 if noise else 0.0,
            acceleration_noise_mps2=0.05 if noise else 0.0,
            absorber_noise_n=3.0 if noise else 0.0,
        )
        for s in rig.roll_sets
    ]


POINTS = [
    Point(25.0, 8000.0),
    Point(25.0, 8000.0, 0.8, 3000.0),
    Point(3.0, 500.0, -2.0),
    Point(45.0, 0.0),
]


@pytest.mark.parametrize("point", POINTS)
@pytest.mark.parametrize("shared", [0.0, 0.7])
def test_budget_vector_form_and_draws_agree(rig: Rig, point: Point, shared: float) -> None:
    # JCGM 100 by numerical sensitivities, our analytic ones, JCGM 101 by draws
    budget = point_budget(rig, point, shared)
    effects = evaluate(rig, point_columns(rig, point), STEP, shared_calibration=shared)
    assert effects.total_power.values[1] == pytest.approx(budget.value, rel=1e-12)
    assert effects.total_power.sigma()[1] == pytest.approx(budget.sigma, rel=1e-6)
    for source, row in zip(effects.total_power.sources, budget.rows, strict=True):
        assert source.name == row.name
        place = effects.total_power.sources.index(source)
        assert effects.total_power.effects[place, 1] == pytest.approx(
            row.contribution, rel=1e-5, abs=1e-6 * budget.sigma
        )
    sources = rig_sources(rig, shared_calibration=shared)
    drawn = monte_carlo(power_model(rig, point), sources, trials=200_000, seed=9)
    assert drawn.sigma == pytest.approx(budget.sigma, rel=6e-3)
    assert compare(budget, drawn).validated


def test_common_weights_make_the_cells_err_together(rig: Rig) -> None:
    apart = point_budget(rig, Point(25.0, 20_000.0), 0.0).sigma
    together = point_budget(rig, Point(25.0, 20_000.0), 1.0).sigma
    assert together > apart
    # four equal cells: the slope part doubles (sqrt(4)) when it is one and the same
    slope = 20_000.0 / 4 * 25.0 * 0.0005
    assert together**2 - apart**2 == pytest.approx((16 - 4) * slope**2, rel=1e-3)


def test_roll_radius_drops_out_of_absorbed_power(rig: Rig) -> None:
    lossless = msgspec.structs.replace(
        rig, roll_sets=tuple(msgspec.structs.replace(s, loss_n=(0, 0, 0)) for s in rig.roll_sets)
    )
    effects = evaluate(lossless, point_columns(lossless, Point(25.0, 8000.0)), STEP)
    place = [source.name for source in effects.total_power.sources].index("front roll radius")
    assert effects.total_power.effects[place] == pytest.approx(np.zeros(3), abs=1e-9)
    force = effects.tractive_force[0].effects[place]
    assert force == pytest.approx(np.full(3, -4000.0 * 0.0001 / 0.5))
    assert effects.speed[0].effects[place] == pytest.approx(np.full(3, 25.0 * 0.0001 / 0.5))


def test_radius_moves_the_absorber_force(rig: Rig) -> None:
    effects = evaluate(rig, point_columns(rig, Point(25.0, 8000.0)), STEP)
    place = [source.name for source in effects.total_power.sources].index("front roll radius")
    expected = -4000.0 * 0.0001 / 0.5
    assert effects.absorber_force[0].effects[place] == pytest.approx(np.full(3, expected))


def test_noise_of_force_and_speed_reaches_power_and_torque(rig: Rig) -> None:
    n = 4
    one = RollSetColumns(np.full(n, 2.0), np.zeros(n), np.full((2, n), 5000.0), 0.01, 0.002, 3.0)
    effects = evaluate(rig, [one, one], STEP)
    force_variance = 3.0**2 + (1550.0 * 0.002) ** 2
    assert effects.tractive_force[0].noise_variance == pytest.approx(np.full(n, force_variance))
    force = effects.tractive_force[0].values[0]
    power_variance = force_variance * 4.0 + 0.01**2 * force**2
    assert effects.power[0].noise_variance == pytest.approx(np.full(n, power_variance))
    torque = effects.power[0].torque(np.full(n, 50.0), noise_radps=0.2)
    value = force * 2.0 / 50.0
    expected = power_variance / 50.0**2 + (value / 50.0 * 0.2) ** 2
    assert torque.noise_variance == pytest.approx(np.full(n, expected))


def test_noise_of_a_mean_counts_independent_windows(rig: Rig) -> None:
    still = [
        msgspec.structs.replace(one, acceleration_noise_mps2=0.0) for one in columns(rig, 5000)
    ]
    power = evaluate(rig, still, STEP).total_power
    weights = np.full(5000, 1 / 5000)
    noise = power.budget().rows[-1]
    # 0.1 s windows of 50 frames: a hundred independent values in 10 s
    rms = math.sqrt(float(np.mean(power.noise_variance)))
    assert noise.name == "noise"
    assert noise.contribution == pytest.approx(rms / math.sqrt(100), rel=1e-2)
    assert power.budget(weights) == power.budget()


@pytest.mark.parametrize("weights", ["mean", "smooth"])
def test_noise_of_acceleration_telescopes_in_a_mean(rig: Rig, weights: str) -> None:
    """Against draws: white speed noise, its rate as acceleration, 400 repeats of a 2 s mean."""
    n, sigma_mps, mass = 1000, 0.001, rig.roll_sets[0].base_inertia_kg
    u = np.linspace(-1.0, 1.0, n)
    w = np.ones(n) if weights == "mean" else 1.0 - u * u
    w /= w.sum()
    rate_sd = sigma_mps * math.sqrt(2.0) / STEP
    one = RollSetColumns(
        np.full(n, 20.0), np.zeros(n), np.full((2, n), 1000.0), sigma_mps, rate_sd, 0.0
    )
    effects = evaluate(rig, [one, one], STEP, noise_correlation_s=STEP)
    stated = effects.tractive_force[0].budget(w).rows[-1].contribution
    draws = np.random.default_rng(1).normal(0.0, sigma_mps, (400, n + 1))
    means = (mass * np.diff(draws, axis=1) / STEP) @ w
    assert stated == pytest.approx(float(np.std(means)), rel=0.15)
    assert effects.tractive_force[0].sigma()[5] >= mass * rate_sd  # a single sample: all of it


def test_torque_at_the_roll_does_not_need_the_radius_for_the_absorbers(rig: Rig) -> None:
    effects = evaluate(rig, point_columns(rig, Point(25.0, 8000.0)), STEP)
    place = [source.name for source in effects.total_power.sources].index("front roll radius")
    torque = effects.wheel_torque[0]
    assert abs(torque.effects[place, 1]) < 0.05 * torque.values[1] * 0.0001 / 0.5


def test_noise_averages_down_and_the_rig_does_not(rig: Rig) -> None:
    short = evaluate(rig, columns(rig, 500), STEP).total_power.budget()
    long = evaluate(rig, columns(rig, 50_000), STEP).total_power.budget()

    def part(budget: object, name: str) -> float:
        return next(row.contribution for row in budget.rows if row.name == name)  # type: ignore[attr-defined]

    assert part(long, "noise") < part(short, "noise") / 5
    assert part(long, "front loss") == pytest.approx(part(short, "front loss"), rel=1e-6)
    assert long.sigma > abs(part(long, "front loss"))


def test_a_ramp_of_the_force_pays_for_misalignment(rig: Rig) -> None:
    still = point_budget(rig, Point(25.0, 8000.0, 0.0, 0.0))
    moving = point_budget(rig, Point(25.0, 8000.0, 0.0, 20_000.0))
    extra = math.sqrt(moving.sigma**2 - still.sigma**2)
    # two roll sets with 10 kN/s each, 0.5 ms apart
    assert extra == pytest.approx(math.sqrt(2) * 10_000 * 0.0005 * 25.0, rel=1e-3)


def test_difference_of_two_parts_of_a_run_cancels_what_they_share(rig: Rig) -> None:
    power = evaluate(rig, columns(rig, noise=False), STEP).total_power
    n = len(power.values)
    first, second = np.zeros(n), np.zeros(n)
    first[:100], second[100:200] = 1 / 100, 1 / 100
    apart = math.hypot(power.budget(first).sigma, power.budget(second).sigma)
    assert power.budget(second - first).sigma < 0.25 * apart


def test_corrected_power_and_engine_torque_carry_their_own_sources(rig: Rig) -> None:
    power = evaluate(rig, columns(rig, noise=False), STEP).total_power
    corrected = power.scaled(1.03, 0.002, "weather correction")
    assert corrected.values == pytest.approx(1.03 * power.values)
    expected = np.hypot(1.03 * power.sigma(), 0.002 * power.values)
    assert corrected.sigma() == pytest.approx(expected, rel=1e-12)
    engine = np.full(len(power.values), 250.0)
    engine[0] = 0.0
    torque = power.torque(engine, relative_sigma=0.001)
    assert math.isnan(torque.values[0])
    assert torque.values[5] == pytest.approx(power.values[5] / 250.0)
    assert torque.sigma()[5] == pytest.approx(
        math.hypot(power.sigma()[5] / 250.0, 0.001 * torque.values[5]), rel=1e-12
    )
    assert torque.sources[-1].name == "engine speed"


def test_stated_interval_covers_the_truth_of_rigs_drawn_at_random(rig: Rig) -> None:
    """400 rigs drawn within the stated sigmas read the same run; the truth is known for each."""
    generator = np.random.default_rng(12)
    model_sources = rig_sources(rig)
    point = Point(22.0, 9000.0, 0.5, 0.0)
    model = power_model(rig, point)
    budget = point_budget(rig, point)
    draws = np.array([
        source.value + source.sigma * generator.standard_normal(400) for source in model_sources
    ])  # fmt: skip
    truth = model(draws)
    low, high = budget.interval
    covered = np.mean((truth >= low) & (truth <= high))
    assert 0.92 <= covered <= 0.98


def test_columns_must_fit_the_rig(rig: Rig) -> None:
    with pytest.raises(ValueError, match="each roll set"):
        evaluate(rig, columns(rig)[:1], STEP)
    one = columns(rig)
    narrow = RollSetColumns(one[0].speed_mps, one[0].acceleration_mps2, one[0].absorber_n[:1])
    with pytest.raises(ValueError, match="2 absorbers"):
        evaluate(rig, [narrow, one[1]], STEP)
    with pytest.raises(ValueError, match="between 0 and 1"):
        rig_sources(rig, shared_calibration=1.5)


def test_the_rig_file_says_what_the_cells_share_and_how_well_delays_are_known() -> None:
    text = RIG_FILE.read_text(encoding="utf-8")
    told = parse_rig(
        text + "\n[uncertainty]\nshared_calibration = 0.8\nalignment_sigma_s = 0.004\n"
    )
    plain = parse_rig(text)

    def part(rig: Rig, name: str) -> float:
        budget = evaluate(rig, columns(rig, noise=False), STEP).total_power.budget()
        return abs({row.name: row.contribution for row in budget.rows}[name])

    assert part(plain, COMMON_SLOPE) == 0.0
    common, own = part(told, COMMON_SLOPE), part(told, "front-left cell slope")
    # sqrt(0.8) of every slope, added up over the cells; sqrt(0.2) of its own is left to each
    assert own == pytest.approx(0.2**0.5 * part(plain, "front-left cell slope"))
    assert common > part(plain, "front-left cell slope")
    assert part(told, "front alignment") == pytest.approx(8.0 * part(plain, "front alignment"))


def test_every_quantity_has_its_unit(rig: Rig) -> None:
    effects: RigEffects = evaluate(rig, columns(rig), STEP)
    units = [effects.speed, effects.absorber_force, effects.tractive_force, effects.wheel_torque]
    assert [parts[0].unit for parts in units] == ["m/s", "N", "N", "N.m"]
    total: Effects = effects.total_power
    assert total.unit == "W"
    sums = np.sum([part.values for part in effects.power], axis=0)
    assert total.values == pytest.approx(sums)


def test_command_prints_one_object_and_confirms_the_budget(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["--rig", str(RIG_FILE), "--json", "--trials", "100000", "--seed", "3"]) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed["agreement"]["validated"] is True
    assert printed["budget"]["sigma"] == pytest.approx(printed["per_sample_sigma"], rel=1e-6)
    assert printed["monte_carlo"]["trials"] == 100_000
    assert printed["quantities"]["front speed"]["unit"] == "m/s"
    assert printed["quantities"]["wheel power"]["sigma"] == printed["per_sample_sigma"]
    assert main(["--rig", str(RIG_FILE), "--trials", "20000"]) in {0, 1}
    text = capsys.readouterr().out
    assert "front-left cell slope" in text
    assert "Monte Carlo" in text


def test_the_command_reads_alike_in_us_units(capsys: pytest.CaptureFixture[str]) -> None:
    """1 hp = 745.69987 W, 1 mph = 0.44704 m/s; shares and the verdict stay."""
    printed = []
    for units in ("metric", "us"):
        main(["--rig", str(RIG_FILE), "--trials", "20000", "--units", units])
        printed.append(capsys.readouterr().out)
    values = [float(text.split("wheel power: ")[1].split()[0]) for text in printed]
    assert values[0] / values[1] == pytest.approx(745.69987, rel=1e-5)
    assert "55.9234 mph" in printed[1]
    assert not re.search(r"\d (W|N|m/s|kg)\b", printed[1])
    shares = [re.findall(r"([\d.]+)%", text) for text in printed]
    assert shares[0] == shares[1]


def test_command_refuses_bad_input(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["--rig", str(tmp_path / "none.toml")]) == 2
    assert "There is no rig file" in capsys.readouterr().err
    for arguments in (["--speed-mps", "0"], ["--trials", "5"], ["--shared-calibration", "2"]):
        with pytest.raises(SystemExit) as stop:
            main(["--rig", str(RIG_FILE), *arguments])
        assert stop.value.code == 2


def test_a_source_without_uncertainty_adds_nothing(rig: Rig) -> None:
    exact = msgspec.structs.replace(
        rig,
        roll_sets=tuple(
            msgspec.structs.replace(
                s, roll_radius_sigma_m=0.0, base_inertia_sigma_kg=0.0, loss_sigma_n=0.0
            )
            for s in rig.roll_sets
        ),
        absorbers=tuple(
            msgspec.structs.replace(
                absorber,
                cell=msgspec.structs.replace(absorber.cell, relative_sigma=0.0, zero_sigma_n=0.0),
            )
            for absorber in rig.absorbers
        ),
    )
    effects = evaluate(exact, columns(exact, noise=False), STEP, alignment_sigma_s=0.0)
    assert np.all(effects.total_power.sigma() == 0.0)
    assert all(isinstance(source, Source) for source in effects.total_power.sources)
