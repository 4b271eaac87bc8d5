"""Proving a simulated rig from recordings and dead weights, against the truth it owns."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import msgspec
import pytest

from daq.errors import RigError
from daq.proving.overlay import (
    CalibrationFile,
    merged,
    read_calibration,
    rig_lines,
    write_calibration,
)
from daq.proving.record import (
    DELAY,
    INERTIA,
    LOSS,
    ZERO,
    Proving,
    Value,
    of_coasts,
    of_delay,
    of_zeros,
    standing,
)
from daq.proving.runs import delays, identify, read_track
from daq.recording.reader import Recording
from daq.rig.description import Rig, parse_rig
from simulator.rig_and_truck.setup import Setup, nominal
from tests.daq.free_rolls import record_coast
from tests.daq.synthetic import RIG_FILE

TEXT = RIG_FILE.read_text(encoding="utf-8")
RIG = parse_rig(TEXT)
TODAY = date(2026, 11, 25)


def off(inertia: float = 1.0, loss_n: float = 0.0) -> Setup:
    """The nominal rig with other rolls than its file states."""
    base = nominal()
    rolls = tuple(
        replace(
            roll,
            mass_kg=roll.mass_kg * inertia,
            loss_n=(roll.loss_n[0] + loss_n, roll.loss_n[1], roll.loss_n[2]),
        )
        for roll in base.rolls
    )
    return replace(base, rolls=(rolls[0], rolls[1]))


@pytest.fixture(scope="module")
def coasts(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two free coasts and three loaded ones of rolls 1 % heavier and 15 N stiffer than stated."""
    folder = tmp_path_factory.mktemp("coasts")
    setup = off(1.01, 15.0)
    cases = ((30.0, 26.0, 0.0), (13.0, 10.5, 0.0), (30.0, 14.0, 7.0), (30.0, 6.0, 10.0),
             (30.0, 6.0, 14.0))  # fmt: skip
    return [
        record_coast(
            folder / f"{place}.drm", RIG, TEXT, setup, 5 + place, start, end,
            lambda _s, a=current: a,  # type: ignore[misc]
        )
        for place, (start, end, current) in enumerate(cases)
    ]  # fmt: skip


def test_coasts_find_the_true_inertia_and_loss_and_write_them(coasts: list[Path]) -> None:
    tracks = [read_track(Recording(path), RIG) for path in coasts]
    proofs = of_coasts(RIG, identify(tracks, RIG), TODAY, "five coasts")
    assert [(one.kind, one.subject) for one in proofs] == [
        (INERTIA, "front"), (LOSS, "front"), (INERTIA, "rear"), (LOSS, "rear"),
    ]  # fmt: skip
    found = {(one.kind, one.subject): one for one in proofs}
    assert found[INERTIA, "front"].values["roll_sets.front.base_inertia_kg"] == pytest.approx(
        1550.0 * 1.01,
        rel=0.002,  # 40 CFR 1066.250(d)(2): 0.20 %
    )
    assert any("0.20 %" in note for note in found[INERTIA, "front"].notes)
    loss = {figure.name: figure.value for figure in found[LOSS, "rear"].figures}
    assert loss["loss at 25 m/s"] == pytest.approx(85.0 + 1.25 * 25 + 0.023 * 625, abs=3.0)
    assert any("1066.255" in note for note in found[LOSS, "rear"].notes)  # 15 N is more than 9.0 N
    assert all(one.due == "2027-11-30" for one in proofs)

    values = Proving("r", tuple(proofs)).values()
    better = parse_rig(merged(TEXT, values))
    assert better.roll_sets[1].base_inertia_kg == pytest.approx(1650.0 * 1.01, rel=0.002)
    assert better.roll_sets[0].loss_n != RIG.roll_sets[0].loss_n
    assert better.absorbers == RIG.absorbers


def test_free_coasts_alone_are_refused(coasts: list[Path]) -> None:
    tracks = [read_track(Recording(path), RIG) for path in coasts[:2]]
    with pytest.raises(Exception, match="cannot tell inertia from loss"):
        identify(tracks, RIG)


def with_delay(delay_s: float) -> Rig:
    return msgspec.structs.replace(
        RIG,
        absorbers=tuple(
            msgspec.structs.replace(
                one, cell=msgspec.structs.replace(one.cell, filter_delay_s=delay_s)
            )
            for one in RIG.absorbers
        ),
    )


def test_a_step_test_finds_the_delay_that_the_rig_file_has_wrong(tmp_path: Path) -> None:
    path = record_coast(
        tmp_path / "steps.drm", RIG, TEXT, nominal(), 3, 25.0, 12.0,
        lambda s: 8.0 if s % 1.0 > 0.5 else 0.0,
    )  # fmt: skip
    wrong = with_delay(0.010)  # it is 5 ms
    proofs = of_delay(wrong, delays(read_track(Recording(path), wrong), wrong), TODAY, "steps")
    for proof in proofs:
        assert proof.kind == DELAY
        assert proof.passed
        assert any("wrong" in note for note in proof.notes)
        for value in proof.values.values():
            assert value == pytest.approx(0.005, abs=0.001)
    right = of_delay(RIG, delays(read_track(Recording(path), RIG), RIG), TODAY, "steps")
    assert all(abs(one.figures[0].value) < 0.001 and not one.notes for one in right)


def test_zeros_far_from_the_calibrated_ones_fail_and_drifted_ones_are_noted() -> None:
    per_n = 2.0**23 / (4.0 * 1500.0)
    counts = {"front-left": 0.2 * per_n, "front-right": 40.0 * per_n, "rear-left": 900.0 * per_n}
    proofs = {one.subject: one for one in of_zeros(RIG, counts, TODAY, "test")}
    assert proofs["front-left"].passed
    assert not proofs["front-left"].notes
    assert proofs["front-right"].passed
    assert proofs["front-right"].notes
    assert not proofs["rear-left"].passed


def test_what_was_never_proven_or_is_past_its_date_stands_as_such() -> None:
    proofs = of_zeros(RIG, {"front-left": 0.0}, date(2026, 11, 20), "test")
    found = {
        (one.kind, one.subject): one.state
        for one in standing(RIG, Proving("r", tuple(proofs)), TODAY)
    }
    assert found[ZERO, "front-left"] == "overdue"
    assert found[ZERO, "front-right"] == "never"
    assert found[INERTIA, "rear"] == "never"
    on_the_day = standing(RIG, Proving("r", tuple(proofs)), date(2026, 11, 21))
    assert on_the_day[0].state == "passed"


VALUES: dict[str, Value] = {
    "absorbers.rear-left.cell.newton_per_mv_per_v": 1503.25,
    "absorbers.rear-left.cell.zero_count": -412.0,  # not in the file: a line is added
    "absorbers.rear-left.cell.calibrated_on": "2026-11-25",
    "roll_sets.front.loss_n": (60.5, 1.2, 0.0205),
}


def test_values_are_laid_over_a_rig_file_and_nothing_else_changes() -> None:
    new = merged(TEXT, VALUES)
    rig = parse_rig(new)
    assert rig.absorbers[2].cell.newton_per_mv_per_v == 1503.25
    assert rig.absorbers[2].cell.zero_count == -412.0
    assert rig.absorbers[2].cell.calibrated_on == "2026-11-25"
    assert rig.roll_sets[0].loss_n == (60.5, 1.2, 0.0205)
    assert rig.absorbers[:2] == RIG.absorbers[:2]
    assert rig.absorbers[3] == RIG.absorbers[3]
    assert len(new.splitlines()) == len(TEXT.splitlines()) + 1
    assert "# Demo rig" in new
    assert "newton_per_mv_per_v = 1503.25" in rig_lines(VALUES)


@pytest.mark.parametrize(
    "values",
    [
        {"absorbers.nobody.cell.zero_count": 1.0},
        {"limits.max_force_n": 1e9},
        {"absorbers.rear-left.max_current_a": 99.0},
        {"roll_sets.front.base_inertia_kg": -5.0},
        {"roll_sets.front.loss_n": (-500.0, 0.0, 0.0)},
    ],
)
def test_what_is_no_calibration_or_makes_no_rig_is_refused(values: dict[str, Value]) -> None:
    with pytest.raises(RigError):
        merged(TEXT, values)


def test_a_calibration_file_changed_by_hand_is_refused() -> None:
    text = write_calibration(CalibrationFile.of(RIG.name, VALUES))
    assert merged(TEXT, read_calibration(text, "c").values) == merged(TEXT, VALUES)
    with pytest.raises(RigError, match="by hand"):
        read_calibration(text.replace("1503.25", "1403.25"), "c")
    with pytest.raises(RigError):
        read_calibration("nonsense", "c")
