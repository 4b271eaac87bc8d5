"""Who takes how much: between roll sets, and between the absorbers of one roll set.

Data flow: a force asked of a group -> `asked_n` of its members by weight, none above what it has
available. What nobody can take is returned as the shortfall. Works on any records with the fields
`group`, `share_weight`, `available_n` and `asked_n`.
"""

from __future__ import annotations

from control.load_loop.records import Records
from daq.kernel import jit

NOTHING_N = 1e-9  # less than this left over is rounding


@jit
def share_by_weight(takers: Records, group: int, total_n: float) -> float:
    """Split `total_n` over the takers of a group; what is above one's `available_n` goes to others.

    Returns the shortfall in newtons (0 when all was placed).
    """
    members = 0
    for i in range(takers.shape[0]):
        if takers[i].group == group:
            takers[i].asked_n = 0.0
            members += 1
    left = total_n if total_n > 0.0 else 0.0
    for _ in range(members):
        weight = 0.0
        for i in range(takers.shape[0]):
            taker = takers[i]
            if taker.group != group:
                continue
            if taker.asked_n < taker.available_n and taker.share_weight > 0.0:
                weight += taker.share_weight
        if weight <= 0.0 or left <= NOTHING_N:
            break
        placed = 0.0
        for i in range(takers.shape[0]):
            taker = takers[i]
            if taker.group != group:
                continue
            if taker.asked_n < taker.available_n and taker.share_weight > 0.0:
                share = left * taker.share_weight / weight
                free = taker.available_n - taker.asked_n
                part = share if share < free else free
                taker.asked_n += part
                placed += part
        left -= placed
    return left if left > NOTHING_N else 0.0
