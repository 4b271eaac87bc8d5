"""The questions to any front end: the simulator's answers them all, broken ones are found out."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.errors import DrumlinError
from daq.front_end.conformance import check_port, run_questions
from daq.wire.deframer import Deframer
from daq.wire.frames import SetPoint
from simulator.plant import Plant
from simulator.rig_and_truck.setup import nominal


class SimulatedLine:
    """A line to the simulator's front end, in virtual time."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def send(self, data: bytes) -> None:
        self.plant.receive(data)

    def receive(self, seconds: float) -> bytes:
        data = b""
        for _ in range(max(1, round(seconds * 500))):
            data += self.plant.advance()
        return data


def test_the_simulators_front_end_answers_every_question_as_the_page_says() -> None:
    findings = run_questions(SimulatedLine(Plant(nominal(), seed=1)), session=7)
    assert len(findings) > 25
    assert [each for each in findings if not each.passed] == []


class Believing(SimulatedLine):
    """A front end that makes every set point newer than the one before, so repeats count."""

    def send(self, data: bytes) -> None:
        frames = Deframer().feed(data)
        if len(frames) == 1 and isinstance(frames[0], SetPoint):
            self.plant.front_end._heard = False
        super().send(data)


def test_a_front_end_that_takes_repeats_is_found_out() -> None:
    findings = run_questions(Believing(Plant(nominal(), seed=1)), session=7)
    wrong = [each.question for each in findings if not each.passed]
    assert "refuses a repeated sequence with detail 2" in wrong
    assert "a repeated set point adds no time" in wrong


class Silent(SimulatedLine):
    def receive(self, seconds: float) -> bytes:
        return b""


def test_a_front_end_that_says_nothing_is_asked_nothing_more() -> None:
    (finding,) = run_questions(Silent(Plant(nominal(), seed=1)), session=7)
    assert not finding.passed


def test_a_port_that_is_not_there_is_refused_with_the_next_step(tmp_path: Path) -> None:
    with pytest.raises(DrumlinError) as refused:
        check_port(str(tmp_path / "none"), 2_000_000)
    assert refused.value.remedy
