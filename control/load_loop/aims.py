"""What a running demand is about."""

from __future__ import annotations

import enum


class Aim(enum.IntEnum):
    """What the running demand is about."""

    NOTHING = 0  # observe only
    SPEED = 1  # m/s, each roll set or the mean
    FORCE = 2  # N, whole rig at the roll surface
    POWER = 3  # W, whole rig at the roll surface
    TRACK = 4  # m/s: the target is the reference of this frame, the rate its acceleration
    CURRENT = 5  # A, of each absorber: only to identify them


NOTHING, SPEED, FORCE, POWER, TRACK, CURRENT = (int(aim) for aim in Aim)  # for compiled code
