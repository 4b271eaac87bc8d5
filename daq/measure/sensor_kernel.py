"""Compiled: the bytes of a sample to rows of cells and wheels, and these to the force balance.

Data flow: body of a SAMPLE (daq.wire.frames) -> `update_sensors` -> rows of
daq.measure.force.load_cell and daq.measure.speed.estimator -> `update_balance` -> the flat row of
daq.measure.balance and fresh travel. What is rare happens between the two, in
daq.measure.chain: a wheel's teeth are learned, its first edges awaited, a cell has drifted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit, refresh_cache
from daq.measure import balance as balance_module
from daq.measure import rest
from daq.measure.balance import balance
from daq.measure.force import load_cell
from daq.measure.force.load_cell import update_cells
from daq.measure.rest import NO_CURRENT_A
from daq.measure.speed import edges, estimator, fit
from daq.measure.speed import fresh_travel as fresh_travel_module
from daq.measure.speed.estimator import update_wheels
from daq.measure.speed.fresh_travel import fresh_travel
from daq.wire import frame_kernel, frames
from daq.wire.frame_kernel import (
    CONVERTERS,
    FIRST_WHEEL,
    OUTPUTS,
    WHEEL_HEAD,
    WHEELS,
    i24,
    u16,
    u32,
)
from daq.wire.frames import CURRENT_STEP_A

refresh_cache(
    __file__,
    balance_module.__file__,
    rest.__file__,
    load_cell.__file__,
    edges.__file__,
    estimator.__file__,
    fit.__file__,
    fresh_travel_module.__file__,
    frame_kernel.__file__,
    frames.__file__,
)

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@jit
def read_sample(
    body: bytes, wheel_channels: IntArray, cell_channels: IntArray, output_channels: IntArray,
    arrivals: IntArray, counts: IntArray, coils_a: FloatArray,
) -> bool:  # fmt: skip
    """Edges, counts and currents of the rig's channels, in rig order; True when a coil, of
    whatever output, carries current."""
    made = 0
    for w in range(wheel_channels.shape[0]):
        at = FIRST_WHEEL
        for _ in range(wheel_channels[w]):
            at += WHEEL_HEAD + 4 * int(body[at + 2])
        n = int(body[at + 2])
        arrivals[made] = u16(body, at)
        arrivals[made + 1] = n
        for k in range(n):
            arrivals[made + 2 + k] = u32(body, at + WHEEL_HEAD + 4 * k)
        made += 2 + n
    at = FIRST_WHEEL
    for _ in range(body[WHEELS]):
        at += WHEEL_HEAD + 4 * int(body[at + 2])
    for c in range(cell_channels.shape[0]):
        counts[2 * c] = i24(body, at + 4 * cell_channels[c])
        counts[2 * c + 1] = body[at + 4 * cell_channels[c] + 3]
    at += 4 * int(body[CONVERTERS])
    for a in range(output_channels.shape[0]):
        coils_a[a] = u16(body, at + 2 * output_channels[a]) * CURRENT_STEP_A
    most = 0
    for output in range(body[OUTPUTS]):
        most = max(most, u16(body, at + 2 * output))
    return most * CURRENT_STEP_A > NO_CURRENT_A


@jit
def update_sensors(
    body: bytes, now_tick: int, now_s: float, aligned_s: float, frame_s: float,
    # the front end's index of each wheel, cell and supply; what the sample says of them
    wheel_channels: IntArray, cell_channels: IntArray, output_channels: IntArray,
    arrivals: IntArray, counts: IntArray, coils_a: FloatArray,
    # daq.measure.force.load_cell.CellBank
    cell_parameters: FloatArray, cell_state: FloatArray, cell_int_state: IntArray,
    times: FloatArray, forces: FloatArray, means: FloatArray, to_surface: FloatArray,
    roll_set: IntArray, push: FloatArray, cells: FloatArray,
    # daq.measure.speed.estimator.WheelBank
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray, teeth: IntArray,
    wheel_state: IntArray, motion: FloatArray, wheel_parameters: FloatArray, blocks: IntArray,
    work: FloatArray, wheels: FloatArray,
) -> int:  # fmt: skip
    """All cells and wheels, one frame, into the rows `cells` and `wheels`.

    Bit 0 of what is returned: some coil carries current; the bits above: which wheels have turned
    their `blocks` of edges.
    """
    flows = read_sample(
        body, wheel_channels, cell_channels, output_channels, arrivals, counts, coils_a
    )  # fmt: skip
    rows = update_cells(
        counts, now_s, frame_s, aligned_s, cell_parameters, cell_state, cell_int_state, times,
        forces, means, to_surface, roll_set, push, cells,
    )  # fmt: skip
    ready = update_wheels(
        ticks, indices, tooth, offsets, teeth, wheel_state, motion, wheel_parameters, now_tick,
        arrivals, blocks, push, rows, work, wheels,
    )  # fmt: skip
    return ready << 1 | int(flows)


@jit
def update_balance(
    now_tick: int, tick_s: float, current_flows: bool, wheels: FloatArray, cells: FloatArray,
    sets: FloatArray, absorbers: FloatArray, balanced: FloatArray,
    ticks: IntArray, indices: IntArray, tooth: IntArray, offsets: FloatArray,
    wheel_state: IntArray, newest: IntArray, pitches: FloatArray, travel: FloatArray,
) -> None:  # fmt: skip
    """The force balance of the rows into `balanced`, and the fresh travel into `travel`."""
    balance(wheels, cells, sets, absorbers, current_flows, balanced)
    fresh_travel(
        ticks, indices, tooth, offsets, wheel_state, newest, pitches, now_tick, tick_s, travel
    )  # fmt: skip
