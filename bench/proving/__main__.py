"""Does the proving catch what is wrong with a rig, name it, and pass what is right?

Random rigs (bench.proving.rigs), each with one wrong or none, go through every procedure of
docs/proving.md by the product's own functions, on recordings of the simulator in virtual time.

- caught: share of the wrong rigs whose wrong the product names, at the right place
- failed: share of the wrong rigs in which a proof failed or was refused, named or not
- passed_healthy: share of the sound rigs in which nothing failed, was refused or named
- extra: causes named beside the wrong one, by kind of wrong
- coverage: share of the constants found that lie within twice their stated uncertainty of the truth
- minutes: of the machine's time, by procedure; what hands need for weights and plugs comes on top
"""

from __future__ import annotations

import math
import random
import tempfile
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

from api.services.proving import read_proving
from bench.proving.rigs import HEALTHY, WRONGS, ShopRig, shop_rig
from bench.proving.session import ProvingSession
from bench.support.common import Options, run_bench
from daq.proving.record import DEAD_WEIGHT, DELAY, DIAMETER, INERTIA, SIGMA, Proving
from daq.rig.description import Rig
from daq.rig.gravity import local_gravity

EACH, SOUND = 5, 50  # rigs of each wrong, and without
QUICK_WRONGS, QUICK_SOUND = 4, 1  # so many kinds of wrong, drawn by the seed, one rig each
WITHIN = 2.0  # standard uncertainties


class Tally:
    """What was seen over all rigs."""

    def __init__(self) -> None:
        self.rigs: Counter[str] = Counter()
        self.named: Counter[str] = Counter()
        self.failed: Counter[str] = Counter()
        self.extra: dict[str, Counter[str]] = defaultdict(Counter)
        self.missed: list[dict[str, Any]] = []
        self.ratios: dict[str, list[float]] = defaultdict(list)
        self.seconds: dict[str, list[float]] = defaultdict(list)

    def take(self, seed: int, wrong: str) -> None:
        """One rig through the whole session."""
        shop = shop_rig(seed, wrong)
        with tempfile.TemporaryDirectory(prefix="drumlin-") as scratch:
            session = ProvingSession(shop, Path(scratch), seed)
            session.run()
            kept = read_proving(Path(scratch))
        self.rigs[wrong] += 1
        named = [(str(one.kind), one.subject) for one in kept.causes]
        right = [one for one in named if one[0] == wrong and _same(one[1], shop.where)]
        failed = bool(session.refused) or not all(one.passed for one in kept.latest())
        self.named[wrong] += bool(right)
        self.failed[wrong] += failed
        others = [kind for kind, _ in named if kind != wrong]
        self.extra[wrong].update(others)
        if (not right if wrong != HEALTHY else (failed or named)) or others:
            bad = [f"{one.kind} {one.subject}" for one in kept.latest() if not one.passed]
            self.missed.append(
                {"seed": seed, "wrong": wrong, "where": shop.where, "named": named,
                 "failed": bad, "refused": session.refused}
            )  # fmt: skip
        for name, ratio in _ratios(shop, session.rig, kept):
            self.ratios[name].append(ratio)
        for name, seconds in session.seconds.items():
            self.seconds[name].append(seconds)


def _same(subject: str, where: str) -> bool:
    return not where or {one.strip() for one in subject.split(",")} == set(where.split(","))


def _ratios(shop: ShopRig, rig: Rig, kept: Proving) -> list[tuple[str, float]]:
    """Errors of the constants found, in their stated uncertainties.

    Of rigs whose wrong makes a constant void until it is mended, as the product says, none is
    taken: swapped cells and a miscounted wheel; inertia that was found with cold bearings or a
    cell that is off. Slopes are corrected for a wrong latitude.
    """
    found = {(one.kind, one.subject): one for one in kept.latest()}
    skipped = set(shop.where.split(",")) if shop.wrong in ("swapped-cells", "teeth") else set()
    if shop.wrong == "swapped-cells":
        skipped |= {one.roll_set for one in rig.absorbers if one.name in skipped}
    ratios = []
    site = rig.site
    fix = local_gravity(shop.latitude_deg, shop.altitude_m) / local_gravity(
        site.latitude_deg, site.altitude_m
    )
    for absorber, true in zip(rig.absorbers, shop.setup.absorbers, strict=True):
        proof = found.get((DEAD_WEIGHT, absorber.name))
        if proof is None or absorber.name in skipped:
            continue
        cell = absorber.cell
        slope = proof.values[f"absorbers.{absorber.name}.cell.newton_per_mv_per_v"]
        sigma = proof.values[f"absorbers.{absorber.name}.cell.relative_sigma"]
        assert isinstance(slope, float)
        assert isinstance(sigma, float)
        torque = cell.full_scale_mv_per_v / 2.0**23 * slope * fix * absorber.arm_m
        ratios.append(("torque", (torque * abs(true.counts_per_n) / true.arm_m - 1.0) / sigma))
    step_s = shop.setup.front_end.substep_s
    for roll_set, rolls in zip(rig.roll_sets, shop.setup.rolls, strict=True):
        name = roll_set.name
        if name in skipped:
            continue
        weak = shop.wrong == "cold-bearings" or (
            shop.wrong in ("arm", "converter-gain", "drifting-cell")
            and any(one.name == shop.where for one in rig.absorbers_of(name))
        )
        if (proof := found.get((DIAMETER, name))) is not None:
            values = [
                proof.values[f"roll_sets.{name}.roll_radius{end}_m"] for end in ("", "_sigma")
            ]
            radius, sigma = (float(one) for one in values if isinstance(one, float))
            ratios.append(("radius", (radius - rolls.radius_m) / sigma))
        if (proof := found.get((INERTIA, name))) is not None and not weak:
            mass = proof.figure("base inertia")
            ratios.append(("inertia", (mass / rolls.mass_kg - 1.0) / proof.figure(SIGMA)))
        if (proof := found.get((DELAY, name))) is not None:
            first = rig.absorbers_of(name)[0].name
            late = proof.values[f"absorbers.{first}.cell.filter_delay_s"]
            assert isinstance(late, float)
            # the converter's window averages whole substeps: half a step less than its length
            true_s = 0.5 * (shop.setup.absorbers[0].filter_s - step_s)
            ratios.append(("delay", (late - true_s) / proof.figure(SIGMA)))
    return ratios


def measure(options: Options) -> dict[str, Any]:
    plan = [(wrong, EACH) for wrong in WRONGS] + [(HEALTHY, SOUND)]
    if options.quick:
        some = random.Random(options.seed).sample(WRONGS, QUICK_WRONGS)
        plan = [(wrong, 1) for wrong in some] + [(HEALTHY, QUICK_SOUND)]
    tally = Tally()
    rigs = [wrong for wrong, count in plan for _ in range(count)]
    random.Random(options.seed).shuffle(rigs)
    for number, wrong in enumerate(rigs):
        tally.take(options.seed * 100_000 + number, wrong)
    wrongs = sum(tally.rigs[one] for one in WRONGS)
    sound = tally.rigs[HEALTHY]
    healthy_bad = sum(one["wrong"] == HEALTHY for one in tally.missed)
    return {
        "caught": sum(tally.named[one] for one in WRONGS) / wrongs,
        "failed": sum(tally.failed[one] for one in WRONGS) / wrongs,
        "passed_healthy": 1.0 - healthy_bad / sound,
        "n": wrongs + sound,
        "by_wrong": {
            one: {
                "rigs": tally.rigs[one],
                "caught": tally.named[one] / tally.rigs[one],
                "failed": tally.failed[one] / tally.rigs[one],
                "extra": dict(tally.extra[one]),
            }
            for one, _ in plan
        },
        "coverage": {
            name: {
                "n": len(ratios),
                "within": sum(abs(one) <= WITHIN for one in ratios) / len(ratios),
                "rms_sigmas": math.sqrt(sum(one * one for one in ratios) / len(ratios)),
            }
            for name, ratios in tally.ratios.items()
        },
        "minutes": {
            name: sum(seconds) / len(seconds) / 60.0 for name, seconds in tally.seconds.items()
        },
        "missed": tally.missed,
    }


if __name__ == "__main__":
    run_bench("proving", measure)
