"""What a proving needs from recordings: coasts, step tests and wheels of every roll set.

Data flow: raw recording -> wire frames -> Chain -> force, speed and tooth edges on device time ->
the stretch in which the free rolls slow down -> daq.proving.coast_fit, daq.measure.force.alignment.
The vehicle must be off the rolls: tyres drag, and hold the rolls back while the load changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused, WireError
from daq.measure.chain import Chain
from daq.measure.force.alignment import Alignment, measure_alignment
from daq.measure.speed.estimator import DELAY_S
from daq.measure.speed.smoother import collect_edges
from daq.measure.speed.tooth_errors import ToothTable
from daq.proving.coast_fit import Coast, CoastFit, fit_coasts, warming, whole_turns
from daq.recording.reader import Recording
from daq.recording.recorder import RecordKind
from daq.rig.description import Rig
from daq.texts.message import say
from daq.wire.codec import decode
from daq.wire.frames import CURRENT_STEP_A, ChannelKind, Hello, Sample, SetPoint, Slow

Array = npt.NDArray[np.float64]
LEAST_SPEED_MPS = 2.0
SETTLE_S = 0.5  # the estimators see the end of what drove the rolls
LEAST_S = 3.0
SPEED_UP_MPS = 0.05  # a coast ends, or begins, where the rolls gain this much


class Track(msgspec.Struct, frozen=True, eq=False):
    """One recording: device time and, per roll set, aligned force and speed; and its samples."""

    time_s: Array  # (n,)
    force_n: Array  # (roll sets, n), at the surface, holds at `time_s`
    speed_mps: Array  # (roll sets, n)
    samples: tuple[Sample, ...]
    hello: Hello
    lost: int
    teeth: dict[str, ToothTable] = {}  # learned over the whole of it, by roll set
    asked_a: Array = np.zeros((0, 0))  # (roll sets, n), set points in force at the frame, summed
    zeros: dict[str, float] = {}  # converter counts in use, by absorber


def read_track(recording: Recording, rig: Rig) -> Track:
    """All of a recording. Raises Refused when it holds no usable frames."""
    header = recording.header()
    chain: Chain | None = None
    greeted: Hello | None = None
    rows: list[list[float]] = []
    samples: list[Sample] = []
    lost = 0
    asked = [0.0] * len(rig.roll_sets)
    outputs: list[list[int]] = []
    for record in recording:
        if record.kind not in (RecordKind.RX, RecordKind.TX):
            continue
        try:
            frame = decode(record.payload)
        except WireError:
            continue
        if record.kind == RecordKind.TX:
            if isinstance(frame, SetPoint):
                now = frame.currents
                asked = [sum(now[at] for at in places) * CURRENT_STEP_A for places in outputs]
            continue
        if isinstance(frame, Hello) and (greeted is None or frame.boot_id != greeted.boot_id):
            if samples:
                break  # another front end, or a restart: what follows is another session
            chain, greeted = Chain(rig, frame), frame
            names = frame.names(ChannelKind.OUTPUT)
            outputs = [
                [names.index(absorber.output) for absorber in rig.absorbers_of(roll_set.name)]
                for roll_set in rig.roll_sets
            ]
            asked = [0.0] * len(rig.roll_sets)
            chain.restore_zeros(header.zeros)
        elif isinstance(frame, Slow) and chain is not None:
            chain.slow(frame)
        elif isinstance(frame, Sample) and chain is not None:
            try:
                measured = chain.update(frame)
            except WireError:  # of other channels than the greeting's
                continue
            lost += measured.frames_lost
            samples.append(frame)
            rows.append(
                [
                    measured.time_s - DELAY_S,
                    *(one.absorber_force.value for one in measured.roll_sets),
                    *(one.speed.value for one in measured.roll_sets),
                    *asked,
                ]
            )
    if chain is None or greeted is None or len(rows) < 100:
        raise Refused(
            say("recording-holds-no-frames-that-fit"),
            say("give-raw-drm-of-run-on"),
            "empty-run",
        )
    table = np.array(rows).T
    sets = len(rig.roll_sets)
    return Track(
        table[0], table[1 : 1 + sets], table[1 + sets : 1 + 2 * sets], tuple(samples), greeted,
        lost, chain.tooth_tables(), table[1 + 2 * sets :], header.zeros,
    )  # fmt: skip


def coasting(track: Track, place: int) -> tuple[int, int]:
    """First and last row of the longest stretch in which one roll set only slows down.

    Raises Refused when there is none of a few seconds.
    """
    speed = track.speed_mps[place]
    usable = np.isfinite(speed) & (speed > LEAST_SPEED_MPS)
    usable &= np.isfinite(track.force_n[place])
    step = float(np.median(np.diff(track.time_s)))
    # falling over half a second, in every half second; of means over as long, so that the ripple of
    # a wheel that is described wrongly does not cut the coast
    span = max(2, round(0.5 / step))
    total = np.cumsum(np.where(np.isfinite(speed), speed, 0.0))
    mean = np.array(speed)
    mean[span:] = (total[span:] - total[:-span]) / span
    falling = np.zeros(speed.shape, dtype=bool)
    falling[span:] = mean[span:] < mean[:-span] - SPEED_UP_MPS * 0.1
    kept = usable & falling
    edges = np.flatnonzero(np.diff(np.concatenate(([False], kept, [False])).astype(np.int8)))
    best = (0, 0)
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin > best[1] - best[0]:
            best = (int(begin), int(end) - 1)
    begin, end = best[0] + round(SETTLE_S / step), best[1] - round(0.1 / step)
    if (end - begin) * step < LEAST_S:
        raise Refused(
            say("no-coast-of-few-seconds-is"),
            say("bring-free-rolls-up-to-speed"),
            "coast",
        )
    return begin, end


def coast_of(track: Track, rig: Rig, place: int) -> Coast:
    """The coast of one roll set. Raises Refused."""
    if track.lost:
        raise Refused(
            say("frames-are-missing-from-this-recording", lost=track.lost),
            say("repeat-coast-look-at-cable-when"),
            "coast",
        )
    roll_set = rig.roll_sets[place]
    begin, end = coasting(track, place)
    start_s = float(track.time_s[begin])
    end_s = float(track.time_s[end]) - start_s
    channel = track.hello.names(ChannelKind.WHEEL).index(roll_set.wheel)
    at = edges_s(track, channel) - start_s
    at = at[(at >= 0.0) & (at <= end_s)]
    turns, travel = whole_turns(at, roll_set.teeth, 2.0 * math.pi * roll_set.roll_radius_m)
    force = np.ascontiguousarray(track.force_n[place, begin : end + 1])
    return Coast(end_s / (end - begin), force, turns, travel)


def edges_s(track: Track, channel: int) -> Array:
    """Times of all edges of a wheel, device seconds as in `Track.time_s`."""
    hz = track.hello.tick_hz
    found: list[int] = []
    for sample, time_s in zip(track.samples, track.time_s.tolist(), strict=True):
        now = round((time_s + DELAY_S) * hz)
        found.extend(now - ((sample.tick - tick) & 0xFFFFFFFF) for tick in sample.edges[channel])
    return np.array(found, dtype=np.float64) / hz


class CoastFindings(msgspec.Struct, frozen=True, eq=False):
    """Inertia and loss of a roll set; NaN where no free coast was repeated.

    `warming_n`: change of loss from the first free coast to the same again; `zeros_moved_n`: what
    the zeros of its cells did meanwhile, at the surface.
    """

    fit: CoastFit
    warming_n: float = math.nan
    zeros_moved_n: float = math.nan


def identify(tracks: Sequence[Track], rig: Rig) -> dict[str, CoastFindings]:
    """Base inertia and loss by roll set from all coasts together, with the cells' part.

    The coasts stand in the order in which they ran. Raises Refused (code "coast") when they cannot
    tell inertia and loss.
    """
    found = {}
    for place, roll_set in enumerate(rig.roll_sets):
        absorbers = rig.absorbers_of(roll_set.name)
        share = math.hypot(*(one.cell.relative_sigma / len(absorbers) for one in absorbers))
        zero = math.hypot(
            *(
                one.cell.zero_sigma_n * one.arm_m * one.gear_ratio / roll_set.roll_radius_m
                for one in absorbers
            )
        )
        coasts = [coast_of(track, rig, place) for track in tracks]
        fit = fit_coasts(
            coasts,
            roll_set.base_inertia_kg,
            force_relative_sigma=share,
            force_zero_sigma_n=zero,
        )
        pair = warming(coasts, fit)
        if pair is None:
            found[roll_set.name] = CoastFindings(fit)
            continue
        first, last, change = pair
        moved = math.hypot(
            *(
                (tracks[last].zeros.get(one.name, 0.0) - tracks[first].zeros.get(one.name, 0.0))
                * (one.cell.full_scale_mv_per_v / 2.0**23 * one.cell.newton_per_mv_per_v)
                * (one.arm_m * one.gear_ratio / roll_set.roll_radius_m)
                for one in absorbers
            )
        )
        found[roll_set.name] = CoastFindings(fit, change, moved)
    return found


def delays(track: Track, rig: Rig) -> dict[str, Alignment]:
    """Delay left between force and speed by roll set, from a coast with steps of load.

    Raises Refused (code "alignment").
    """
    found = {}
    bank = Chain(rig, track.hello).wheels
    for place, roll_set in enumerate(rig.roll_sets):
        begin, end = coasting(track, place)
        channel = track.hello.names(ChannelKind.WHEEL).index(roll_set.wheel)
        # edges count from the first sample's own 32-bit tick: bring them to the chain's time
        edges = collect_edges(
            bank.wheels[place], channel, track.hello.tick_hz, track.samples[begin : end + 1]
        )
        first = track.samples[begin].tick / track.hello.tick_hz
        shift = float(track.time_s[begin]) + DELAY_S - first
        edges = msgspec.structs.replace(edges, time_s=edges.time_s + shift)
        part = slice(begin, end + 1)
        found[roll_set.name] = measure_alignment(
            edges, track.time_s[part], track.force_n[place, part]
        )
    return found
