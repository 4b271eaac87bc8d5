"""Does each absorber's load arrive at its own cell and on its own roll set?

Data flow: daq.proving.runs.Track of a run in which free rolls coast and one absorber after the
other is loaded -> what every cell shows and how every roll set slows down meanwhile -> proof.
Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.proving.record import SEEN_BY, SLOWS, WIRING, JudgedValue, Proof, proof_of
from daq.proving.runs import Track
from daq.rig.description import Rig
from daq.texts.message import say
from daq.wire.frames import CURRENT_STEP_A, ChannelKind

Flags = npt.NDArray[np.bool_]

LOADED_SHARE, IDLE_SHARE = 0.7, 0.1  # of an output's largest current in the run
SETTLE_S = 0.4  # after a current has come or gone
LEAST_S = 0.3
LEAST_LOAD = 0.01  # of the cell's capacity: less is no load
OTHER_SHARE = 0.1  # of the load may be seen elsewhere
SLOPE_S = 0.2  # over which the rate of a roll set is taken


class LoadSeen(msgspec.Struct, frozen=True):
    """Where the load of one absorber arrived, as shares of the largest; 0 everywhere: nowhere."""

    cells: dict[str, float]  # by absorber whose cell it is, braking positive
    roll_sets: dict[str, float]  # share of the slowing down


def loads_seen(track: Track, rig: Rig) -> dict[str, LoadSeen]:
    """By absorber that was loaded alone. Raises Refused when none was."""
    outputs = track.hello.names(ChannelKind.OUTPUT)
    converters = track.hello.names(ChannelKind.CONVERTER)
    currents = np.array([one.currents for one in track.samples], dtype=np.float64) * CURRENT_STEP_A
    currents = currents[:, [outputs.index(one.output) for one in rig.absorbers]]
    counts = np.array([one.counts for one in track.samples], dtype=np.float64)
    forces = np.stack(
        [
            counts[:, converters.index(one.cell.converter)]
            * (one.arm_sign * one.cell.full_scale_mv_per_v / 2.0**23)
            * one.cell.newton_per_mv_per_v
            for one in rig.absorbers
        ]
    )
    frame_s = float(np.median(np.diff(track.time_s)))
    settle, span = round(SETTLE_S / frame_s), max(1, round(0.5 * SLOPE_S / frame_s))
    rates = np.full_like(track.speed_mps, np.nan)
    rates[:, span:-span] = (track.speed_mps[:, 2 * span :] - track.speed_mps[:, : -2 * span]) / (
        2.0 * span * frame_s
    )
    moving = np.all(np.isfinite(rates), axis=0) & (np.min(track.speed_mps, axis=0) > 1.0)
    top = np.max(currents, axis=0)
    idle = moving & _lasting(np.all(currents < IDLE_SHARE * max(top.max(), 0.1), axis=1), settle)
    least = LEAST_S / frame_s
    if np.count_nonzero(idle) < least:
        raise _nothing_alone()
    found: dict[str, LoadSeen] = {}
    for place, absorber in enumerate(rig.absorbers):
        others = np.delete(currents, place, axis=1)
        alone = currents[:, place] > LOADED_SHARE * max(top[place], 1.0)
        alone &= np.all(others < IDLE_SHARE * top.max(), axis=1)
        loaded = moving & _lasting(alone, settle)
        if np.count_nonzero(loaded) < least:
            continue
        seen = np.mean(forces[:, loaded], axis=1) - np.mean(forces[:, idle], axis=1)
        slowed = np.mean(rates[:, idle], axis=1) - np.mean(rates[:, loaded], axis=1)
        largest = float(np.max(np.abs(seen)))
        if largest < LEAST_LOAD * absorber.cell.capacity_n:
            largest = np.inf
        masses = np.array([one.base_inertia_kg for one in rig.roll_sets])
        pulled = masses * slowed
        most = float(np.max(np.abs(pulled)))
        found[absorber.name] = LoadSeen(
            {one.name: float(n) / largest for one, n in zip(rig.absorbers, seen, strict=True)},
            {one.name: float(n) / most for one, n in zip(rig.roll_sets, pulled, strict=True)},
        )
    if not found:
        raise _nothing_alone()
    return found


def _lasting(rows: Flags, settle: int) -> Flags:
    """Rows for which it has been so for the `settle` rows before as well."""
    lasted = np.cumsum(np.where(rows, 1, 0))
    kept = np.zeros_like(rows)
    kept[settle:] = lasted[settle:] - lasted[:-settle] == settle
    return kept


def _nothing_alone() -> Refused:
    return Refused(
        say("no-absorber-was-loaded-alone"), say("load-one-absorber-after-the-other"), "wiring"
    )


def of_wiring(rig: Rig, found: Mapping[str, LoadSeen], today: date, basis: str) -> list[Proof]:
    """Every absorber that was loaded alone: what its own cell, the others and the rolls show."""
    proofs = []
    source = "common practice, no source"
    for absorber in rig.absorbers:
        seen = found.get(absorber.name)
        if seen is None:
            continue
        own = seen.cells[absorber.name]
        figures = [JudgedValue(f"{SEEN_BY}{absorber.name}", own, "1")]
        figures += [
            JudgedValue(f"{SEEN_BY}{name}", share, "1", OTHER_SHARE, source)
            for name, share in seen.cells.items()
            if name != absorber.name
        ]
        figures += [
            JudgedValue(
                f"{SLOWS}{name}", share, "1",
                *((2.0 * OTHER_SHARE, source) if name != absorber.roll_set else ()),
            )
            for name, share in seen.roll_sets.items()
        ]  # fmt: skip
        proofs.append(
            proof_of(
                WIRING, absorber.name, today, figures, {}, (), basis, sound=own > 1.0 - OTHER_SHARE
            )
        )
    return proofs
