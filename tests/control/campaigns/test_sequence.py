"""A campaign at the rig: nothing starts unasked, like conditions are waited for, restarts pause."""

from __future__ import annotations

import msgspec
import pytest

from control.campaigns.campaign import Campaign, ConditionBands
from control.campaigns.sequence import CampaignMemory, Sequence, Stage
from control.test_kinds.plans import PowerSweep
from daq.errors import Refused

SWEEP = PowerSweep(from_rpm=1500.0, to_rpm=3000.0, rpm_per_s=150.0)
COLD = {"rotor_k": 300.0, "oil_k": 355.0, "intake_k": 295.0}
A_B_A = Campaign(SWEEP, ("A", "B", "A"), repeats=1, alike=ConditionBands(pause_s=30.0))


def _run(sequence: Sequence, now_s: float, valid: bool = True, why: str = "") -> None:
    where = sequence.look(now_s, COLD)
    sequence.begin(f"run-{now_s:.0f}", where.number, where, COLD)
    assert sequence.look(now_s, COLD).stage is Stage.RUNNING
    sequence.judge(valid, why, now_s)


def test_each_run_of_an_a_b_a_is_asked_for_and_each_change_told() -> None:
    sequence = Sequence(A_B_A, 0.0)
    for now_s, setup in ((0.0, "A"), (100.0, "B"), (200.0, "A")):
        where = sequence.look(now_s, COLD)
        if now_s:
            assert where.stage is Stage.CHANGE
            sequence.tell_fitted(setup, where)
            where = sequence.look(now_s, COLD)
        assert (where.stage, where.setup) == (Stage.ASK, setup)
        _run(sequence, now_s)
    assert sequence.look(300.0, COLD).stage is Stage.DONE
    assert sequence.complete
    assert [(ran.setup, ran.valid) for ran in sequence.runs] == [
        ("A", True),
        ("B", True),
        ("A", True),
    ]


def test_however_long_one_looks_nothing_begins_by_itself() -> None:
    sequence = Sequence(A_B_A, 0.0)
    for now_s in range(0, 20_000, 100):
        assert sequence.look(float(now_s), COLD).stage is Stage.ASK
    assert not sequence.running


def test_a_run_is_refused_while_conditions_are_unlike_or_the_number_is_not_the_next() -> None:
    sequence = Sequence(Campaign(SWEEP, repeats=3), 0.0)
    where = sequence.look(0.0, COLD)
    with pytest.raises(Refused, match="Run 1 comes next"):
        sequence.begin("x", 2, where, COLD)
    _run(sequence, 0.0)
    early = sequence.look(10.0, COLD)
    assert early.stage is Stage.WAITING
    hot = sequence.look(100.0, COLD | {"rotor_k": 400.0})
    assert hot.stage is Stage.WAITING
    with pytest.raises(Refused, match="rotor"):
        sequence.begin("x", 2, hot, COLD)


def test_a_second_start_is_refused_while_a_run_is_on() -> None:
    sequence = Sequence(A_B_A, 0.0)
    where = sequence.look(0.0, COLD)
    sequence.begin("one", 1, where, COLD)
    with pytest.raises(Refused, match="running"):
        sequence.begin("two", 1, sequence.look(0.1, COLD), COLD)
    assert sequence.running == "one"


def test_the_wrong_set_up_or_one_told_too_early_is_refused() -> None:
    sequence = Sequence(A_B_A, 0.0)
    with pytest.raises(Refused, match="No other set-up"):
        sequence.tell_fitted("B", sequence.look(0.0, COLD))
    _run(sequence, 0.0)
    with pytest.raises(Refused, match="Set-up B is to be fitted"):
        sequence.tell_fitted("A", sequence.look(100.0, COLD))


def test_a_void_run_is_asked_for_again_with_its_reason_kept() -> None:
    sequence = Sequence(A_B_A, 0.0)
    _run(sequence, 0.0, valid=False, why="The driver lifted.")
    again = sequence.look(60.0, COLD)
    assert (again.stage, again.number, again.setup) == (Stage.ASK, 1, "A")
    assert sequence.runs[0].why == "The driver lifted."


def test_a_refused_start_leaves_everything_as_it_was() -> None:
    sequence = Sequence(A_B_A, 0.0)
    before = sequence.kept()
    sequence.begin("one", 1, sequence.look(0.0, COLD), COLD)
    sequence.not_begun()
    assert sequence.kept() == before


def test_it_comes_up_paused_after_a_restart_and_goes_on_where_it_was() -> None:
    first = Sequence(A_B_A, 0.0)
    _run(first, 0.0)
    first.tell_fitted("B", first.look(100.0, COLD))
    kept = msgspec.json.decode(msgspec.json.encode(first.kept()), type=CampaignMemory)
    second = Sequence(A_B_A, 5000.0, kept)
    assert second.look(6000.0, COLD).stage is Stage.PAUSED
    second.resume()
    where = second.look(6000.0, COLD)
    assert (where.stage, where.setup, where.number) == (Stage.ASK, "B", 2)
    unlike = second.look(6000.0, COLD | {"oil_k": 380.0})
    assert unlike.stage is Stage.WAITING  # measured against the first run before the restart


def test_after_a_restart_the_pause_between_runs_counts_anew() -> None:
    first = Sequence(Campaign(SWEEP, repeats=2, alike=ConditionBands(pause_s=30.0)), 0.0)
    _run(first, 0.0)
    second = Sequence(first.campaign, 1000.0, first.kept())
    second.resume()
    assert second.look(1010.0, COLD).stage is Stage.WAITING
    assert second.look(1031.0, COLD).stage is Stage.ASK


def test_a_run_that_was_on_at_the_restart_is_judged_afterwards() -> None:
    first = Sequence(A_B_A, 0.0)
    first.begin("one", 1, first.look(0.0, COLD), COLD)
    second = Sequence(A_B_A, 0.0, first.kept())
    assert second.look(1.0, COLD).stage is Stage.RUNNING
    second.judge(True, "", 50.0)
    assert second.look(51.0, COLD).stage is Stage.PAUSED
    assert second.progress.first == COLD


def test_another_test_on_the_rig_is_waited_out_and_the_pause_counts_from_its_end() -> None:
    sequence = Sequence(Campaign(SWEEP, repeats=2, alike=ConditionBands(pause_s=30.0)), 0.0)
    _run(sequence, 0.0)
    busy = sequence.look(100.0, COLD, under_load="somebody-elses")
    assert busy.stage is Stage.WAITING
    assert "Another test" in str(busy.why[0])
    assert sequence.look(110.0, COLD).stage is Stage.WAITING
    assert sequence.look(131.0, COLD).stage is Stage.ASK


def test_time_spent_paused_is_no_part_of_the_longest_wait() -> None:
    alike = ConditionBands(pause_s=0.0, longest_wait_s=600.0)
    sequence = Sequence(Campaign(SWEEP, repeats=2, alike=alike), 0.0)
    _run(sequence, 0.0)
    hot = COLD | {"rotor_k": 400.0}
    assert sequence.look(10.0, hot).stage is Stage.WAITING
    sequence.pause()
    assert sequence.look(5000.0, hot).stage is Stage.PAUSED
    sequence.resume()
    assert sequence.look(5001.0, hot).stage is Stage.WAITING
    assert sequence.look(5602.0, hot).stage is Stage.DONE
    assert sequence.look(5603.0, COLD).stage is Stage.DONE  # an end stays an end
    assert not sequence.complete


def test_stopped_is_stopped() -> None:
    sequence = Sequence(A_B_A, 0.0)
    sequence.begin("one", 1, sequence.look(0.0, COLD), COLD)
    sequence.stop("Stopped by Ann.")
    assert sequence.look(1.0, COLD).stage is Stage.DONE
    assert sequence.runs[0].valid is False
    for word in (sequence.pause, sequence.resume, lambda: sequence.stop("again")):
        with pytest.raises(Refused, match="ended"):
            word()
    assert Sequence(A_B_A, 0.0, sequence.kept()).look(2.0, COLD).stage is Stage.DONE
