"""What a report says of itself: its headings and standing sentences, by their codes."""

from __future__ import annotations

from daq.texts.message import Message, say

UNNAMED = say("report-vehicle-not-named")
UNQUOTED = say("report-void-answer")  # before the answer of a void run
VOID = say("report-run-is-void")
FIGURES = say("report-figures")
CONDITIONS = say("report-conditions")
CHANNELS = say("report-channels")
FLAGS = say("report-flags")
NO_FLAGS = say("report-no-flags")
CORRECTION = say("report-weather-correction")
UNCORRECTED = say("report-no-weather-correction")
SURE = say("report-how-sure")
LIMITS = say("report-limits-of-method")
CAUTIONS = say("report-cautions")
NOTES = say("report-notes")
PLACE_AND_DATE = say("report-place-date")
NAME_AND_SIGNATURE = say("report-name-signature")
NOTHING_TO_DRAW = say("report-nothing-to-draw")
OBSERVED = say("report-observed")
CORRECTED = say("report-corrected")

POINTS = say("report-points")
TABLES = {"coastdown": say("report-intervals"), "snap-smoke": say("report-snaps")}

# of a result's table: heading and unit; "x": that of the row, "yes": a mark
COLUMNS: dict[str, tuple[Message, str]] = {
    "point": (say("column-point"), ""),
    "set": (say("column-asked"), "x"),
    "x": (say("column-at"), "x"),
    "power_w": (say("column-power"), "W"),
    "low_w": (say("column-from"), "W"),
    "high_w": (say("column-to"), "W"),
    "corrected_w": (say("column-corrected"), "W"),
    "torque_nm": (say("column-torque"), "N.m"),
    "from_mps": (say("column-from"), "m/s"),
    "to_mps": (say("column-to"), "m/s"),
    "seconds": (say("column-time"), "s"),
    "force_n": (say("column-force"), "N"),
    "measured_tractive_n": (say("column-at-wheels"), "N"),
    "snap": (say("column-snap"), ""),
    "peak_percent": (say("column-peak"), "%"),
    "absorption_per_m": (say("column-absorption"), ""),
    "used": (say("column-counts"), "yes"),
}
YES = say("column-yes")

CHANNEL_COLUMNS = (
    say("column-channel"),
    say("column-start"),
    say("column-end"),
    say("column-mean"),
    say("column-least"),
    say("column-greatest"),
    say("column-slope"),
)

# of a comparison
BEFORE_AND_AFTER = say("report-before-and-after")
PLACE_BY_PLACE = say("report-place-by-place")
CHANGE = say("report-change")
CHANGE_CURVE = say("report-change-curve")
VERDICT = say("report-verdict")
VALID_RUNS = say("report-valid-runs")
MORE_REPEATS = say("report-more-repeats")
AT = say("column-at")
AS_OBSERVED = say("report-compared-as-observed")
BAND_TOGETHER = say("report-band-together")
GAIN_LIMITS = (
    say("report-tells-something-changed"),
    say("report-calibration-cancels"),
    say("report-day-to-day"),
)
VERDICTS = {
    "gained": say("report-gained"),
    "lost": say("report-lost"),
    "not proven": say("report-not-proven"),
}
