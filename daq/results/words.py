"""A run in plain sentences: what was asked and what came out, with the interval.

Data flow: plan and figures -> two sentences for the report, the page and the command line. They
hold SI values; units and language are those of who reads them (daq.texts.message).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from daq.results.result import CorrectionOut, Figure
from daq.texts.message import Text, amount, say


def half_width(one: Figure) -> float | None:
    """Half of a figure's interval."""
    return None if one.low is None or one.high is None else (one.high - one.low) / 2.0


def interval(one: Figure) -> Text:
    """A figure with its interval, as ± where it lies evenly."""
    return amount(one.value, one.unit, half_width(one))


def asked_of(plan: Mapping[str, Any]) -> Text:
    """What a plan asks for, in one sentence."""
    kind = str(plan.get("kind", ""))
    get = plan.get
    if kind == "steady-hold":
        return say("asked-hold", aim=_aim(plan), time=_time(float(get("seconds", 0.0))))
    if kind == "stepped-map" and get("points_rpm"):
        return say("asked-map-by-engine", points=get("points_rpm"))
    if kind == "stepped-map":
        return say("asked-map", points_mps=get("points_mps") or ())
    if kind == "power-sweep" and get("from_rpm") is not None:
        return say(
            "asked-sweep-by-engine",
            first=get("from_rpm"),
            last=get("to_rpm"),
            rate=get("rpm_per_s"),
        )
    if kind == "power-sweep":
        return say(
            "asked-sweep",
            first_mps=float(get("from_mps", 0)),
            last_mps=float(get("to_mps", 0)),
            each_second_mps=float(get("mps_per_s", 0)),
        )
    if kind == "spool-up":
        held, time = get("after", "speed"), _time(float(get("seconds", 6.0)))
        return say("asked-spool-up", aim=_aim(plan), held=held, time=time)
    if kind == "grade-climb":
        grade = (get("grade") or {}).get("percent")
        target_mps = float(get("target_mps", 0))
        if grade is None:
            return say("asked-route", target_mps=target_mps)
        return say("asked-climb", grade=grade, target_mps=target_mps)
    if kind == "speed-trace":
        path = get("points") or ((0.0, 0.0),)
        time = _time(float(path[-1][0]) - float(path[0][0]))
        name = str(get("file", ""))
        return say("asked-trace", file=name, time=time) if name else say("asked-a-trace", time=time)
    if kind == "coastdown":
        speeds = {"first_mps": float(get("from_mps", 0)), "last_mps": float(get("to_mps", 0))}
        if get("force_n"):
            return say("asked-coast-against", **speeds, force_n=float(get("force_n", 0.0)))
        if get("vehicle"):
            return say("asked-coast-on-road", **speeds)
        return say("asked-coast", **speeds)
    return say("asked-snaps") if kind == "snap-smoke" else say("asked-nothing")


def answer_of(
    kind: str,
    figures: Sequence[Figure],
    main: str,
    level: float,
    correction: CorrectionOut | None = None,
) -> Text:
    """The answer in one sentence with its interval at `level`."""
    of = {one.name: one for one in figures}
    base = main.removesuffix("_corrected")
    if kind in ("power-sweep", "stepped-map") and base in of:
        torque = base.replace("power", "torque")
        return say(
            "answer-highest-power",
            power=interval(of[base]),
            level=level,
            place=_place(of.get(f"{base}_at")),
            torque=say("answer-highest-torque", torque=interval(of[torque]),
                       place=_place(of[f"{torque}_at"]))
            if torque in of and f"{torque}_at" in of else "",
            corrected=_corrected(of, base, correction),
        )  # fmt: skip
    if kind == "steady-hold" and base in of:
        settled = of.get("settled")
        return say(
            "answer-mean-power",
            power=interval(of[base]),
            level=level,
            place=_place(of.get("mean_held")),
            time=say("over-time", time=_time(settled.value or 0.0)) if settled else "",
            corrected=_corrected(of, base, correction),
            aimed=_aimed(of),
        )
    if kind == "spool-up" and main in of:
        early = of.get(main.replace("t90", "t10"))
        rise = (of[main].value or 0.0) - ((early.value or 0.0) if early else 0.0)
        return say("answer-spool-up", time=interval(of[main]), level=level, rise=rise)
    if kind == "grade-climb" and main in of:
        share, power = of[main].value or 0.0, interval(of["mean_power"])
        if share > 0.995:
            time = _time(of["climbed"].value or 0.0)
            return say("answer-kept-up", time=time, power=power, level=level)
        time = _time(of["kept_for"].value or 0.0)
        return say("answer-fell-behind", time=time, share=share, power=power, level=level)
    if kind == "speed-trace" and main in of:
        count = int(of["excursions"].value or 0)
        if count == 0:
            return say("answer-inside-band")
        longest = amount(of[main].value, "s")
        if count == 1:
            return say("answer-one-excursion", longest=longest)
        return say("answer-excursions", count=count, longest=longest)
    if kind == "coastdown" and main in of:
        force = interval(of["mean_force"])
        return say("answer-coast", time=amount(of[main].value, "s"), force=force, level=level)
    if kind == "snap-smoke" and main in of:
        smoke, spread = of[main].value, of["spread"].value
        if smoke is None:
            return say("answer-no-snaps")
        return say("answer-smoke", smoke=amount(smoke, "%"), spread=amount(spread, "%"))
    return say("answer-none")


def _place(one: Figure | None) -> Text:
    return say("at-place", place=amount(one.value, one.unit)) if one is not None else ""


def _aimed(of: Mapping[str, Figure]) -> Text:
    """Whether what the driver was to give was met; it is by its interval or it is not."""
    over = of.get("over_target")
    if over is None or over.low is None or over.high is None:
        return ""
    met = "met" if over.low >= 0.0 else "not met" if over.high < 0.0 else "met within its interval"
    return say("aim-was", target=amount(of["target_power"].value, "W"), met=met)


def _corrected(of: Mapping[str, Figure], base: str, correction: CorrectionOut | None) -> Text:
    """The corrected number beside the observed one, named by its rule and factor."""
    one = of.get(f"{base}_corrected")
    if one is None or correction is None:
        return ""
    return say("and-corrected", power=interval(one), rule=correction.rule, factor=correction.factor)


def _aim(plan: Mapping[str, Any]) -> Text:
    if plan.get("rpm") is not None:
        return say("aim-rpm", rpm=plan["rpm"])
    if plan.get("speed_mps") is not None:
        return say("asked-speed", speed_mps=plan["speed_mps"])
    if plan.get("force_n") is not None:
        return say("asked-force", force_n=plan["force_n"])
    if plan.get("power_w") is not None:
        return say("asked-power", power_w=plan["power_w"])
    return say("asked-nothing-in-particular")


def _time(seconds: float) -> Text:
    if seconds < 90.0:
        return say("time-seconds", seconds=seconds)
    return say("time-minutes", minutes=round(seconds / 60.0, 1))
