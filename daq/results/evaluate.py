"""Evaluates a run of any test kind: columns, plan and rig in, one Result out.

Data flow: Given -> weather and its correction -> the module of the kind in daq.results.kinds ->
flags, and what the running test said beside it -> Result with what made it. Pure: nothing here
writes, and raw data is never touched, however often a run is evaluated.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from daq.errors import Refused
from daq.results.agreement import compared, differences
from daq.results.channels import channels_of, power_over_time
from daq.results.correction import SPARK_RULES, WHY_NONE, Rule, correction
from daq.results.flags import flags_of
from daq.results.given import Given
from daq.results.kinds.climb import climb
from daq.results.kinds.coast import coast
from daq.results.kinds.found import KindResult
from daq.results.kinds.hold import hold
from daq.results.kinds.snap import snap
from daq.results.kinds.spool import spool
from daq.results.kinds.stepped import stepped
from daq.results.kinds.sweep import sweep
from daq.results.kinds.trace import trace
from daq.results.result import (
    CorrectionOut,
    Flag,
    Input,
    PhaseOut,
    Provenance,
    Result,
    SetPointOut,
)
from daq.results.series.aligned import STATED
from daq.results.words import answer_of, asked_of
from daq.rig.weather import Weather
from daq.texts.message import Text, say

Kind = Callable[[Given, CorrectionOut], KindResult]
KINDS: dict[str, Kind] = {
    "steady-hold": hold,
    "stepped-map": stepped,
    "power-sweep": sweep,
    "spool-up": spool,
    "grade-climb": climb,
    "speed-trace": trace,
    "coastdown": coast,
    "snap-smoke": snap,
}
METHOD_LIMITS = (
    STATED,
    say("power-at-wheels-torque-wheel-power"),
    say("intervals-hold-what-rig-calibration-leaves"),
)
COUNTED_BACK = say("recording-holds-no-phases-was-made")
CAUTIONS = (
    say("figures-for-comparing-truck-with-itself"),
    say("load-on-rolls-can-break-straps"),
)


def _without_answer(given: Given, error: Refused) -> KindResult:
    """Why there is none: what cut the test off, where something did, else what is missing."""
    course = given.course
    told = say("no-answer-because", problem=error.problem, remedy=error.remedy)
    flags = [Flag(error.code, error.problem, voids=True)]
    if course.cut_off:
        seconds = course.number("elapsed_s")
        told = say("no-answer-cut-off", seconds=seconds, cause=course.end)
        flags = [Flag("cut-off", say("test-ended-early", cause=course.end), voids=True)]
    return KindResult(told, np.ones(given.time_s.shape, dtype=bool), flags=flags)


def evaluate(given: Given, version: str) -> Result:
    """Evaluate one run. Raises Refused when its kind is not known; a run that cannot be evaluated
    gives a Result that is not valid and says why."""
    kind = str(given.plan.get("kind", ""))
    work = KINDS.get(kind)
    if kind == "identification":
        raise Refused(
            say("identification-has-no-evaluation-its-own"),
            say("what-found-stands-with-absorbers-drumlin"),
            "kind",
        )
    if work is None:
        raise Refused(
            say("there-no-evaluation-test-kind", kind=kind),
            say("kinds-are", kinds=KINDS),
            "kind",
        )
    corrected = correction_of(given)
    try:
        found = work(given, corrected)
    except Refused as error:
        found = _without_answer(given, error)
    flags = found.flags + flags_of(
        given,
        found.rows,
        gear_locked=found.gear_locked,
        in_gear=found.in_gear,
        loaded=found.loaded,
    )
    course = given.course
    if course.counted_back:
        flags.append(Flag("counted-back", COUNTED_BACK))
    both = compared(kind, course, found.figures, found.table, given.step_s)
    flags += differences(both)
    if corrected.rule != Rule.NONE and not corrected.valid:
        flags.append(
            Flag(
                "correction",
                say(
                    "correction-not-quoted",
                    reasons=corrected.reasons or [say("outside-its-rule")],
                ),
            )
        )
    void = list(dict.fromkeys(flag.text for flag in flags if flag.voids))
    figures = found.figures
    channels = channels_of(given, found.rows)
    return Result(
        kind=kind,
        valid=not void,
        void=void,
        asked=asked_of(given.plan),
        answer=found.answer
        or answer_of(kind, figures, found.main, given.settings.level, corrected),
        main=found.main,
        figures=figures,
        table=found.table,
        curves=found.curves,
        peaks=found.peaks,
        correction=corrected,
        flags=flags,
        uncertainty=found.uncertainty,
        limits=[*found.limits, *METHOD_LIMITS],
        cautions=list(CAUTIONS),
        channels=channels,
        power_over_time=power_over_time(given) if channels else None,
        conditions=conditions_of(given, found),
        phases=[PhaseOut(p.name, p.begin_s, p.end_s, p.point) for p in course.phases],
        set_points=[SetPointOut(p.quantity, p.value, p.unit, p.begin_s) for p in course.set_points],
        compared=both,
        made=Provenance(
            version,
            given.settings,
            given.rig.name,
            given.rig.fingerprint,
            given.rows,
            given.every,
        ),
    )


SPARK_ON_DIESEL = say("rule-for-spark-ignition-engines-settings")
LEAST_WEATHER = 0.5  # of the run: a channel fresh for less does not speak for it
FULL_WEATHER = 0.95
WEATHER_MOVED = (5.0, 500.0, 0.15)  # K, Pa, 1: more within a run is worth a flag (no source)


def weather_in(given: Given) -> tuple[Weather | None, list[Text]]:
    """Mean weather over the run with what is to be said of it; None when a channel fails it."""
    means: list[float] = []
    words: list[Text] = []
    for meaning, most in zip(
        ("ambient-temperature", "pressure", "humidity"), WEATHER_MOVED, strict=True
    ):
        values = given.meaning(meaning)
        fresh = 0.0 if values is None else float(np.mean(np.isfinite(values)))
        if values is None or fresh < LEAST_WEATHER:
            if fresh > 0.0:
                words.append(say("was-fresh-for-only-run", name=meaning, fresh=fresh))
            return None, words
        if fresh < FULL_WEATHER:
            words.append(say("was-missing-for-run", name=meaning, missing=1.0 - fresh))
        if float(np.nanmax(values) - np.nanmin(values)) > most:
            words.append(say("moved-during-run-its-mean-was", name=meaning))
        means.append(float(np.nanmean(values)))
    return Weather(means[0], means[1], means[2]), words


def correction_of(given: Given) -> CorrectionOut:
    """The correction asked for, beside its inputs. None is the default for boosted diesels.

    Without weather nothing is corrected, and the reason says so.
    """
    settings = given.settings
    weather, said = weather_in(given)
    rule = settings.rule
    if weather is None:
        why = (
            WHY_NONE
            if rule is Rule.NONE
            else say("not-corrected-temperature-pressure-humidity-were")
        )
        return CorrectionOut("none", "no correction", "", 1.0, 0.0, True, [why, *said], [])
    try:
        made = correction(
            rule,
            weather,
            charging=settings.charging,
            fuel=settings.fuel,
            boosted_diesel=settings.diesel and settings.boosted,
        )
    except Refused as error:
        return CorrectionOut(
            "none", "no correction", "", 1.0, 0.0, False,
            [say("not-corrected-because", problem=error.problem, remedy=error.remedy)], [],
        )  # fmt: skip
    wrong = settings.diesel and rule in SPARK_RULES
    if wrong:
        said.insert(0, SPARK_ON_DIESEL)
    return CorrectionOut(
        made.rule.value,
        made.title,
        made.source,
        made.factor,
        made.sigma,
        made.valid and not wrong,
        [*made.flags, *said],
        [Input(one.name, one.value, one.unit) for one in made.inputs],
    )


def conditions_of(given: Given, found: KindResult) -> dict[str, float]:
    """Conditions as daq.results.gain compares them, SI, means over the evaluated part."""
    rows = found.rows
    said: dict[str, float] = {}
    for name, meaning in (
        ("ambient_k", "ambient-temperature"),
        ("pressure_pa", "pressure"),
        ("humidity", "humidity"),
        ("oil_k", "oil-temperature"),
        ("intake_k", "intake-temperature"),
    ):
        values = given.meaning(meaning)
        if values is not None and np.isfinite(values[rows]).any():
            said[name] = float(np.nanmean(values[rows]))
    rotors = [kelvin[rows] for _, _, kelvin in given.rotors() if np.isfinite(kelvin[rows]).any()]
    if rotors:
        said["rotor_k"] = max(float(np.nanmax(kelvin)) for kelvin in rotors)
    engine, speed = given.of("engine_speed_radps")[rows], given.of("speed_mps")[rows]
    turning = (engine > 1.0) & (speed > 1.0)
    if found.gear_locked and turning.sum() > 10:
        said["ratio_per_m"] = float(np.median(engine[turning] / speed[turning]))
    return said
