"""Made-up results, comparisons, vehicles and sets for the page alone, in the service's own structs.

Nothing here is physics. Data flow: these builders -> msgspec JSON -> tests.browser.fake_rig.
"""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

import msgspec

from api.http.routes.heat import AbsorberHeat, HeatMemory
from api.http.routes.proving import Proofs, ProvingView
from api.services.comparing import Compared, Consistent, DifferenceOut
from api.store.run_timeline import RunMoment
from api.store.vehicle_records import RunSet
from api.store.vehicle_records import VehicleRecord as Known
from control.forecast.answer import HeatAnswer, RotorOutlook
from control.forecast.endurance import EnduranceMap
from control.forecast.outlook import Outlook
from control.forecast.suggestions import Suggestion
from control.telemetry import Event
from control.thermal.usage import AbsorberUsage
from daq.proving.causes import Cause, CauseKind
from daq.proving.record import JudgedValue, Proof, Proving, standing
from daq.results.consistency import chart
from daq.results.result import (
    CurveOut,
    EvaluationSettings,
    Figure,
    Flag,
    Part,
    PeakOut,
    Provenance,
    Result,
    Uncertainty,
)
from daq.results.words import answer_of
from daq.rig.description import load_rig
from daq.texts.message import amount, difference, say
from daq.texts.published import published, published_json

ROOT = Path(__file__).resolve().parents[2]
RPM = 30.0 / math.pi


def curve(name: str, label: str, unit: str, shift: float = 0.0) -> CurveOut:
    """A hump over engine speed, 1500 to 3000 rev/min."""
    x = [rpm / RPM for rpm in range(1500, 3001, 50)]
    value: list[float | None] = []
    for at in x:
        share = (at * RPM - 1500.0) / 1500.0
        watts = (150e3 + 150e3 * share - 90e3 * share**3) * (1.0 + shift)
        value.append(watts if unit == "W" else watts / at)
    low = [v * 0.991 for v in value if v is not None]
    high = [v * 1.009 for v in value if v is not None]
    none: list[float | None] = [None] * len(x)
    return CurveOut(
        name, label, unit, "engine speed", "rad/s", x, value, [*low], [*high], none, none, "60 rpm"
    )


def result(n: int) -> Result:
    """The evaluation of made-up run `n`."""
    shift = 0.018 * n
    power = curve("power", "wheel power", "W", shift)
    torque = curve("torque", "wheel torque referred to the engine", "N.m", shift)
    top = max(v for v in power.value if v is not None)
    at = power.x[power.value.index(top)]
    figures = [
        Figure("peak_power", "Highest wheel power", top, "W", top * 0.991, top * 1.009),
        Figure("peak_power_at", "Where: engine speed", at, "rad/s", at - 3, at + 3),
        Figure("peak_torque", "Highest wheel torque referred to the engine", 1034.0, "N.m", 1024.0,
               1044.0),
        Figure("peak_torque_at", "Where: engine speed", 189.0, "rad/s"),
        Figure("rate", "Mean rate of the sweep", 15.7, "rad/s/s"),
    ]  # fmt: skip
    flags = [Flag("slip", say("tyres-slipped-on-rolls-or-ratio"), 61.0, 63.5)]
    return Result(
        kind="power-sweep",
        valid=n != 1,
        void=[] if n != 1 else [flags[0].text],
        asked=say("asked-sweep-by-engine", first=1500.0, last=3000.0, rate=150.0),
        answer=answer_of("power-sweep", figures, "peak_power", 0.95),
        main="peak_power",
        figures=figures,
        curves=[power, torque],
        peaks=[PeakOut("power", at, "rad/s", top, "W", top * 0.99, top * 1.01, at - 3, at + 3)],
        flags=[*flags, Flag("hot", "A rotor was warm.", 80.0, 100.0, power.x[20])],
        uncertainty=Uncertainty(
            "wheel power", "W", top, 900.0, 400.0, 0.95, 2.0, 0.009 * top,
            [Part("rear: cell calibration", 640.0, "certificate"),
             Part("front: roll radius", 410.0, "measured"), Part("front: losses", 210.0, "coast")],
        ),
        conditions={"ambient_k": 294.6, "pressure_pa": 98_600.0, "oil_k": 371.0},
        made=Provenance("0.1.0", EvaluationSettings(), "Tarnhow demo rig", "f", 60_000, 4),
    )  # fmt: skip


def comparison(before: list[str], after: list[str]) -> Compared:
    """A gain of about two per cent."""
    bins = [
        DifferenceOut(0.018 + 0.006 * math.sin(i / 5), -0.001, 0.041, "not proven",
                      (1500 + 50 * i) / RPM)
        for i in range(30)
    ]  # fmt: skip
    return Compared(
        say("gained", answer=say("relative-change", change=0.019, low=0.007, high=0.031,
                                 level=0.95)),
        "gained", 0.95, "power",
        DifferenceOut(0.019, 0.007, 0.031, "gained"), "engine speed", "rad/s", bins, before, after,
        [], 0.002, None, [
            say("condition-differs", name="oil_k", gap=difference(12.0, "K"),
                allowed=difference(10.0, "K")),
        ],
    )  # fmt: skip


def check_runs() -> Consistent:
    """Twelve check runs of which the last strays."""
    values = [201.2, 200.8, 201.0, 201.4, 200.9, 201.1, 201.3, 200.7, 201.0, 201.2, 200.9, 203.6]
    runs = [f"2026{9 + i // 4:02d}{1 + 7 * (i % 4):02d}-080000-chk{i % 10}" for i in range(12)]
    return Consistent("mean_power", "W", runs, chart([1000.0 * v for v in values]), [])


VEHICLES = [
    Known("Invented pickup", "Invented Haulage", "3.6 t, 4.0 gear", "2026-11-20T08:00:00Z", 2),
    Known("Invented van", "", "", "", 1),
]
SETS = [RunSet("weekly check", "", "2026-11-20T08:00:00Z", tuple(check_runs().runs))]


ROTORS = ("front-left", "front-right", "rear-left", "rear-right")


def rehearsal(possible: bool) -> HeatAnswer:
    """The answer before a test."""
    never = math.nan
    return HeatAnswer(
        possible, "", 180.0, never if possible else 130.0, "" if possible else "front-left",
        never, 36e6, 210e3, 294.0, "assumed-even", (0.5, 0.5), never, never,
        tuple(RotorOutlook(name, 330.0, 480.0 + 20 * i, 15.0, 623.0, never if i < 2 else 90.0)
              for i, name in enumerate(ROTORS)),
        () if possible else (Suggestion("shorter", "Stop after 2.2 min.", 130.0),
                             Suggestion("pauses", "In 2 parts with 5 min of cooling.", 2.0)),
    )  # fmt: skip


def heat_memory() -> HeatMemory:
    """What each absorber has been through."""
    life = AbsorberUsage(turning_s=480e3, loaded_s=151e3, energy_j=7.4e9, above_warn_s=640.0)
    return HeatMemory(
        tuple(
            AbsorberHeat(
                name, 340.0, 4.0, (), life, None,
                ("rear-right: 520 h turned since the last service, due every 500 h.",)
                if name == "rear-right" else (),
            )
            for name in ROTORS
        )
    )  # fmt: skip


def outlook(possible: bool) -> Outlook:
    """What heat says of a start: fine, or limited at the most that the rig can take."""
    if possible:
        return Outlook(True, "The rig can run this by heat: hottest rotor about 210 °C.", 180e3)
    return Outlook(None, "If the truck gives the 230 kW ...", 230e3, True, "rear-left", 130.0, 98e3)


def endurance(speeds: int, powers: int) -> EnduranceMap:
    """Minutes over power and speed."""
    v = [5.0 + 45.0 * k / (speeds - 1) for k in range(speeds)]
    p = [420e3 * (k + 1) / powers for k in range(powers)]
    rows = tuple(
        tuple(0.0 if w > 16e3 * s else min(3600.0, 9e7 * (s / 30) / max(1.0, w - 2.2e3 * s))
              for s in v) for w in p
    )  # fmt: skip
    none = tuple(tuple("" for _ in v) for _ in p)
    return EnduranceMap(
        tuple(v), tuple(p), rows, none, tuple(16e3 * s for s in v), 3600.0, 294.0, (330.0,) * 4
    )


def proven_shunt(absorber: str) -> Proofs:
    figures = (JudgedValue("step against its data sheet", 0.001, "1", 0.005, "common practice"),)
    return Proofs([Proof("shunt", absorber, "2026-11-25", "2026-12-02", True, figures)], ())


def proving() -> ProvingView:
    """One verification of each state."""
    today = date(2026, 11, 25)
    figures = (JudgedValue("largest drift", 1.4, "N", 9.0, "1066.255"),)
    proof = Proof("zero", "front-left", "2026-11-25", "2026-11-26", True, figures)
    kept = Proving("Tarnhow demo rig", (
        proof,
        msgspec.structs.replace(proof, kind="inertia", subject="front", done="2025-01-02",
                                due="2026-01-07"),
        msgspec.structs.replace(proof, kind="loss", subject="rear", due="2027-01-07",
                                figures=(JudgedValue("moved", 12.0, "N", 9.0),)),
    ))  # fmt: skip
    rig = load_rig(ROOT / "rigs" / "tarnhow.toml")
    lines = "[absorbers.cell]\nzero_count = 1204.0\n"
    evidence = say("cause-teeth", roll_set="front", seen=60.0, stated=59.0, share=1.0 / 59.0)
    causes = (Cause(CauseKind.TEETH, "front", evidence, say("next-teeth", seen=60.0)),)
    return ProvingView(rig.name, today.isoformat(), standing(rig, kept, today), lines, 3, causes)


def encoded(value: Any) -> bytes:
    """JSON as the service sends it."""
    return published_json(value)


def moments() -> list[RunMoment]:
    """What happened in a hold."""
    return [
        RunMoment(0.0, "run-started", say("run-started", run_id="20261125-084400-0001")),
        RunMoment(0.0, "set-point", say("set-point", value=amount(198.9675, "rad/s"))),
        RunMoment(0.0, "phase", say("phase-begun", phase="take-up")),
        RunMoment(4.2, "phase", say("phase-begun", phase="hold")),
        RunMoment(31.0, "notice", say("tyres-slip-on-rolls")),
    ]


def events() -> list[Event]:
    """The same as the rig tells them while it happens."""
    late = say("loop-was-late-ms-between-two", gap_ms=4.9, work="frames", work_ms=0.3)
    told = [*moments(), RunMoment(40.0, "notice", late)]
    return [Event(100.0 + one.at_s, one.kind, one.text, {}) for one in told]


def evaluations(run_id: str) -> Any:
    return published([
        {
            "run_id": run_id, "number": 1, "at": "2026-11-25T08:44:00Z", "who": "",
            "version": "0.1", "settings": {"rule": "none"}, "valid": True,
            "answer": say("answer-inside-band"),
        }
    ])  # fmt: skip


def identification() -> dict[str, Any]:
    """One absorber identified, one left aside, two never; a tune-up to be read."""
    found = {
        "run_id": "20261120-090000-iden", "date": "2026-11-20", "error_percent": 2.1,
        "error_before_percent": 9.7, "coil_lag_s": 0.118, "field_lag_s": 0.042,
        "dead_below_mps": 1.9,
        "map": {
            "peak_torque_nm": 903.0, "critical_speed_radps": 96.0, "rated_current_a": 20.0,
            "saturation_a": 26.0, "residual_torque_nm": 3.2, "hot_fade_per_k": 0.0008,
        },
    }  # fmt: skip
    names = ("front-left", "front-right", "rear-left", "rear-right")
    return {
        "absorbers": [
            {
                "name": name, "in_force": index == 0, "identified": found if index < 2 else None,
                "gain": 1.004, "points": [],
            }
            for index, name in enumerate(names)
        ],
        "advice": {
            "run_id": "20261120-090000-iden", "date": "2026-11-20", "observer_share": 0.35,
            "gain_margin": 4.2, "phase_margin_deg": 61.0, "advised_share": 0.5,
            "advised_gain_margin": 3.1, "advised_phase_margin_deg": 54.0,
        },
        "in_force": None, "observer_share": 0.35, "usual_share": 0.35, "caution": "Take care.",
    }  # fmt: skip
