"""Every test kind evaluated from columns whose answer is known by arithmetic.

The columns are made here from formulas, with no simulator and no measuring code between.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from control.test_kinds.kinds import KINDS
from daq.errors import Refused
from daq.results.correction import Rule
from daq.results.evaluate import evaluate
from daq.results.flags import VOIDS
from daq.results.given import Given, given_of
from daq.results.result import EvaluationSettings, Result
from daq.results.series.columns import columns_of, slug
from daq.rig.description import load_rig
from daq.texts.message import render, say

RIG = load_rig(Path(__file__).parents[3] / "rigs" / "tarnhow.toml")
RPM = 60.0 / (2.0 * math.pi)
RATIO = 9.5  # engine rad/s per roll m/s
HZ = 100.0
BEGUN_S = 1000.0  # device time of the first row
Line = Callable[[Any], Any]
Phases = tuple[tuple[str, float], ...]


def went(
    phases: Phases, seconds: float, told: dict[str, Any] | None = None, *, points: bool = False
) -> list[dict[str, Any]]:
    """Events of a test that went through these phases, s from the first row, and ended."""
    entered = [
        {"kind": "phase", "time_s": BEGUN_S + at, "text": name,
         "data": {"phase": name, **({"point": place // 2 + 1} if points else {})}}
        for place, (name, at) in enumerate(phases)
    ]  # fmt: skip
    end = {"kind": "run-ended", "time_s": BEGUN_S + seconds, "text": "done",
           "data": {"void": "", **(told or {})}}  # fmt: skip
    return [*entered, end]


def run(
    plan: dict[str, Any],
    seconds: float,
    engine: Line,
    power: Line,
    settings: EvaluationSettings | None = None,
    seed: int = 1,
    events: list[dict[str, Any]] | None = None,
    noise_w: float = 300.0,
    phases: Phases = (),
    told: dict[str, Any] | None = None,
    **over: Any,
) -> Given:
    """A run whose engine speed (rad/s) and wheel power (W) over time are given."""
    draw = np.random.default_rng(seed)
    time = np.arange(0.0, seconds, 1.0 / HZ)
    radps, watts = np.asarray(engine(time), float), np.asarray(power(time), float)
    watts = watts + noise_w * draw.standard_normal(time.size)
    speed = radps / RATIO
    table: dict[str, Any] = {c.name: np.zeros(time.size) for c in columns_of(RIG)}
    force = watts / np.maximum(speed, 0.1)
    table |= {
        "time_s": time + BEGUN_S,
        "engine_speed_radps": radps,
        "speed_mps": speed,
        "power_w": watts,
        "tractive_force_n": force,
        "torque_nm": watts / np.maximum(radps, 1.0),
        "set_point": np.full(time.size, np.nan),
        "slow_ambient_temperature": np.full(time.size, 293.15),
        "slow_barometer": np.full(time.size, 96_000.0),
        "slow_humidity": np.full(time.size, 0.5),
    }
    rate = np.gradient(speed, time)
    for roll_set in RIG.roll_sets:
        name = f"rolls_{slug(roll_set.name)}"
        a, b, c = roll_set.loss_n
        loss, inertia = a + b * speed + c * speed**2, roll_set.base_inertia_kg * rate
        table[f"{name}_speed_mps"] = speed
        table[f"{name}_acceleration_mps2"] = rate
        table[f"{name}_absorber_force_n"] = force / 2 - np.where(speed > 0.05, loss, 0.0) - inertia
        table[f"{name}_tractive_force_n"] = force / 2
        table[f"{name}_tractive_sigma_n"] = np.full(time.size, 3.0)
        for absorber in RIG.absorbers_of(roll_set.name):
            table[f"absorber_{slug(absorber.name)}_force_n"] = table[f"{name}_absorber_force_n"] / 2
    for name, value in over.items():
        table[name] = np.asarray(value(time) if callable(value) else value)
    if events is None:
        points = plan["kind"] == "stepped-map"
        events = went(phases, seconds, told, points=points)
    return given_of(RIG, plan, table, settings or EvaluationSettings(), events)


def value(result: Result, name: str) -> float:
    figure = result.figure(name)
    assert figure is not None
    assert figure.value is not None
    return figure.value


SWEEP = {"kind": "power-sweep", "from_rpm": 1600.0, "to_rpm": 3000.0, "rpm_per_s": 100.0}
SWEPT: Phases = (("approach", 0.0), ("full pedal", 1.0), ("sweep", 3.0))
TOP_W, TOP_RPM = 270_000.0, 2600.0


def engine_sweep(t: Any) -> Any:
    """3 s at the start, 14 s of sweep, 2 s of coming down."""
    return np.interp(t, [0, 3, 17, 19], [1600, 1600, 3000, 2000]) / RPM


def hill(t: Any) -> Any:
    """Power with its top at TOP_RPM, and as though it fell off while easing."""
    rpm = engine_sweep(t) * RPM
    return np.where(t < 17.0, TOP_W - 0.08 * (rpm - TOP_RPM) ** 2, 20_000.0)


def sweep(settings: EvaluationSettings | None = None, **over: Any) -> Result:
    over.setdefault("events", went(SWEPT, 17.0))
    return evaluate(run(SWEEP, 19.0, engine_sweep, hill, settings, **over), "1")


def test_a_sweep_finds_the_top_and_where_it_is() -> None:
    result = sweep()
    assert result.valid, result.void
    figure = result.figure("peak_power")
    assert figure is not None
    assert figure.low is not None
    assert figure.high is not None
    assert figure.value == pytest.approx(TOP_W, rel=0.003)
    assert figure.low < TOP_W < figure.high
    assert value(result, "peak_power_at") * RPM == pytest.approx(TOP_RPM, abs=40)
    assert str(result.answer).startswith("Highest wheel power 2")
    assert "95 %" in str(result.answer)
    assert value(result, "rate") * RPM == pytest.approx(100.0, rel=0.02)


def test_what_came_before_and_after_the_sweep_is_not_in_its_curve() -> None:
    curve = sweep().curve("power")
    assert curve is not None
    for x, y in zip(curve.x, curve.value, strict=True):
        if y is not None and 1650 < x * RPM < 2950:
            assert y == pytest.approx(TOP_W - 0.08 * (x * RPM - TOP_RPM) ** 2, abs=1500.0)


def test_torque_is_named_as_referred_to_the_engine_and_is_power_over_speed() -> None:
    result = sweep()
    torque, power = result.curve("torque"), result.curve("power")
    assert torque is not None
    assert power is not None
    assert "referred to the engine" in torque.label
    place = len(power.x) // 2
    top = power.value[place]
    assert top is not None
    assert torque.value[place] == pytest.approx(top / power.x[place], rel=0.002)
    assert any("no driveline loss" in str(line) for line in result.limits)


def test_a_falling_sweep_gives_the_same_curve() -> None:
    plan = {**SWEEP, "from_rpm": 3000.0, "to_rpm": 1600.0}

    def engine(t: Any) -> Any:
        return np.interp(t, [0, 3, 17], [3000, 3000, 1600]) / RPM

    def power(t: Any) -> Any:
        return TOP_W - 0.08 * (engine(t) * RPM - TOP_RPM) ** 2

    result = evaluate(run(plan, 17.1, engine, power, phases=(("sweep", 3.0),)), "1")
    assert result.valid, result.void
    assert value(result, "peak_power") == pytest.approx(TOP_W, rel=0.003)


def test_a_falling_sweep_holds_neither_the_drive_up_nor_the_wait_for_boost() -> None:
    plan = {**SWEEP, "from_rpm": 3000.0, "to_rpm": 1600.0}

    def engine(t: Any) -> Any:
        return np.interp(t, [0, 8, 12, 26, 30], [800, 2985, 2985, 1600, 700]) / RPM

    def power(t: Any) -> Any:
        full = TOP_W - 0.08 * (engine(t) * RPM - TOP_RPM) ** 2
        return full * np.interp(t, [0, 8, 12], [0.2, 0.2, 1.0])

    events = went((("approach", 0.0), ("full pedal", 8.0), ("sweep", 12.0)), 26.0)
    result = evaluate(run(plan, 30.0, engine, power, events=events), "1")
    assert result.valid, result.void
    curve = result.curve("power")
    assert curve is not None
    for rpm, watts in zip((one * RPM for one in curve.x), curve.value, strict=True):
        if watts is not None:
            assert watts == pytest.approx(TOP_W - 0.08 * (rpm - TOP_RPM) ** 2, rel=0.005), rpm


def test_a_sweep_that_stops_half_way_is_void_and_says_so() -> None:
    def engine(t: Any) -> Any:
        return np.interp(t, [0, 3, 10, 12], [1600, 1600, 2300, 1600]) / RPM

    given = run(SWEEP, 12.0, engine, lambda t: 0 * t + 2e5, phases=(("sweep", 3.0),))
    result = evaluate(given, "1")
    assert not result.valid
    assert any("whole planned range" in str(reason) for reason in result.void)


def test_no_sweep_at_all_gives_no_answer_instead_of_a_number() -> None:
    result = evaluate(run(SWEEP, 12.0, lambda t: 0 * t + 170.0, lambda t: 0 * t + 1e5), "1")
    assert not result.valid
    assert result.figures == []
    assert str(result.answer).startswith("No answer")


def test_a_boosted_diesel_is_not_corrected_and_the_reason_is_beside_the_number() -> None:
    correction = sweep().correction
    assert correction is not None
    assert (correction.rule, correction.factor) == ("none", 1.0)
    assert "boosted diesel" in str(correction.reasons[0])
    assert {one.name for one in correction.inputs} >= {"air temperature", "air pressure"}


def test_a_correction_multiplies_and_leaves_what_was_observed() -> None:
    """(99/p)^1.2 (T/298)^0.6 at dry pressure p: ISO 1585, from memory."""
    plain, corrected = sweep(), sweep(EvaluationSettings(rule=Rule.ISO_1585_SPARK, diesel=False))
    assert corrected.correction is not None
    factor = corrected.correction.factor
    dry_kpa = (96_000.0 - 0.5 * 2338.0) / 1000.0
    assert factor == pytest.approx((99 / dry_kpa) ** 1.2 * (293.15 / 298) ** 0.6, rel=1e-4)
    assert value(corrected, "peak_power") == pytest.approx(value(plain, "peak_power"))
    assert value(corrected, "peak_power_corrected") == pytest.approx(
        factor * value(plain, "peak_power")
    )
    assert corrected.uncertainty is not None
    assert "weather factor" in {part.name for part in corrected.uncertainty.parts}


def test_without_weather_nothing_is_corrected() -> None:
    result = sweep(
        EvaluationSettings(rule=Rule.ISO_1585_SPARK),
        slow_humidity=lambda t: np.full(t.size, np.nan),
    )
    assert result.correction is not None
    assert (result.correction.rule, result.correction.factor) == ("none", 1.0)
    assert "not all measured" in str(result.correction.reasons[0])


def test_weather_that_was_stale_for_most_of_the_run_corrects_nothing_and_gaps_are_flagged() -> None:
    def gone(share: float) -> Line:
        return lambda t: np.where(t < t[0] + share * (t[-1] - t[0]), np.nan, 96_000.0)

    rule = EvaluationSettings(rule=Rule.ISO_1585_SPARK)
    mostly = sweep(rule, slow_barometer=gone(0.8)).correction
    assert mostly is not None
    assert mostly.rule == "none"
    assert any("pressure was fresh for only 20" in str(reason) for reason in mostly.reasons)
    partly = sweep(rule, slow_barometer=gone(0.2)).correction
    assert partly is not None
    assert partly.rule == "iso-1585-spark"
    assert any("pressure was missing for 20" in str(reason) for reason in partly.reasons)
    moving = sweep(rule, slow_ambient_temperature=lambda t: 293.15 + 8.0 * t / t[-1]).correction
    assert moving is not None
    assert any("moved during the run" in str(reason) for reason in moving.reasons)


def test_the_band_holds_both_parts_and_widens_with_noise() -> None:
    quiet, loud = sweep(), sweep(noise_w=6000.0)
    one, other = quiet.uncertainty, loud.uncertainty
    assert one is not None
    assert other is not None
    assert one.half_width == pytest.approx(
        one.coverage * math.hypot(one.calibration_sigma, one.noise_sigma)
    )
    assert one.calibration_sigma > 100.0  # loss alone: 4 N on each roll set at 28 m/s
    assert other.noise_sigma > 5 * one.noise_sigma
    assert other.calibration_sigma == pytest.approx(one.calibration_sigma, rel=0.1)


def test_the_interval_of_a_peak_holds_the_truth_as_often_as_it_says() -> None:
    """Noise part alone; 60 draws of a flat top, where the highest point is not pulled up."""
    held = 0
    plan = {"kind": "steady-hold", "rpm": 2000.0, "seconds": 20.0, "settle_s": 2.0}
    for seed in range(60):
        result = evaluate(
            run(plan, 20.0, lambda t: 0 * t + 2000 / RPM, lambda t: 0 * t + 2e5,
                seed=seed, noise_w=4000.0, phases=(("settle", 0.0), ("hold", 2.0))), "1"
        )  # fmt: skip
        assert result.uncertainty is not None
        half = 1.96 * result.uncertainty.noise_sigma
        held += abs(value(result, "mean_power") - 2e5) <= half
    assert held >= 52


def test_slip_is_flagged_where_it_happened() -> None:
    def speed(t: Any) -> Any:
        return engine_sweep(t) / RATIO * np.where((t > 8.0) & (t < 9.0), 0.95, 1.0)

    flags = [flag for flag in sweep(speed_mps=speed).flags if flag.code == "slip"]
    assert len(flags) == 1
    assert flags[0].from_s == pytest.approx(8.0, abs=0.15)
    assert flags[0].to_s == pytest.approx(9.0, abs=0.15)


def test_a_doubtful_sensor_a_hot_rotor_and_a_full_absorber_are_flagged_with_their_time() -> None:
    def between(low: float, high: float, inside: float, outside: float) -> Line:
        return lambda t: np.where((t > low) & (t < high), inside, outside)

    result = sweep(
        absorber_front_left_quality=between(5.0, 6.0, 2.0, 0.0),
        absorber_rear_left_set_point_a=between(10.0, 12.0, 30.0, 12.0),
        slow_rotor_rear_left=between(13.0, 14.0, 620.0, 500.0),
    )
    places = {flag.code: flag.from_s for flag in result.flags}
    assert places["sensor"] == pytest.approx(5.0, abs=0.1)
    assert places["shortfall"] == pytest.approx(10.0, abs=0.1)
    assert places["heat-limit"] == pytest.approx(13.0, abs=0.1)
    assert result.valid  # flags are said; they do not void


def test_faults_and_voids_told_by_the_rig_are_in_the_result() -> None:
    events = [
        {"kind": "fault", "time_s": 1004.0, "text": "A fan stands.", "data": {"effect": "hold"}},
        *went(SWEPT, 19.0, {"void": "lifted, rate"}),
    ]
    result = sweep(events=events)
    fault = next(flag for flag in result.flags if flag.code == "fault")
    assert fault.from_s == pytest.approx(4.0)
    assert "hold" in str(fault.text)
    assert not result.valid
    assert len(result.void) == 2


@pytest.mark.parametrize("kind", sorted(kind.kind for kind in KINDS.values()))
def test_everything_a_test_calls_void_has_words(kind: str) -> None:
    codes = [code for one in KINDS.values() if one.kind == kind for code, _ in one.describe.void]
    assert codes
    assert [code for code in codes if code not in VOIDS] == []


def test_wheels_not_learned_are_flagged_only_where_they_turned() -> None:
    def told(names: str) -> list[str]:
        event = {
            "kind": "notice", "time_s": 1000.0, "text": "Not learned.",
            "data": {"code": "wheels-unlearned", "roll_sets": names},
        }  # fmt: skip
        result = sweep(events=[event, *went(SWEPT, 19.0)], rolls_front_speed_mps=lambda t: 0.0 * t)
        return [flag.code for flag in result.flags if flag.code == "wheels"]

    assert told("front,rear") == ["wheels"]
    assert told("front") == []


def test_a_coast_in_neutral_has_no_slip_between_engine_and_rolls() -> None:
    def slips(plan: dict[str, Any]) -> list[str]:
        given = run(
            plan, 49.05, lambda t: RATIO * np.where(t < 5.0, 21.0, 21.0 - 0.25 * (t - 5.0)),
            lambda t: 0 * t, tyre_slip=lambda t: t > 10.0,
            phases=(("coast" if plan["kind"] == "coastdown" else "climb", 4.0),),
        )  # fmt: skip
        return [flag.code for flag in evaluate(given, "1").flags if flag.code == "slip"]

    coast = {"kind": "coastdown", "from_mps": 20.0, "to_mps": 10.0, "interval_mps": 5.0}
    assert slips(coast) == []
    climb = {"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": 6.0}}
    assert slips(climb) == ["slip"]


def test_a_recording_without_an_end_is_void() -> None:
    assert not sweep(events=[]).valid


def test_a_hold_gives_mean_power_over_the_settled_part_only() -> None:
    plan = {"kind": "steady-hold", "rpm": 1900.0, "seconds": 20.0, "settle_s": 5.0}

    def power(t: Any) -> Any:
        return np.where(t < 6.0, 90_000.0, 150_000.0)

    def engine(t: Any) -> Any:
        return np.where(t < 1.0, 150.0, 1900.0 / RPM)

    phases = (("take-up", 0.0), ("settle", 1.5), ("hold", 6.5))
    result = evaluate(run(plan, 20.0, engine, power, phases=phases), "1")
    assert result.valid, result.void
    assert value(result, "mean_power") == pytest.approx(150_000.0, rel=1e-3)
    assert value(result, "mean_torque") == pytest.approx(150_000.0 / (1900.0 / RPM), rel=1e-3)
    assert value(result, "in_tolerance") == 1.0


def test_a_stepped_map_averages_each_point_and_names_the_one_that_never_settled() -> None:
    plan = {"kind": "stepped-map", "points_rpm": [1800.0, 2200.0, 2600.0],
            "settle_s": 2.0, "average_s": 4.0}  # fmt: skip

    def engine(t: Any) -> Any:
        wandering = 2600.0 + 60.0 * np.sin(3.0 * t)
        return np.where(t < 7, 1800.0, np.where(t < 14, 2200.0, wandering)) / RPM

    def power(t: Any) -> Any:
        return np.where(t < 7, 180_000.0, 210_000.0)

    phases = (("settle", 0.0), ("average", 2.5), ("settle", 6.5), ("average", 9.5),
              ("settle", 13.5))  # fmt: skip
    result = evaluate(run(plan, 22.0, engine, power, phases=phases), "1")
    assert [row["point"] for row in result.table] == [1, 2]
    assert result.table[0]["power_w"] == pytest.approx(180_000.0, rel=2e-3)
    assert result.table[1]["power_w"] == pytest.approx(210_000.0, rel=2e-3)
    assert not result.valid
    curve = result.curve("power")
    assert curve is not None
    assert curve.marks  # points, with no line between them


def test_a_spool_up_times_a_known_rise() -> None:
    """First-order rise of time constant 0.8 s: t90 - t10 = 2.197225 tau (CT-07, computed)."""
    plan = {"kind": "spool-up", "rpm": 1900.0, "seconds": 6.0}

    def power(t: Any) -> Any:
        since = np.maximum(t - 5.0, 0.0)
        return 20_000.0 + 180_000.0 * (1.0 - np.exp(-since / 0.8))

    phases = (("light load", 0.0), ("ready", 2.0), ("rise", 5.2))
    line = lambda t: 0 * t + 1900 / RPM  # noqa: E731
    result = evaluate(run(plan, 11.0, line, power, noise_w=200.0, phases=phases), "1")
    assert result.valid, result.void
    rise = value(result, "torque_t90") - value(result, "torque_t10")
    assert rise == pytest.approx(2.197225 * 0.8, rel=0.05)
    assert any("onset of the pull" in str(line) for line in result.limits)


def test_a_climb_says_how_long_the_truck_kept_up() -> None:
    plan = {"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": 6.0}}

    def engine(t: Any) -> Any:
        return RATIO * np.where(t < 40.0, 20.0, 17.0)

    given = run(plan, 60.0, engine, lambda t: 0 * t + 1e5, phases=(("climb", 0.0),))
    result = evaluate(given, "1")
    assert value(result, "keeps_up") == pytest.approx(40 / 60, abs=0.01)
    assert value(result, "kept_for") == pytest.approx(40.0, abs=0.1)
    assert any(flag.code == "behind" for flag in result.flags)
    assert value(result, "distance") == pytest.approx(40 * 20 + 20 * 17, rel=0.01)


def test_what_the_rig_could_not_give_is_in_the_result_in_seconds_and_newtons() -> None:
    plan = {"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": -6.0}}
    told = {"void": "", "shortfall_s": 7.5, "shortfall_ns": 9000.0, "worst_shortfall_n": 1500.0}
    drive = (lambda t: RATIO * (20.0 + 0 * t), lambda t: 0 * t + 1e5)
    phases = (("climb", 0.0),)
    result = evaluate(run(plan, 60.0, *drive, phases=phases, told=told), "1")
    assert value(result, "shortfall_time") == pytest.approx(7.5)
    assert value(result, "worst_shortfall") == pytest.approx(1500.0)
    flag = next(flag for flag in result.flags if flag.code == "shortfall")
    assert "7.5 s" in str(flag.text)
    assert "1,500 N" in str(flag.text)
    assert result.valid
    none = evaluate(run(plan, 60.0, *drive, phases=phases), "1")
    assert value(none, "shortfall_time") == 0.0
    assert not any(flag.code == "shortfall" for flag in none.flags)


def test_a_trace_is_judged_by_the_regulation_band() -> None:
    """Upper limit: highest trace speed within 1.0 s plus 2.0 mph; 40 CFR 1066.425(b)."""
    points = [[0.0, 10.0], [20.0, 10.0], [30.0, 15.0], [60.0, 15.0]]
    plan = {"kind": "speed-trace", "points": points, "band_mps": 0.89408}

    def driven(off_mps: float) -> Line:
        def engine(t: Any) -> Any:
            speed = np.interp(t - 4.0, [0, 20, 30, 60], [10, 10, 15, 15])
            return RATIO * (speed + np.where((t > 44.0) & (t < 47.0), off_mps, 0.0))

        return engine

    phases = (("start", 0.0), ("count-down", 1.0), ("trace", 4.0))
    events = went(phases, 64.0)
    inside, outside = (
        evaluate(run(plan, 66.0, driven(off), lambda t: 0 * t + 5e4, events=events), "1")
        for off in (0.85, 0.95)
    )
    assert inside.valid, inside.void
    assert not outside.valid
    assert value(outside, "longest_excursion") == pytest.approx(3.0, abs=0.1)


def test_a_coast_gives_force_as_mass_over_time() -> None:
    """M dv / t with the rolls' own 3200 kg at 0.25 m/s2: 800 N (40 CFR 1066.310, form seen)."""
    plan = {"kind": "coastdown", "from_mps": 20.0, "to_mps": 10.0, "interval_mps": 5.0}

    def engine(t: Any) -> Any:
        return RATIO * np.where(t < 5.0, 21.0, 21.0 - 0.25 * (t - 5.0))

    given = run(plan, 49.05, engine, lambda t: 0 * t, phases=(("run-up", 0.0), ("coast", 6.0)))
    result = evaluate(given, "1")
    assert result.valid, result.void
    assert [row["force_n"] for row in result.table] == pytest.approx([800.0, 800.0], rel=2e-3)
    assert value(result, "coast") == pytest.approx(40.0, abs=0.05)


def test_snaps_are_found_and_their_peaks_pass_the_half_second_filter() -> None:
    plan = {"kind": "snap-smoke", "snap_rise": 2.0, "spread_percent": 5.0}
    begins = [12.0, 24.0, 36.0]

    def engine(t: Any) -> Any:
        up = np.zeros(t.size, dtype=bool)
        for begin in begins:
            up |= (t > begin) & (t < begin + 3.0)
        return np.where(up, 300.0, 75.0)

    def smoke(t: Any) -> Any:
        level = np.full(t.size, 0.01)
        for begin in begins:
            level = np.where((t > begin) & (t < begin + 3.0), 0.31, level)
        return level + 0.0001 * np.sin(40.0 * t)

    phases = (
        ("zero", 0.0), ("idle", 3.0), ("snap", 12.0), ("idle", 15.1), ("snap", 24.0),
        ("idle", 27.1), ("snap", 36.0), ("probe out", 39.1), ("zero again", 47.0),
    )  # fmt: skip
    told = {"snaps": 3, "restarts": 0, "mean_percent": 30.0}
    given = run(plan, 50.0, engine, lambda t: 0 * t, slow_smoke_opacity=smoke, phases=phases,
                told=told)  # fmt: skip
    result = evaluate(given, "1")
    assert result.valid, result.void
    assert [row.get("used") for row in result.table] == [True, True, True]
    # 3 s of 30 % above the meter's zero: a 0.5 s filter has long settled
    assert value(result, "peak_smoke") == pytest.approx(30.0, abs=0.6)


def test_an_unknown_kind_is_refused_with_the_kinds_there_are() -> None:
    with pytest.raises(Refused, match="power-sweep"):
        evaluate(run({"kind": "guess"}, 5.0, lambda t: 0 * t + 100, lambda t: 0 * t), "1")


def test_a_result_survives_json_and_says_what_made_it() -> None:
    result = sweep(EvaluationSettings(smooth_rpm=90.0))
    again = msgspec.json.decode(msgspec.json.encode(result), type=Result)
    assert again == result
    assert again.made.settings.smooth_rpm == 90.0
    assert again.made.version == "1"
    assert again.made.rig_fingerprint == RIG.fingerprint


def test_an_identification_is_referred_to_what_it_found() -> None:
    with pytest.raises(Refused) as refused:
        evaluate(run({"kind": "identification"}, 2.0, lambda t: 100.0 + 0 * t, hill), "1")
    assert "drumlin absorbers" in str(refused.value.remedy)


def test_a_climb_is_the_climb_and_not_the_approach_to_it() -> None:
    """From a rolling start: 12 s at the target on the level, then 30 s of hill."""
    plan = {"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": 6.0}}
    phases = (("approach", 0.0), ("climb", 12.0))
    told = {"elapsed_s": 30.0, "mean_power_w": 54_100.0, "kept_up_share": 1.0}
    given = run(plan, 42.0, lambda t: RATIO * 20.0 + 0 * t,
                lambda t: np.where(t <= 12.0, 10_000.0, 54_100.0), phases=phases,
                told=told)  # fmt: skip
    result = evaluate(given, "1")
    assert value(result, "climbed") == pytest.approx(30.0)
    assert value(result, "mean_power") == pytest.approx(54_100.0, rel=2e-3)
    assert [one.agrees for one in result.compared] == [True, True, True]
    assert not any(flag.code == "live-differs" for flag in result.flags)


def test_what_the_running_test_said_otherwise_is_a_flag() -> None:
    plan = {"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": 6.0}}
    given = run(plan, 42.0, lambda t: RATIO * 20.0 + 0 * t, lambda t: 54_100.0 + 0 * t,
                phases=(("climb", 12.0),), told={"mean_power_w": 55_500.0})  # fmt: skip
    flags = [flag for flag in evaluate(given, "1").flags if flag.code == "live-differs"]
    assert len(flags) == 1
    assert "55.5 kW" in str(flags[0].text)


@pytest.mark.parametrize(
    ("plan", "told", "figure", "expected"),
    [
        ({"kind": "grade-climb", "target_mps": 20.0, "keep_mps": 1.0, "grade": {"percent": 6.0}},
         {"elapsed_s": 30.0}, "climbed", 30.0),
        ({"kind": "steady-hold", "speed_mps": 20.0, "seconds": 35.0, "settle_s": 5.0},
         {"elapsed_s": 35.0, "samples": 3000}, "settled", 30.0),
    ],
)  # fmt: skip
def test_a_recording_of_before_is_evaluated_by_the_seconds_its_test_told(
    plan: dict[str, Any], told: dict[str, Any], figure: str, expected: float
) -> None:
    """No phases in it, and its events count from a tick's turn before its rows."""
    given = run(plan, 42.0, lambda t: RATIO * 20.0 + 0 * t,
                lambda t: np.where(t < 11.9, 10_000.0, 54_100.0),
                events=[{"kind": "run-ended", "time_s": BEGUN_S + 42.0 + 429.4967296, "text": "",
                         "data": {"void": "", **told}}])  # fmt: skip
    result = evaluate(given, "1")
    assert value(result, figure) == pytest.approx(expected, abs=0.03)
    assert value(result, "mean_power") == pytest.approx(54_100.0, rel=2e-3)
    assert any(flag.code == "counted-back" for flag in result.flags)


@pytest.mark.parametrize(
    ("aim_w", "verdict"),
    [(50_000.0, "met"), (70_000.0, "not met"), (60_100.0, "met within its interval")],
)
def test_the_aim_of_a_hold_is_met_by_its_interval_or_not(aim_w: float, verdict: str) -> None:
    plan = {"kind": "steady-hold", "speed_mps": 20.0, "seconds": 35.0, "settle_s": 5.0}
    phases = (("take-up", 0.0), ("settle", 5.0), ("hold", 10.0))
    given = run(plan, 40.0, lambda t: RATIO * 20.0 + 0 * t, lambda t: 60_000.0 + 0 * t,
                phases=phases, told={"target_power_w": aim_w})  # fmt: skip
    result = evaluate(given, "1")
    assert value(result, "target_power") == aim_w
    assert value(result, "over_target") == pytest.approx(60_000.0 - aim_w, abs=30.0)
    assert f"aim {aim_w / 1e3:.1f} kW: {verdict}" in str(result.answer)


def test_each_set_point_of_a_hold_is_a_result_of_its_own() -> None:
    """Speed, then power: 15 m/s at 60 kW, then 90 kW asked for by hand."""
    plan = {"kind": "steady-hold", "speed_mps": 15.0, "seconds": 40.0, "settle_s": 2.0}
    names = ("take-up", "settle", "hold")
    phases = tuple(zip(names * 2, (0.0, 1.0, 3.0, 20.0, 21.0, 23.0), strict=True))
    told = {"parts": 2, "part_1_mean_power_w": 60_000.0, "part_2_mean_power_w": 90_000.0}
    events = went(phases, 40.0, told)
    for at, quantity, asked, unit in ((0.0, "speed", 15.0, "m/s"), (20.0, "power", 9e4, "W")):
        events.insert(0, {
            "kind": "set-point", "time_s": BEGUN_S + at, "text": "",
            "data": {"quantity": quantity, "set_point": asked, "unit": unit},
        })  # fmt: skip
    events.sort(key=lambda event: event["time_s"])
    given = run(plan, 40.0, lambda t: RATIO * 15.0 + 0 * t,
                lambda t: np.where(t < 20.0, 60_000.0, 90_000.0), events=events)  # fmt: skip
    result = evaluate(given, "1")
    rows = result.table
    assert [(row["quantity"], row["set"]) for row in rows] == [("speed", 15.0), ("power", 9e4)]
    assert [row["power_w"] for row in rows] == pytest.approx([60_000.0, 90_000.0], rel=2e-3)
    assert [(one.quantity, one.unit) for one in result.set_points] == [
        ("speed", "m/s"), ("power", "W")
    ]  # fmt: skip
    assert value(result, "mean_power") == pytest.approx(90_000.0, rel=2e-3)
    assert sum(one.figure.startswith("part") for one in result.compared) == 2
    assert all(one.agrees for one in result.compared)


@pytest.mark.parametrize("kind", ["hold", "sweep", "climb"])
def test_an_interval_stands_by_every_number(kind: str) -> None:
    if kind == "sweep":
        result = sweep()
    else:
        plan = {
            "hold": {"kind": "steady-hold", "rpm": 1900.0, "seconds": 20.0, "settle_s": 2.0},
            "climb": {"kind": "grade-climb", "target_mps": 20.0, "grade": {"percent": 6.0}},
        }[kind]
        phases = {"hold": (("settle", 0.0), ("hold", 2.0)), "climb": (("climb", 1.0),)}[kind]
        result = evaluate(run(plan, 20.0, lambda t: 1900 / RPM + 0 * t, lambda t: 1e5 + 0 * t,
                              phases=phases), "1")  # fmt: skip
    bare = [one.name for one in result.figures if one.low is None or one.high is None]
    assert [name for name in bare if not name.startswith(("rotor", "oil"))] == []


def test_a_spark_rule_on_a_diesel_is_flagged_and_the_headline_stays_what_was_observed() -> None:
    plan = {"kind": "steady-hold", "rpm": 1900.0, "seconds": 20.0, "settle_s": 2.0}

    def held(settings: EvaluationSettings) -> Result:
        given = run(plan, 20.0, lambda t: 1900 / RPM + 0 * t, lambda t: 205_900.0 + 0 * t,
                    settings, phases=(("settle", 0.0), ("hold", 2.0)))  # fmt: skip
        return evaluate(given, "1")

    wrong = held(EvaluationSettings(rule=Rule.J607_SPARK))
    assert wrong.main == "mean_power"
    assert any(flag.code == "correction" for flag in wrong.flags)
    right = held(EvaluationSettings(rule=Rule.J607_SPARK, diesel=False))
    assert not any(flag.code == "correction" for flag in right.flags)
    assert right.main == "mean_power_corrected"
    for result in (wrong, right):
        for name in ("mean_power", "mean_torque"):
            observed, corrected = result.figure(name), result.figure(f"{name}_corrected")
            assert observed is not None
            assert corrected is not None
            assert result.correction is not None
            factor = f"factor {result.correction.factor:.4f}"
            assert "corrected by j607-spark" in corrected.label
            assert factor in corrected.label
            assert "corrected" not in observed.label
        assert value(result, "mean_power") == pytest.approx(205_900.0, rel=1e-3)
        assert "as observed" in str(result.answer)
        assert "corrected by j607-spark" in str(result.answer)


def test_a_test_that_was_cut_off_says_by_what_and_not_what_the_driver_should_have_done() -> None:
    """Seen: a hold that a trip ended told its driver to choose another set point."""
    plan = {"kind": "steady-hold", "rpm": 1900.0, "seconds": 60.0}
    cause = {"code": "fault.link-lost", "values": {}, "text": "The front end is silent."}
    events = [
        {"time_s": BEGUN_S, "kind": "run-started", "text": "", "data": {}},
        {"time_s": BEGUN_S, "kind": "phase", "text": "", "data": {"phase": "take-up"}},
        {"time_s": BEGUN_S + 2.6, "kind": "run-ended", "text": cause,
         "data": {"reason": "link-lost", "elapsed_s": 2.6}},
    ]  # fmt: skip
    cut = evaluate(run(plan, 2.6, np.ones_like, np.ones_like, events=events), "1")
    assert not cut.valid
    assert "ended before its time, after 2.6 s" in render(cut.answer)
    assert render(say("fault.link-lost")) in render(cut.answer)
    assert [flag.code for flag in cut.flags if flag.voids] == ["cut-off"]
    events[-1]["data"] = {"reason": "completed", "elapsed_s": 2.6}
    whole = evaluate(run(plan, 2.6, np.ones_like, np.ones_like, events=events), "1")
    assert "never reached" in render(whole.answer)
