"""After how many teeth does a wheel's pattern repeat, and does it stay as it is?

Data flow: edges of a coast (daq.proving.runs.Track) -> places of the edges about a smooth motion ->
folded by every number of teeth near the stated one -> the number that makes a pattern. Then the
part that comes once per turn, block by block: a loose wheel moves in its seat, and that part with
it, while the pitches stay. A heavy spot moves with the square of the speed and is taken out.

A wheel too even to show a pattern above its noise cannot be counted this way; 0 says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from daq.measure.speed.tooth_errors import ALIGN_MARGIN, best_turn
from daq.proving.runs import Track, coasting, edges_s
from daq.rig.description import Rig
from daq.wire.frames import ChannelKind

Array = npt.NDArray[np.float64]

NEAR = 0.1  # of the stated number: so far around it is looked
CLEAR = 4.0  # variance between teeth over that within: a pattern is there
BETTER = 2.0  # ... and over that of the stated number: the stated one is wrong
DEGREE = 7  # of the polynomial that a coast follows
BLOCK_TURNS = 12
LEAST_TURNS = 30


class ToothPattern(msgspec.Struct, frozen=True):
    """What the edges of one wheel say of it, over all coasts given."""

    teeth: int  # after which the pattern repeats; 0: no pattern stands out
    clearness: float  # variance between teeth over that within, 1: none
    moved_rad: float  # largest change of the once-per-turn part, NaN: not seen long enough
    moved_sigma_rad: float


class _Places(msgspec.Struct, frozen=True, eq=False):
    """Deviations of the edges of one coast from a smooth motion, in pitches; and its speed."""

    off: Array
    hz: Array  # edges per second at each edge


def _places(track: Track, rig: Rig, place: int) -> _Places:
    """Raises Refused when the recording holds no coast."""
    begin, end = coasting(track, place)
    channel = track.hello.names(ChannelKind.WHEEL).index(rig.roll_sets[place].wheel)
    times = edges_s(track, channel)
    first, last = track.time_s[begin], track.time_s[end]
    times = times[(times >= first) & (times <= last)]
    number = np.arange(len(times), dtype=np.float64)
    u = 2.0 * (times - times[0]) / (times[-1] - times[0]) - 1.0
    motion = np.polynomial.Chebyshev.fit(u, number, DEGREE)
    off = number - motion(u)
    wide = 4 * rig.roll_sets[place].teeth
    if len(off) > 2 * wide:  # what is slower than some turns is motion too
        total = np.concatenate([[0.0], np.cumsum(off)])
        slow = (total[wide:] - total[:-wide]) / wide
        off = off[wide // 2 : wide // 2 + len(slow)] - slow
        number = number[wide // 2 : wide // 2 + len(slow)]
        u = u[wide // 2 : wide // 2 + len(slow)]
    return _Places(off, motion.deriv()(u) * 2.0 / (times[-1] - times[0]))


def _folded(off: Array, teeth: int) -> tuple[Array, float]:
    """Mean deviation of each tooth, and the variance between teeth over that within."""
    tooth = np.arange(len(off)) % teeth
    counts = np.bincount(tooth, minlength=teeth)
    means = np.bincount(tooth, off, teeth) / counts
    between = float(counts @ means**2)
    within = float(off @ off) - between
    return means, (between / teeth) / (within / (len(off) - teeth))


def tooth_pattern(tracks: Sequence[Track], rig: Rig, place: int) -> ToothPattern:
    """The pattern of one wheel from coasts in one session. Raises Refused without a coast."""
    stated = rig.roll_sets[place].teeth
    coasts = [_places(track, rig, place) for track in tracks]
    coasts = [one for one in coasts if len(one.off) >= LEAST_TURNS * stated]
    if not coasts:
        return ToothPattern(0, 1.0, math.nan, math.nan)
    longest = max(coasts, key=lambda one: len(one.off)).off
    near = math.ceil(NEAR * stated)
    clear = {
        teeth: _folded(longest, teeth)[1]
        for teeth in range(max(2, stated - near), stated + near + 1)
    }
    best = max(clear, key=lambda teeth: clear[teeth])
    if clear[best] < BETTER * clear[stated]:
        best = stated
    if clear[best] < CLEAR:
        return ToothPattern(0, clear[best], math.nan, math.nan)
    moved, sigma = _moved(coasts, best)
    return ToothPattern(best, clear[best], moved, sigma)


def _moved(coasts: Sequence[_Places], teeth: int) -> tuple[float, float]:
    """Largest change of the once-per-turn part in rad of the wheel, with its sigma."""
    size = BLOCK_TURNS * teeth
    once: list[complex] = []
    slowness: list[float] = []
    variances: list[float] = []
    group: list[int] = []  # coasts turned to each other share a constant part
    table: Array | None = None
    for number, coast in enumerate(coasts):
        blocks = [slice(begin, begin + size) for begin in range(0, len(coast.off) - size + 1, size)]
        if not blocks:
            continue
        noises = [_noise(coast.off[rows], teeth) for rows in blocks]
        pitches = _without_once(_folded(coast.off, teeth)[0])
        turn, own = 0, 0
        if table is None:
            table = pitches
        else:  # there is no index tooth: the pitches say which tooth is which, if they stand out
            variance = float(np.mean(noises)) * 2.0 * teeth / len(coast.off)
            turn, _, lead = best_turn(pitches, table, variance)
            own = number if lead < ALIGN_MARGIN else 0
        for rows, noise in zip(blocks, noises, strict=True):
            angle = 2.0 * np.pi * (np.arange(rows.start, rows.stop) + turn) / teeth
            once.append(complex(2.0 / size * np.sum(coast.off[rows] * np.exp(-1j * angle))))
            slowness.append(float(np.mean(coast.hz[rows])) ** -2.0)
            variances.append(2.0 * noise / size)
            group.append(own)
    groups = sorted(set(group))
    if len(once) < len(groups) + 3:
        return math.nan, math.nan
    columns = [np.array(slowness) / max(slowness)]
    columns += [np.array([1.0 if one == each else 0.0 for each in group]) for one in groups]
    design, values = np.stack(columns, axis=1), np.array(once)
    weights = 1.0 / np.sqrt(np.array(variances))
    constant, *_ = np.linalg.lstsq(design * weights[:, None], values * weights, rcond=None)
    rest = np.abs(values - design @ constant)
    worst = int(np.argmax(rest * weights))
    rad = 2.0 * math.pi / teeth
    return float(rest[worst]) * rad, math.sqrt(variances[worst]) * rad


def _noise(off: Array, teeth: int) -> float:
    """Variance of one edge within a block, its own pattern taken out."""
    means, _ = _folded(off, teeth)
    rest = off - means[np.arange(len(off)) % teeth]
    return float(rest @ rest) / max(1.0, len(off) - teeth)


def _without_once(means: Array) -> Array:
    spectrum = np.fft.rfft(means)
    spectrum[:2] = 0.0
    return np.fft.irfft(spectrum, len(means))
