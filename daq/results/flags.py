"""What a reader must know of a run, and where in it: slip, limits, heat, sensors, faults, gaps.

Data flow: Given (columns and recorded events) -> flags with their stretch of time. Flags never
change a number; those that void a run say so.
"""

from __future__ import annotations

import numpy as np

from daq.measure import slip
from daq.results.given import Given, Mask, moving_mean, stretches
from daq.results.result import Flag
from daq.results.series.columns import slug

APART = 0.05  # between roll sets
LIMIT_SHARE = 0.995
LIMIT_FOR_S = 0.5
HEAT_NEAR_K = 10.0
SENSOR_FOR_S = 0.1
SUSPECT = 2  # quality codes of daq.results.series.columns: 2 suspect, 3 missing
MOST_PER_CODE = 4
TURNED_MPS = 2.0


def flags_of(
    given: Given, rows: Mask, *, gear_locked: bool, in_gear: bool, loaded: bool
) -> list[Flag]:
    """All flags of a run. `rows`: the evaluated part; `gear_locked`: one gear all through it;
    `in_gear`: not in neutral; `loaded`: forces matter."""
    found: list[Flag] = []
    if gear_locked:
        found += _slip(given, rows)
    elif in_gear:
        found += _told_slip(given, rows)
    if loaded:
        found += _apart(given, rows)
    found += _limits(given)
    found += _undelivered(given)
    found += _heat(given)
    found += _sensors(given, rows, loaded)
    found += _lost(given)
    found += _faults(given)
    found += _wheels(given)
    found += _voids(given)
    return found


def _some(code: str, text: str, where: list[tuple[float, float]]) -> list[Flag]:
    """The first few stretches, and how many more there are."""
    found = [Flag(code, text, start, end) for start, end in where[:MOST_PER_CODE]]
    more = len(where) - MOST_PER_CODE
    if more > 0:
        found.append(Flag(code, f"{text} ({more} more times)", where[MOST_PER_CODE][0], None))
    return found


def _slip(given: Given, rows: Mask) -> list[Flag]:
    engine, speed = given.of("engine_speed_radps"), given.of("speed_mps")
    usable = rows & (engine > 1.0) & (speed > 0.5)
    if usable.sum() < 50:
        return []
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = moving_mean(np.where(speed > 0.5, engine / speed, np.nan), given.time_s, 0.1)
    usual = float(np.median(ratio[usable]))
    off = usable & (np.abs(ratio / usual - 1.0) > slip.SLIP)
    return _some(
        "slip",
        f"Engine and rolls ran apart by more than {100 * slip.SLIP:g} % of their usual ratio: "
        "tyres or converter slipped.",
        stretches(off, given.time_s, slip.DEBOUNCE_S),
    )


def _told_slip(given: Given, rows: Mask) -> list[Flag]:
    """Slip as the rig saw it while it ran, by the learned ratio or by its roll sets."""
    return _some(
        "slip",
        "Engine and rolls were off the learned ratio by a few per cent, or the roll sets ran "
        "apart: tyres slipped, or the converter was open.",
        stretches(rows & (given.of("tyre_slip") > 0.5), given.time_s),
    )


def _apart(given: Given, rows: Mask) -> list[Flag]:
    speeds = np.array(
        [given.of(f"rolls_{slug(one.name)}_speed_mps") for one in given.rig.roll_sets]
    )
    if len(speeds) < 2:
        return []
    fastest, slowest = speeds.max(axis=0), speeds.min(axis=0)
    driven = slowest > 1.0  # a roll set that stands is not driven
    off = rows & driven & (fastest / np.maximum(slowest, 1.0) - 1.0 > APART)
    return _some(
        "rolls-apart",
        f"The roll sets differed by more than {100 * APART:g} % in speed.",
        stretches(off, given.time_s, slip.DEBOUNCE_S),
    )


def _limits(given: Given) -> list[Flag]:
    found = []
    for absorber in given.rig.absorbers:
        asked = given.of(f"absorber_{slug(absorber.name)}_set_point_a")
        at_limit = asked >= LIMIT_SHARE * absorber.max_current_a
        found += _some(
            "shortfall",
            f"Absorber {absorber.name} was at its full current: more load was asked for than it "
            "may give for long.",
            stretches(at_limit, given.time_s, LIMIT_FOR_S),
        )
    return found


def undelivered(given: Given) -> tuple[float, float, float]:
    """Seconds, newton seconds and most newtons asked for and not delivered, as the run told.

    It covers what no column shows: absorbers cannot drive, and hold nothing near standstill.
    """
    told = [event for event in given.events if event.get("kind") == "run-ended"]
    data = (told[-1].get("data") or {}) if told else {}
    seconds, impulse, worst = (
        float(data.get(name) or 0.0)
        for name in ("shortfall_s", "shortfall_ns", "worst_shortfall_n")
    )
    return seconds, impulse, worst


def _undelivered(given: Given) -> list[Flag]:
    seconds, impulse, worst = undelivered(given)
    if seconds < LIMIT_FOR_S:
        return []
    return [
        Flag(
            "shortfall",
            f"For {seconds:.1f} s altogether the rig could not give what was asked: up to "
            f"{worst:.0f} N, {impulse:.0f} N s in sum. Absorbers brake; they cannot drive, nor "
            "hold near standstill.",
        )
    ]


def _heat(given: Given) -> list[Flag]:
    found = []
    for name, limit_k, kelvin in given.rotors():
        near = kelvin >= limit_k - HEAT_NEAR_K
        found += _some(
            "heat-limit",
            f"The rotor of {name} came within {HEAT_NEAR_K:g} K of its limit "
            f"({limit_k - 273.15:.0f} °C).",
            stretches(near, given.time_s),
        )
    return found


def _sensors(given: Given, rows: Mask, loaded: bool) -> list[Flag]:
    found = []
    named = [("engine_speed_quality", "Engine speed")] if given.rig.engine.wheel else []
    if loaded:
        named += [
            (f"rolls_{slug(s.name)}_quality", f"Power of the {s.name} rolls")
            for s in given.rig.roll_sets
        ]
        named += [
            (f"absorber_{slug(a.name)}_quality", f"Force of absorber {a.name}")
            for a in given.rig.absorbers
        ]
    for column, label in named:
        bad = rows & (given.of(column) >= SUSPECT)
        found += _some(
            "sensor",
            f"{label} was doubtful or missing.",
            stretches(bad, given.time_s, SENSOR_FOR_S),
        )
    return found


def _lost(given: Given) -> list[Flag]:
    lost = given.of("frames_lost")[1:]
    total = int(np.nansum(lost))
    if not total:
        return []
    first = float(given.time_s[1 + int(np.flatnonzero(lost > 0)[0])])
    return [
        Flag(
            "frames-lost",
            f"{total} frames are missing: lost on the line, or in the recording.",
            first,
            None,
        )
    ]


def _faults(given: Given) -> list[Flag]:
    """Faults as the rig told them while it ran, with when they began."""
    found: list[Flag] = []
    for event in given.events:
        if event.get("kind") != "fault":
            continue
        data = event.get("data") or {}
        since = float(event.get("time_s", 0.0))
        effect = str(data.get("effect", ""))
        text = str(event.get("text", "A fault."))
        found.append(
            Flag("fault", f"{text} Effect: {effect}." if effect else text, max(0.0, since), None)
        )
    return found


def _wheels(given: Given) -> list[Flag]:
    """Tooth wheels that turned and were not learned as the test began, as the rig told it."""
    for event in given.events:
        data = event.get("data") or {}
        names = str(data.get("roll_sets", "")).split(",")
        turned = [f"rolls_{slug(name)}_speed_mps" for name in names]
        if data.get("code") == "wheels-unlearned" and any(
            (given.of(name) > TURNED_MPS).any() for name in turned
        ):
            return [Flag("wheels", str(event.get("text", "")))]
    return []


def _voids(given: Given) -> list[Flag]:
    """What the running test itself found to make the run void."""
    told = [event for event in given.events if event.get("kind") == "run-ended"]
    if not told:
        return [Flag("unended", "The recording has no end: it was cut off.", voids=True)]
    data = told[-1].get("data") or {}
    codes = [code.strip() for code in str(data.get("void", "")).split(",") if code.strip()]
    return [Flag(code, VOIDS.get(code, f"Void: {code}."), voids=True) for code in codes]


# Words for what the test kinds of `control` call void.
VOIDS = {
    "ended-early": "The test was ended before it was complete.",
    "stalled": "The rolls all but stopped under load.",
    "not-reached": "The absorbers gave all they have for a minute and did not reach the set point.",
    "point-void": "A point did not settle within its time.",
    "no-steady-pull": "The pull at the start speed never became steady.",
    "lifted": "The pull fell away: the driver lifted, or the engine was cut.",
    "slip": "The tyres slipped on the rolls, or the ratio changed.",
    "unlocked": "As the sweep began the converter was still open, or a lower gear was in: start "
    "higher, or drive up with a light pedal until it is locked.",
    "shortfall": "The absorbers could not take what was asked for.",
    "rate": "The sweep did not keep its planned rate.",
    "no-kick": "Nobody floored the pedal in time.",
    "no-rise": "The pull did not rise and stay.",
    "pushed": "The speed rose during the coast.",
    "timeout": "The coast took longer than planned.",
    "held": "A fault kept the load from rising while the road asked for it.",
    "stopped": "The truck came to a stop on the hill.",
    "rolls-turning": "The rolls turned during the snaps: the truck was not in neutral.",
    "snaps-disagree": "No three snaps in a row agreed.",
    "zero-shift": "The zero of the smoke meter moved by more than 2 points.",
    "smoke-slow": "The smoke channel was too slow for its filter.",
    "not-found": "The identification found no usable map or lags.",
    "out-of-band": "Outside the band for more than 2.0 s at once (40 CFR 1066.425).",
}
