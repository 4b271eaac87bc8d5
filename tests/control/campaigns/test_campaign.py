"""Campaigns: order of set-ups, like conditions, voids run again."""

from __future__ import annotations

from control.campaigns.campaign import Campaign, ConditionBands, Progress
from control.test_kinds.plans import PowerSweep

SWEEP = PowerSweep(from_rpm=1500.0, to_rpm=3000.0, rpm_per_s=150.0)
COLD = {"rotor_k": 300.0, "oil_k": 355.0, "intake_k": 295.0}


def _go(progress: Progress, now_s: float, valid: bool = True) -> str:
    step = progress.next(now_s, COLD)
    if step.do == "change":
        progress.changed(step.setup)
        step = progress.next(now_s, COLD)
    assert step.do == "start", step
    progress.started(COLD)
    progress.ended(f"run-{now_s:.0f}", valid, now_s)
    return step.setup


def test_a_b_a_twice_alternates_and_then_is_done() -> None:
    progress = Progress(Campaign(SWEEP, ("A", "B", "A"), repeats=2))
    assert [_go(progress, 100.0 * i) for i in range(6)] == ["A", "B", "A", "A", "B", "A"]
    assert progress.next(1e4, COLD).do == "done"


def test_another_set_up_is_asked_for_before_its_run() -> None:
    progress = Progress(Campaign(SWEEP, ("A", "B"), repeats=1))
    _go(progress, 0.0)
    assert progress.next(100.0, COLD).do == "change"
    assert progress.next(100.0, COLD).setup == "B"


def test_a_run_waits_until_rotor_oil_and_intake_are_like_the_first() -> None:
    progress = Progress(Campaign(SWEEP, repeats=3, alike=ConditionBands(pause_s=30.0)))
    _go(progress, 0.0)
    early = progress.next(10.0, COLD)
    assert early.do == "wait"
    assert "20 s" in str(early.why[0])
    for key, word in (("rotor_k", "rotor"), ("oil_k", "oil"), ("intake_k", "intake")):
        unlike = progress.next(100.0, COLD | {key: COLD[key] + 60.0})
        assert unlike.do == "wait"
        assert word in str(unlike.why[0])
    silent = progress.next(100.0, {"oil_k": 355.0, "intake_k": 295.0})
    assert silent.do == "wait"
    assert "not measured" in str(silent.why[0])
    assert progress.next(101.0, COLD | {"rotor_k": 318.0}).do == "start"


def test_waiting_ends_after_the_longest_wait() -> None:
    progress = Progress(Campaign(SWEEP, alike=ConditionBands(pause_s=0.0, longest_wait_s=600.0)))
    _go(progress, 0.0)
    hot = COLD | {"rotor_k": 400.0}
    assert progress.next(1.0, hot).do == "wait"
    assert progress.next(600.0, hot).do == "wait"
    given_up = progress.next(602.0, hot)
    assert given_up.do == "done"
    assert "alike" in str(given_up.why[0])


def test_a_void_run_is_run_again_but_not_for_ever() -> None:
    progress = Progress(Campaign(SWEEP, ("A", "B"), repeats=1, most_void=2))
    assert _go(progress, 0.0, valid=False) == "A"
    assert _go(progress, 100.0) == "A"
    assert _go(progress, 200.0, valid=False) == "B"
    assert _go(progress, 300.0, valid=False) == "B"
    end = progress.next(400.0, COLD)
    assert end.do == "done"
    assert len(progress.valid) == 1
    assert "3 runs were void" in str(end.why[0])
