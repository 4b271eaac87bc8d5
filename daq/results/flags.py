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
from daq.texts.message import Text, say
from daq.texts.published import text_of

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


def _some(code: str, text: Text, where: list[tuple[float, float]]) -> list[Flag]:
    """The first few stretches, and how many more there are."""
    found = [Flag(code, text, start, end) for start, end in where[:MOST_PER_CODE]]
    more = len(where) - MOST_PER_CODE
    if more > 0:
        found.append(
            Flag(code, say("with-more-times", text=text, more=more), where[MOST_PER_CODE][0], None)
        )
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
        say("engine-rolls-ran-apart-by-more", slip=slip.SLIP),
        stretches(off, given.time_s, slip.DEBOUNCE_S),
    )


def _told_slip(given: Given, rows: Mask) -> list[Flag]:
    """Slip as the rig saw it while it ran, by the learned ratio or by its roll sets."""
    return _some(
        "slip",
        say("engine-rolls-were-off-learned-ratio"),
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
        say("roll-sets-differed-by-more-than", difference=APART),
        stretches(off, given.time_s, slip.DEBOUNCE_S),
    )


def _limits(given: Given) -> list[Flag]:
    found = []
    for absorber in given.rig.absorbers:
        asked = given.of(f"absorber_{slug(absorber.name)}_set_point_a")
        at_limit = asked >= LIMIT_SHARE * absorber.max_current_a
        found += _some(
            "shortfall",
            say("absorber-was-at-its-full-current", absorber=absorber.name),
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
            say("rig-could-not-give", seconds=seconds, worst_n=worst, impulse_n=impulse),
        )
    ]


def _heat(given: Given) -> list[Flag]:
    found = []
    for name, limit_k, kelvin in given.rotors():
        near = kelvin >= limit_k - HEAT_NEAR_K
        found += _some(
            "heat-limit",
            say("rotor-came-within-k-its-limit", rotor=name, near_k=HEAT_NEAR_K, limit_k=limit_k),
            stretches(near, given.time_s),
        )
    return found


def _sensors(given: Given, rows: Mask, loaded: bool) -> list[Flag]:
    found = []
    named = [("engine_speed_quality", say("its-engine-speed"))] if given.rig.engine.wheel else []
    if loaded:
        named += [
            (f"rolls_{slug(s.name)}_quality", say("power-of-rolls", roll_set=s.name))
            for s in given.rig.roll_sets
        ]
        named += [
            (f"absorber_{slug(a.name)}_quality", say("force-of-absorber", absorber=a.name))
            for a in given.rig.absorbers
        ]
    for column, label in named:
        bad = rows & (given.of(column) >= SUSPECT)
        found += _some(
            "sensor",
            say("was-doubtful-or-missing", sensor=label),
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
            say("frames-are-missing-lost-on-line", count=total),
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
        text = text_of(event.get("text")) or say("a-fault")
        found.append(
            Flag(
                "fault",
                say("fault-with-effect", text=text, effect=effect) if effect else text,
                max(0.0, since),
                None,
            )
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
            return [Flag("wheels", text_of(event.get("text")))]
    return []


def _voids(given: Given) -> list[Flag]:
    """What the running test itself found to make the run void."""
    told = [event for event in given.events if event.get("kind") == "run-ended"]
    if not told:
        return [Flag("unended", say("recording-has-no-end-was-cut"), voids=True)]
    data = told[-1].get("data") or {}
    codes = [code.strip() for code in str(data.get("void", "")).split(",") if code.strip()]
    return [
        Flag(code, VOIDS.get(code, say("void-because", why=code)), voids=True) for code in codes
    ]


# Words for what the test kinds of `control` call void.
VOIDS = {
    "ended-early": say("test-was-ended-before-was-complete"),
    "stalled": say("rolls-all-but-stopped-under-load"),
    "not-reached": say("absorbers-gave-all-they-have-for"),
    "point-void": say("point-did-not-settle-within-its"),
    "no-steady-pull": say("pull-at-start-speed-never-became"),
    "lifted": say("pull-fell-away-driver-lifted-or"),
    "slip": say("tyres-slipped-on-rolls-or-ratio"),
    "unlocked": say("as-sweep-began-converter-was-still"),
    "shortfall": say("absorbers-could-not-take-what-was"),
    "rate": say("sweep-did-not-keep-its-planned"),
    "no-kick": say("nobody-floored-pedal-in-time"),
    "no-rise": say("pull-did-not-rise-and-stay"),
    "pushed": say("speed-rose-during-coast"),
    "timeout": say("coast-took-longer-than-planned"),
    "held": say("fault-kept-load-from-rising-while"),
    "stopped": say("truck-came-stop-on-hill"),
    "rolls-turning": say("rolls-turned-during-snaps-truck-was"),
    "snaps-disagree": say("no-three-snaps-in-row-agreed"),
    "zero-shift": say("zero-smoke-meter-moved-by-more"),
    "smoke-slow": say("smoke-channel-was-too-slow-for"),
    "not-found": say("identification-found-no-usable-map-or"),
    "out-of-band": say("outside-band-of-40-cfr-1066"),
}
