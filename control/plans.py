"""Plans: what a test asks for. Versioned, SI inside, checked before they are accepted.

Each test kind is one struct with `kind` as its tag; control.demand turns a plan into demands.
"""

from __future__ import annotations

from typing import Annotated

import msgspec
from msgspec import Meta

PLAN_SCHEMA = 1


class Tolerance(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Band around the set point counted as held, relative."""

    relative: Annotated[float, Meta(gt=0, le=0.2)] = 0.005


class SteadyHold(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="steady-hold"
):
    """Hold engine speed (`rpm`) or roll speed (`speed_mps`) for `seconds`; exactly one is given."""

    seconds: Annotated[float, Meta(gt=0, le=7200)]
    rpm: Annotated[float, Meta(gt=0, le=10_000)] | None = None
    speed_mps: Annotated[float, Meta(gt=0, le=80)] | None = None
    settle_s: Annotated[float, Meta(ge=0, le=600)] = 10.0  # left out of the result
    tolerance: Tolerance = Tolerance()
    schema: Annotated[int, Meta(ge=1, le=PLAN_SCHEMA)] = PLAN_SCHEMA


Plan = SteadyHold  # grows into a union of the eight test kinds
