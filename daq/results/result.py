"""The one form of an evaluated run: answer, figures, curves, correction, flags, uncertainty.

Data flow: daq.results.evaluate fills a Result from columns; stores keep it as JSON, reports and
comparisons read it back; those of older versions hold plain English for sentences. Values are SI;
intervals are at `EvaluationSettings.level` and hold the calibration part and the noise part
together. None stands for "not known", never a made-up number.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta

from daq.results.correction import Charging, DieselFuel, Rule
from daq.texts.message import Text

RESULT_SCHEMA = 1
Floats = npt.NDArray[np.float64]
Number = float | None


class EvaluationSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What an evaluation may choose; stored in each result. Changing it never touches raw data."""

    rule: Rule = Rule.NONE
    diesel: bool = True
    boosted: bool = True
    charging: Charging = Charging.TURBO
    fuel: DieselFuel | None = None
    smooth_rpm: Annotated[float, Meta(gt=0, le=1000)] = 60.0  # half-width of the smoothing
    smooth_mps: Annotated[float, Meta(gt=0, le=10)] = 0.6
    step_rpm: Annotated[float, Meta(gt=0, le=1000)] = 50.0  # between points of a curve
    step_mps: Annotated[float, Meta(gt=0, le=10)] = 0.5
    level: Annotated[float, Meta(gt=0.5, lt=1)] = 0.95
    settle_s: Annotated[float, Meta(ge=0, le=600)] | None = None  # None: as the plan says
    engine_speed_sigma: Annotated[float, Meta(ge=0, le=0.1)] = 0.0005  # relative, of the pickup
    smoke_path_m: Annotated[float, Meta(gt=0, le=5)] | None = None  # the meter's optical path
    wanted_path_m: Annotated[float, Meta(gt=0, le=5)] | None = None  # path to state smoke for


class Figure(msgspec.Struct, frozen=True):
    """One number of the answer. `low` to `high` is its interval; None: no interval is stated."""

    name: str
    label: str
    value: Number
    unit: str
    low: Number = None
    high: Number = None


class Flag(msgspec.Struct, frozen=True):
    """Something a reader must know, and where in the run it holds (s from the first frame)."""

    code: str
    text: Text
    from_s: Number = None
    to_s: Number = None
    x: Number = None  # place on the curves' axis, in their unit
    voids: bool = False


class CurveOut(msgspec.Struct, frozen=True):
    """One curve with its band, all of one length; None where the run does not cover a bin."""

    name: str
    label: str
    unit: str
    x_name: str
    x_unit: str
    x: list[float]
    value: list[Number]
    low: list[Number]
    high: list[Number]
    noise_sigma: list[Number]
    calibration_sigma: list[Number]
    smoothing: str
    marks: bool = False  # single points, not to be joined


class PeakOut(msgspec.Struct, frozen=True):
    """Highest point of a curve; `x_low` to `x_high`: where the curve comes within its noise."""

    curve: str
    x: float
    x_unit: str
    value: float
    unit: str
    low: Number
    high: Number
    x_low: float
    x_high: float


class Input(msgspec.Struct, frozen=True):
    name: str
    value: float
    unit: str


class CorrectionOut(msgspec.Struct, frozen=True):
    """The weather correction beside every number of power and torque of this result."""

    rule: str
    title: str
    source: str
    factor: float
    sigma: float
    valid: bool
    reasons: list[Text]
    inputs: list[Input]


class Part(msgspec.Struct, frozen=True):
    """One source of uncertainty and its effect on the main figure, 1 sigma."""

    name: str
    effect: float
    origin: str


class Uncertainty(msgspec.Struct, frozen=True):
    """Why the main figure is that sure. Sigmas in `unit`; `half_width` at `level`."""

    quantity: str
    unit: str
    value: float
    calibration_sigma: float  # repeats from run to run on this rig
    noise_sigma: float  # scatters from run to run
    level: float
    coverage: float
    half_width: float
    parts: list[Part]  # largest first


class Agreement(msgspec.Struct, frozen=True):
    """A number as the running test said it and as the result says it."""

    figure: str
    label: str
    live: float
    value: Number
    unit: str
    slack: float  # beyond the figure's interval, what the quick live figure may be off by
    agrees: bool


class ChannelOut(msgspec.Struct, frozen=True):
    """One of the rig's own channels over the evaluated part, in SI.

    `start` and `end` are means over its first and last second, `slope` is that of the straight
    line that fits it best. None where too little was measured.
    """

    name: str
    meaning: str
    unit: str
    start: Number
    end: Number
    mean: Number
    least: Number
    greatest: Number
    slope_per_s: Number
    curve: CurveOut  # over the whole run


class PhaseOut(msgspec.Struct, frozen=True):
    """A phase that the test went through; s from the first row."""

    name: str
    begin_s: float
    end_s: float
    point: int = 0


class SetPointOut(msgspec.Struct, frozen=True):
    """What was asked for from a moment on, in the SI unit of its quantity."""

    quantity: str
    value: float
    unit: str
    begin_s: float


class Provenance(msgspec.Struct, frozen=True):
    """What made this result."""

    version: str
    settings: EvaluationSettings
    rig_name: str
    rig_fingerprint: str
    rows: int  # of the recording
    every: int  # each n-th row was used for curves and uncertainty


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """An evaluated run. `main` names the figure the answer is about."""

    schema: int = RESULT_SCHEMA
    kind: str
    valid: bool
    void: list[Text]
    asked: Text
    answer: Text
    main: str = ""
    figures: list[Figure] = []
    table: list[dict[str, Any]] = []  # points, intervals or snaps, one row each
    curves: list[CurveOut] = []
    peaks: list[PeakOut] = []
    correction: CorrectionOut | None = None
    flags: list[Flag] = []
    uncertainty: Uncertainty | None = None
    limits: list[Text] = []
    cautions: list[Text] = []
    channels: list[ChannelOut] = []  # the rig's own, in the order of the rig file
    power_over_time: CurveOut | None = None  # to be read beside the channels
    conditions: dict[str, float] = {}  # by name with unit, as gain compares them
    phases: list[PhaseOut] = []
    set_points: list[SetPointOut] = []
    compared: list[Agreement] = []  # with what the running test said
    made: Provenance

    def figure(self, name: str) -> Figure | None:
        """The figure of that name, None when this result has none."""
        return next((one for one in self.figures if one.name == name), None)

    def curve(self, name: str) -> CurveOut | None:
        """The curve of that name, None when this result has none."""
        return next((one for one in self.curves if one.name == name), None)


def known(values: Floats) -> list[Number]:
    """A list with None in place of what is not finite."""
    return [value if math.isfinite(value) else None for value in values.tolist()]


def arrays(values: list[Number]) -> Floats:
    """The way back: NaN in place of None."""
    return np.array([math.nan if value is None else value for value in values])


def number(value: float) -> Number:
    """None in place of what is not finite."""
    return float(value) if math.isfinite(value) else None
