"""Charts of reports: what they shade, where their axes begin, and that they read without colour."""

from __future__ import annotations

import colorsys

import pytest

from api.report import drawing
from api.report.chart import Panel, draw, panels_of
from api.report.drawing import Area, Dot, Polyline, Text
from daq.quantities import UnitSystem
from daq.results.result import CurveOut, EvaluationSettings, Figure, Flag, Provenance, Result
from daq.texts.reader import USUAL, Reader

MADE = Provenance("1", EvaluationSettings(), "rig", "f", 100, 1)


def curve(name: str, value: list[float], unit: str = "W", **over: object) -> CurveOut:
    none: list[float | None] = [None] * len(value)
    given: dict[str, object] = {"label": name, "x_name": "time", "x_unit": "s",
                                "x": [float(at) for at in range(len(value))], "low": none,
                                "high": none, "noise_sigma": none, "calibration_sigma": none,
                                "smoothing": ""}  # fmt: skip
    return CurveOut(name=name, unit=unit, value=list(value), **{**given, **over})  # type: ignore[arg-type]


def result(kind: str, *curves: CurveOut, **over: object) -> Result:
    given = {"kind": kind, "valid": True, "void": [], "asked": "", "answer": "", "made": MADE}
    return Result(curves=list(curves), **{**given, **over})  # type: ignore[arg-type]


def texts(panel: Panel, reader: Reader = USUAL) -> list[str]:
    return [
        one.text for one in draw(panel, 500, 200, reader=reader).shapes if isinstance(one, Text)
    ]


def test_a_trace_is_shaded_where_the_driver_was_outside_and_nowhere_else() -> None:
    """The flag tells the time since the recording began; the chart begins with the trace."""
    asked = curve("asked", [10.0] * 9, "m/s", low=[9.0] * 9, high=[11.0] * 9)
    driven = curve("driven", [10.0, 10.0, 12.0, 12.0, 10.0, 10.0, 10.0, 8.0, 8.0], "m/s")
    late = Flag("excursion", "Outside.", 40.0, 42.0)
    (panel,) = panels_of(result("speed-trace", asked, driven, flags=[late]))
    assert [(flag.from_s, flag.to_s) for flag in panel.flags] == [(2.0, 4.0), (7.0, 8.0)]


def test_a_hold_is_drawn_where_it_was_evaluated_with_the_answer_first() -> None:
    speed = curve("held", [100.0, 180.0, *[199.0] * 8], "rad/s")
    power = curve("power", [9e4, 1.8e5, *[2.0e5] * 8])
    settled = Figure("settled", "Settled", 6.0, "s")
    first, second = panels_of(result("steady-hold", speed, power, figures=[settled]))
    assert (first.curves[0].name, second.curves[0].name) == ("power", "held")
    assert first.curves[0].x == [3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0]
    ticks = [float(one) for one in texts(first) if one.replace(".", "").isdigit()]
    assert min(tick for tick in ticks if tick > 50) >= 190.0  # within a few per cent


def test_smoke_is_drawn_in_per_cent() -> None:
    told = texts(Panel((curve("smoke", [0.0, 0.18], "1", label="smoke opacity"),)))
    assert "Smoke opacity, %" in told
    assert "20" in told


def test_axes_read_in_the_units_of_the_reader() -> None:
    panel = Panel((curve("power", [0.0, 223_710.0], label="wheel power"),))
    assert {"Wheel power, hp", "300"} <= set(texts(panel, Reader(UnitSystem.US)))
    assert "Wheel power, kW" in texts(panel)


def test_one_point_alone_has_an_axis() -> None:
    one = curve("power", [1e5], x=[200.0], x_name="engine speed", x_unit="rad/s", marks=True)
    assert len([text for text in texts(Panel((one,))) if text.replace(",", "").isdigit()]) > 6


def test_before_and_after_differ_without_colour() -> None:
    """Lines by dashes, points by being hollow."""
    pair = (curve("a", [1.0, 2.0]), curve("b", [2.0, 3.0]))
    lines = [one for one in draw(Panel(pair, names=("after", "before")), 500, 200).shapes
             if isinstance(one, Polyline)]  # fmt: skip
    assert sum(line.dash is not None for line in lines) == 2  # the curve and its sample
    marks = (curve("a", [1.0], marks=True), curve("b", [2.0], marks=True))
    dots = [one for one in draw(Panel(marks), 500, 200).shapes if isinstance(one, Dot)]
    assert sum(dot.fill == drawing.PAPER for dot in dots) == 2


@pytest.mark.parametrize("name", ["INK", "SOFT", "ACCENT"])
def test_what_carries_meaning_is_dark_on_paper_in_grey(name: str) -> None:
    """Contrast of at least 4.5 to 1 (WCAG 2.1, 1.4.3), of the grey that a printer makes."""
    text = getattr(drawing, name)
    parts = [int(text[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    grey, _, _ = colorsys.rgb_to_yiq(*parts)
    light = ((grey + 0.055) / 1.055) ** 2.4
    assert 1.05 / (light + 0.05) > 4.5


def test_a_flag_is_an_area_under_the_curve() -> None:
    flagged = Panel((curve("power", [1.0, 2.0, 3.0]),), flags=(Flag("x", "", 0.5, 1.5),))
    shapes = draw(flagged, 500, 200).shapes
    assert isinstance(shapes[0], Area)
    assert shapes[0].fill == drawing.SHADE
