"""Fresh roll travel for control: from the newest tooth edges only, with its own age at each frame.

Data flow: the edge rings of daq.measure.speed.estimator.WheelBank -> travel since the edge that was
newest one frame ago, and the age of the newest. No window, no smoothing: the load controller has
its own observer and needs low delay more than low noise. What is shown or reported comes from
daq.measure.speed.estimator.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.measure.speed.edges import HEAD, HELD, TICK

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

LONGEST_S = 0.25  # a stretch longer than this says little about now
# state columns
LAST_TICK, LAST_INDEX, LAST_TOOTH, KNOWN = range(4)
FRESH_STATE = 4


@jit
def fresh_travel(
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray, state: IntArray,
    last: IntArray, pitches: FloatArray, now_tick: int, tick_s: float, out: FloatArray,
) -> None:  # fmt: skip
    """Per wheel `out[w] = (travel in m, age in s)`; travel NaN when no new edge came."""
    mask = ticks.shape[1] - 1  # the rings' length is a power of two
    for w in range(out.shape[0]):
        out[w, 0] = np.nan
        out[w, 1] = 0.0
        if state[w, HELD] < 1:
            last[w, KNOWN] = 0
            continue
        place = (state[w, HEAD] - 1) & mask
        tick = ticks[w, place]
        if last[w, KNOWN] == 1:
            span = (tick - last[w, LAST_TICK]) * tick_s
            if span <= 0.0:
                continue
            travel = (
                indices[w, place]
                - last[w, LAST_INDEX]
                + offsets[w, tooth[w, place]]
                - offsets[w, last[w, LAST_TOOTH]]
            )
            if span < LONGEST_S and travel > 0.0:
                out[w, 0] = travel * pitches[w]
                out[w, 1] = (now_tick - tick) * tick_s
        last[w, LAST_TICK] = tick
        last[w, LAST_INDEX] = indices[w, place]
        last[w, LAST_TOOTH] = tooth[w, place]
        last[w, KNOWN] = 1 if state[w, TICK] == tick else 0
