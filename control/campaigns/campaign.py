"""Campaigns: one plan repeated, alternated between set-ups (A-B-A), under like conditions.

Data flow: Campaign + conditions now -> Progress.next -> start, wait (with reasons), change the
set-up, or done; the end of each run comes back by `ended`. Pure; whoever starts tests asks it.
Alternating guards against drift of rig and weather: A-B-A shows it, A-A-B-B hides it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated

import msgspec
from msgspec import Meta

from control.test_kinds.plans import Plan, Schema
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.texts.message import Text, say

_USABLE = frozenset((Quality.GOOD, Quality.AGING))
WHAT = {"rotor_k": "hottest rotor", "oil_k": "oil", "intake_k": "intake air"}


class ConditionBands(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How near each run's start must be to the first one's; what is left out does not matter."""

    rotor_k: Annotated[float, Meta(gt=0, le=300)] | None = 20.0
    oil_k: Annotated[float, Meta(gt=0, le=100)] | None = 5.0
    intake_k: Annotated[float, Meta(gt=0, le=50)] | None = 4.0
    pause_s: Annotated[float, Meta(ge=0, le=7200)] = 30.0  # least time since the last run
    longest_wait_s: Annotated[float, Meta(gt=0, le=14_400)] = 3600.0


class Campaign(
    msgspec.Struct, frozen=True, forbid_unknown_fields=True, tag_field="kind", tag="campaign"
):
    """`setups` in their order, the whole order `repeats` times: A-B-A twice is A-B-A-A-B-A."""

    plan: Plan
    setups: Annotated[
        tuple[Annotated[str, Meta(min_length=1, max_length=40)], ...],
        Meta(min_length=1, max_length=12),
    ] = ("A",)
    repeats: Annotated[int, Meta(ge=1, le=50)] = 3
    alike: ConditionBands = ConditionBands()
    most_void: Annotated[int, Meta(ge=0, le=20)] = 3  # void runs that are run again
    schema: Schema = 1


class CampaignStep(msgspec.Struct, frozen=True):
    """What to do now: "start", "wait", "change" (the set-up; then call `changed`), "done"."""

    do: str
    setup: str = ""
    number: int = 0  # of the valid run this would be, from 1
    why: tuple[Text, ...] = ()


def conditions_of(measured: Measured, rig: Rig) -> dict[str, float]:
    """Temperatures that runs are compared by, K; what is not measured is left out."""
    told: dict[str, float] = {}
    sensors = [absorber.heat.sensor for absorber in rig.absorbers if absorber.heat.sensor]
    by_meaning = {channel.meaning: channel.name for channel in rig.slow}
    intake = by_meaning.get("intake-temperature") or by_meaning.get("ambient-temperature", "")
    for key, names in (
        ("rotor_k", sensors),
        ("oil_k", [by_meaning.get("oil-temperature", "")]),
        ("intake_k", [intake]),
    ):
        readings = [measured.slow[name] for name in names if name in measured.slow]
        values = [one.value for one in readings if one.quality in _USABLE]
        if values:
            told[key] = max(values)
    return told


class Progress:
    """Where a campaign stands."""

    def __init__(self, campaign: Campaign) -> None:
        self.campaign = campaign
        self.order = campaign.setups * campaign.repeats
        self.valid: list[tuple[str, str]] = []  # (set-up, run id)
        self.void_runs: list[tuple[str, str]] = []
        self.first: dict[str, float] | None = None  # conditions of the first start
        self._fitted = self.order[0]
        self._ended_s = -math.inf
        self._waiting_since_s: float | None = None

    def next(self, now_s: float, conditions: Mapping[str, float]) -> CampaignStep:
        """What to do at `now_s` (seconds, any steady clock) under these conditions."""
        number = len(self.valid) + 1
        if number > len(self.order):
            return CampaignStep("done")
        if len(self.void_runs) > self.campaign.most_void:
            return CampaignStep("done", why=(say("runs-were-void", count=len(self.void_runs)),))
        setup = self.order[number - 1]
        if setup != self._fitted:
            return CampaignStep(
                "change", setup, number, (say("fit-set-up-then-go-on", setup=setup),)
            )
        why = self.unlike(now_s, conditions)
        if not why:
            self._waiting_since_s = None
            return CampaignStep("start", setup, number)
        if self._waiting_since_s is None:
            self._waiting_since_s = now_s
        if now_s - self._waiting_since_s > self.campaign.alike.longest_wait_s:
            return CampaignStep(
                "done", setup, number, (say("conditions-did-not-become-alike"), *why)
            )
        return CampaignStep("wait", setup, number, why)

    def unlike(self, now_s: float, conditions: Mapping[str, float]) -> tuple[Text, ...]:
        """Why a run may not begin now, in words; empty when it may."""
        alike = self.campaign.alike
        why: list[Text] = []
        left = self._ended_s + alike.pause_s - now_s
        if left > 0.0:
            why.append(say("wait-s-more-since-last-run", left_s=left))
        if self.first is None:
            return tuple(why)
        for key, what in WHAT.items():
            band: float | None = getattr(alike, key)
            if band is None or key not in self.first:
                continue
            now = conditions.get(key)
            if now is None:
                why.append(say("temperature-of-is-not-measured-now", what=what))
            elif abs(now - self.first[key]) > band:
                why.append(
                    say(
                        "is-at-first-run-began-at",
                        what=what,
                        now_k=now,
                        first_k=self.first[key],
                        band_k=band,
                    )
                )
        return tuple(why)

    def changed(self, setup: str) -> None:
        """A person has fitted a set-up."""
        self._fitted = setup

    def loaded(self, now_s: float) -> None:
        """Load is on, be it another test's: the pause counts from here."""
        self._ended_s = now_s

    def rest(self) -> None:
        """Nobody waits now: the longest wait counts anew afterwards."""
        self._waiting_since_s = None

    def started(self, conditions: Mapping[str, float]) -> None:
        """A run began under these conditions; the first ones are the measure of the others."""
        if self.first is None:
            self.first = dict(conditions)

    def ended(self, run_id: str, valid: bool, now_s: float) -> None:
        """A run ended; a void one is run again."""
        number = len(self.valid) + 1
        setup = self.order[min(number, len(self.order)) - 1]
        (self.valid if valid else self.void_runs).append((setup, run_id))
        if not valid and not self.valid:
            self.first = None
        self._ended_s = now_s
