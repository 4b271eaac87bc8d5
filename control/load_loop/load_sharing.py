"""Who takes how much: between roll sets, and between the absorbers of one roll set.

Data flow: a total force asked of the rig (or one per roll set) -> forces per roll set -> forces
per absorber, by headroom. What nobody can take is returned as the shortfall.
"""

from __future__ import annotations

import enum

import numpy as np
import numpy.typing as npt

from daq.kernel import jit

Floats = npt.NDArray[np.float64]


class Between(enum.IntEnum):
    """How roll sets share."""

    EQUAL_SPEED = 0  # electronic shaft: every roll set holds the same speed by itself
    FIXED_SPLIT = 1  # given fractions of the total
    HEADROOM = 2  # in proportion to what each could still take


@jit
def by_weight(total_n: float, weights: Floats, capacities_n: Floats, out_n: Floats) -> float:
    """Split `total_n` over `out_n` by `weights`, none above its capacity; the rest goes to others.

    Returns the shortfall in newtons (0 when all was placed). Arrays have one entry per taker.
    """
    count = out_n.shape[0]
    left = total_n if total_n > 0.0 else 0.0
    for i in range(count):
        out_n[i] = 0.0
    for _ in range(count):
        weight = 0.0
        for i in range(count):
            if out_n[i] < capacities_n[i] and weights[i] > 0.0:
                weight += weights[i]
        if weight <= 0.0 or left <= 1e-9:
            break
        placed = 0.0
        for i in range(count):
            if out_n[i] < capacities_n[i] and weights[i] > 0.0:
                share = left * weights[i] / weight
                room = capacities_n[i] - out_n[i]
                part = share if share < room else room
                out_n[i] += part
                placed += part
        left -= placed
    return left if left > 1e-9 else 0.0
