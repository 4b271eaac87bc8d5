"""A rehearsal's figures as a person reads them, metric or US customary."""

from __future__ import annotations

import json
import math
from typing import Any

from typer.testing import CliRunner

from api.cli.main import app
from api.cli.shared import for_reader
from api.rehearsal.words import as_json, lines
from daq.errors import Refused
from daq.quantities import UnitSystem
from daq.texts.message import say

RESULT: dict[str, Any] = {
    "kind": "steady-hold",
    "mean_power_kw": 150.0,
    "true_mean_power_w": 74_570.0,
    "true_hottest_rotor_c": 100.0,
    "true_speed_mps": 20.0,
    "settled_s": 12.0,
    "worst_rpm_error": math.nan,
    "faults": [],
    "heat": {
        "text": "fine",
        "rotors": [{"name": "front-left", "start_k": 300.0, "margin_k": 50.0}],
    },
}


def figures(units: UnitSystem) -> dict[str, str]:
    pairs = (line.strip().split(None, 1) for line in lines(RESULT, units))
    return {pair[0]: pair[1] for pair in pairs if len(pair) > 1}


def test_figures_carry_the_units_of_the_reader() -> None:
    metric, us = figures(UnitSystem.METRIC), figures(UnitSystem.US)
    assert metric["mean_power"] == "150.0 kW"
    assert us["mean_power"] == "201.2 hp"
    assert us["true_mean_power"] == "100.0 hp"
    assert (metric["true_hottest_rotor"], us["true_hottest_rotor"]) == ("100.0 °C", "212.0 °F")
    assert (metric["true_speed"], us["true_speed"]) == ("72.0 km/h", "44.7 mph")
    # a difference of temperature has no offset
    assert (metric["margin"], us["margin"]) == ("50.0 °C", "90.0 °F")
    assert us["start"] == "80.3 °F"
    assert us["settled_s"] == metric["settled_s"] == "12"
    assert metric["worst_rpm_error"] == "—"
    assert metric["faults"] == "none"


def test_sentences_carry_the_units_of_the_reader_too() -> None:
    why = say("is-at-first-run-began-at", what="oil", now_k=353.15, first_k=313.15, band_k=30.0)
    told = {"why": [why], "text": say("tyres-pull-with-and-creep-on", tractive_n=444.8222)}
    first, text = lines(told, UnitSystem.US)
    assert "176 °F; the first run began at 104 °F (within 54 °F)" in first
    assert "100 lbf" in text
    assert "80 °C" in lines(told)[0]


def test_a_refusal_is_told_in_the_units_that_were_asked_for() -> None:
    for units, power in (("us", "1,207 hp"), ("metric", "900 kW")):
        asked = ["rehearse", "steady-hold", "--power", "900kW", "--units", units]
        refused = CliRunner().invoke(app, asked).exception
        assert isinstance(refused, Refused)
        assert power in for_reader(refused.problem)


def test_the_object_keeps_its_numbers_and_has_null_for_what_is_not_known() -> None:
    told = json.loads(as_json(RESULT))
    assert told["mean_power_kw"] == 150.0
    assert told["worst_rpm_error"] is None
