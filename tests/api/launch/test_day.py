"""A little of bench.day: several tests of one service life, with its rules looked at."""

from __future__ import annotations

from pathlib import Path

from bench.day.day import Day
from bench.day.plan import TESTS


def test_a_hold_a_trip_and_the_way_back_break_no_rule_of_the_day(tmp_path: Path) -> None:
    day = Day(2, tmp_path, {})
    day.begin()
    (asked,) = [one for one in TESTS if one.name == "hold speed"]
    day.test(asked, "none")
    day.rig.break_it({"target": "input", "kind": "open", "channel": "stop-chain"}, 0.2)
    day.rig.advance_for(2.0)
    assert day.get_ready()
    assert day.rig.broken == []
    assert [row["valid"] for row in day.rows] == [True]
    assert day.rows[0]["low"] < day.rows[0]["value"] < day.rows[0]["high"]
