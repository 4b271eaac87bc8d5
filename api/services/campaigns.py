"""The campaign in hand: keeps it on the disk, judges its runs, records its sets of runs.

Data flows: telemetry -> conditions -> control.campaigns.sequence -> View; catalogue -> the verdict
of a run that is over -> sequence; people (routes) -> fitted, run, pause, resume, stop. A run is
begun only inside `run`, on behalf of the person who asks, through the same gate as any test:
nothing here puts load on by itself, and after a restart of the service the campaign is paused.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from api.runtime.channel import LoopGone
from api.runtime.channel_client import ChannelClient
from api.store import vehicle_records
from api.store.campaign_files import Filed, Listed, list_campaigns, read_campaign, write_campaign
from api.store.run_lifecycle import RunLifecycle, new_run_id, utc_now
from api.store.schema import RunState
from control.campaigns.campaign import Campaign, conditions_of
from control.campaigns.sequence import CampaignPosition, CampaignRun, Sequence, Stage
from control.telemetry import Telemetry
from control.test_kinds.plans import Plan, kind_of
from daq.errors import NoSuchRun, Refused, StoreError
from daq.rig.description import Rig
from daq.texts.message import Text, say

LOOK_EVERY_S = 1.0
STALE_S = 1.0
NEVER_BEGAN_S = 15.0  # neither rig nor catalogue know the run after so long: it never began
OVER = (RunState.CLOSED, RunState.INTERRUPTED, RunState.FAILED)
LEAST_PER_SETUP = 2  # valid runs that a comparison needs

log = logging.getLogger("drumlin.campaign")
StartRun = Callable[[str, Plan, str, str], Awaitable[None]]  # run id, plan, vehicle, note


class CampaignView(msgspec.Struct, frozen=True):
    """A campaign for people."""

    id: str
    name: str
    vehicle: str
    kind: str  # of the tests it repeats
    order: tuple[str, ...]  # set-ups of all runs, in their order
    stage: Stage
    setup: str  # of the run that comes next or runs
    number: int  # of that run; send it with the start
    of: int
    why: tuple[Text, ...]  # what it waits for, or why it ended
    fitted: str
    running: str  # id of the run that is on or being evaluated
    runs: tuple[CampaignRun, ...]
    first: dict[str, float]  # conditions of the first run's start, K
    now: dict[str, float]  # the same now; what is not measured is left out
    sets: dict[str, str]  # set-up -> its set of runs; "" -> the set of all of them
    complete: bool
    hints: tuple[Text, ...]
    made_at: str


class InHand:
    """A campaign and its sequence."""

    def __init__(self, filed: Filed, now_s: float, sequence: Sequence | None = None) -> None:
        self.filed = filed
        self.sequence = sequence or Sequence(filed.campaign, now_s, filed.kept)
        self.begun_s = now_s  # when a run was begun, or this came up
        self.recorded: dict[str, tuple[str, ...]] = {}


class CampaignService:
    """One per service."""

    def __init__(
        self,
        data: Path,
        rig: Rig,
        loop_client: ChannelClient,
        keeper: RunLifecycle,
        clock: Callable[[], float],
    ) -> None:
        self._data = data
        self._rig = rig
        self._loop = loop_client
        self._keeper = keeper
        self._clock = clock
        self._lock = asyncio.Lock()
        self.current: InHand | None = None
        self._recover()

    def _recover(self) -> None:
        """The newest campaign that had not ended comes up paused."""
        for listed in list_campaigns(self._data):
            if listed.kept.ended:
                continue
            try:
                filed = read_campaign(self._data, listed.id)
            except StoreError as error:
                log.warning("%s", error)
                continue
            if filed is not None:
                self.current = InHand(filed, self._clock())
                self.current.sequence.pause(say("service-was-restarted"))
                return

    async def run(self) -> None:
        """Look once a second until cancelled."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_EVERY_S)

    async def look(self) -> None:
        """Judge a run that is over, notice an end, keep the sets of runs true."""
        async with self._lock:
            hand = self.current
            if hand is None:
                return
            before = hand.sequence.kept()
            if hand.sequence.running:
                await self._judge(hand)
            self._where(hand)
            if hand.sequence.kept() != before:
                await self._keep(hand)
            await self._record(hand)

    async def begin(
        self, campaign: Campaign, name: str, vehicle: str, note: str, holder: str
    ) -> CampaignView:
        """Take a campaign in hand; commands nothing. Raises Refused and StoreError."""
        async with self._lock:
            if self.current is not None and not self.current.sequence.ended:
                raise Refused(
                    say("campaign-in-hand", name=self.current.filed.name),
                    say("finish-or-stop-first"),
                    "campaign-in-hand",
                )
            campaign_id = new_run_id()
            name = name or f"Campaign {campaign_id}"
            await self._check_name(name, campaign)
            sequence = Sequence(campaign, self._clock())
            filed = Filed(
                campaign_id, name, vehicle, note, utc_now(), holder, campaign, sequence.kept()
            )
            await asyncio.to_thread(write_campaign, self._data, filed)
            self.current = InHand(filed, self._clock(), sequence)
            return self._view(self.current)

    async def fitted(self, campaign_id: str, setup: str) -> CampaignView:
        """The other set-up is on the truck. Raises Refused."""
        async with self._lock:
            hand = self._of(campaign_id)
            hand.sequence.tell_fitted(setup, self._where(hand))
            await self._keep(hand)
            return self._view(hand)

    async def run_next(self, campaign_id: str, number: int, start: StartRun) -> str:
        """Begin run `number` on behalf of whoever asks; its id. Raises as `start` does, Refused."""
        async with self._lock:
            hand = self._of(campaign_id)
            where = self._where(hand)
            run_id = new_run_id()
            hand.sequence.begin(run_id, number, where, self._conditions())
            hand.begun_s = self._clock()
            try:
                # Kept before it begins: after a crash between the two the run is still known.
                await self._keep(hand)
                await start(
                    run_id, hand.filed.campaign.plan, hand.filed.vehicle, self._note(hand, where)
                )
            except LoopGone:
                raise  # it may have begun: `look` finds out
            except BaseException:
                hand.sequence.not_begun()
                await self._keep(hand, quiet=True)
                raise
            return run_id

    async def pause(self, campaign_id: str) -> CampaignView:
        async with self._lock:
            hand = self._of(campaign_id)
            hand.sequence.pause()
            await self._keep(hand)
            return self._view(hand)

    async def resume(self, campaign_id: str) -> CampaignView:
        async with self._lock:
            hand = self._of(campaign_id)
            hand.sequence.resume()
            await self._keep(hand)
            return self._view(hand)

    async def stop(self, campaign_id: str, who: str) -> CampaignView:
        """End it for good; whoever calls eases a run off. Raises Refused."""
        async with self._lock:
            hand = self._of(campaign_id)
            hand.sequence.stop(say("stopped-by", who=who))
            await self._keep(hand)
            await self._record(hand)
            return self._view(hand)

    async def view(self, campaign_id: str) -> CampaignView:
        """A campaign, in hand or ended. Raises NoSuchRun."""
        hand = self.current
        if hand is not None and hand.filed.id == campaign_id:
            return self._view(hand)
        return self._view(InHand(await self._filed(campaign_id), self._clock()))

    async def listed(self) -> list[Listed]:
        """The newest campaigns, newest first."""
        return await asyncio.to_thread(list_campaigns, self._data)

    async def sides(self, campaign_id: str) -> dict[str, list[str]]:
        """Valid runs by set-up. Raises NoSuchRun."""
        view = await self.view(campaign_id)
        return {
            setup: [ran.run_id for ran in view.runs if ran.valid and ran.setup == setup]
            for setup in dict.fromkeys(view.order)
        }

    # ---- inside ----------------------------------------------------------------------------------

    def _of(self, campaign_id: str) -> InHand:
        hand = self.current
        if hand is None or hand.filed.id != campaign_id:
            raise Refused(
                say("campaign-not-in-hand", campaign=campaign_id),
                say("look-at-list-campaigns"),
                "campaign-not-in-hand",
            )
        return hand

    async def _filed(self, campaign_id: str) -> Filed:
        filed = await asyncio.to_thread(read_campaign, self._data, campaign_id)
        if filed is None:
            raise NoSuchRun(
                say("there-no-campaign", campaign=campaign_id), say("look-at-list-them")
            )
        return filed

    def _telemetry(self) -> Telemetry | None:
        """The newest, unless it is old."""
        loop = self._loop
        return loop.latest if loop.connected and loop.age_s <= STALE_S else None

    def _conditions(self) -> dict[str, float]:
        newest = self._telemetry()
        if newest is None or newest.measured is None:
            return {}
        return conditions_of(newest.measured, self._rig)

    def _where(self, hand: InHand) -> CampaignPosition:
        newest = self._telemetry()
        under_load = newest.test.run_id if newest is not None and newest.test is not None else ""
        return hand.sequence.look(self._clock(), self._conditions(), under_load)

    async def _judge(self, hand: InHand) -> None:
        sequence = hand.sequence
        try:
            run = await asyncio.to_thread(self._keeper.catalogue.run, sequence.running)
        except StoreError as error:
            log.warning("%s", error)
            return
        if run is None:
            newest = self._telemetry()
            silent = newest is None or (
                newest.test is not None and newest.test.run_id == sequence.running
            )
            if not silent and self._clock() - hand.begun_s > NEVER_BEGAN_S:
                sequence.not_begun()
            return
        if run.state not in OVER:
            return
        told: Mapping[str, Any] = run.result if isinstance(run.result, dict) else {}
        valid = run.state is RunState.CLOSED and bool(told.get("valid"))
        why = "" if valid else "; ".join(map(str, told.get("void") or ())) or run.reason
        sequence.judge(valid, why, self._clock())

    async def _keep(self, hand: InHand, quiet: bool = False) -> None:
        hand.filed = msgspec.structs.replace(hand.filed, kept=hand.sequence.kept())
        try:
            await asyncio.to_thread(write_campaign, self._data, hand.filed)
        except StoreError as error:
            if not quiet:
                raise
            log.warning("%s", error)

    async def _record(self, hand: InHand) -> None:
        """Keep the sets of runs as the valid runs are; tried again at the next look."""
        names = set_names(hand.filed)
        for setup, name in names.items():
            members = tuple(
                ran.run_id
                for ran in hand.sequence.runs
                if ran.valid and (not setup or ran.setup == setup)
            )
            if not members or hand.recorded.get(name) == members:
                continue
            about = f"Campaign {hand.filed.id}: " + (
                f"set-up {setup}" if setup else "-".join(hand.sequence.progress.order)
            )
            wanted = vehicle_records.RunSet(name, about, utc_now(), members)
            try:
                await asyncio.to_thread(vehicle_records.put_set, self._keeper.catalogue, wanted)
            except (StoreError, Refused, NoSuchRun) as error:
                log.warning("%s", error)
                continue
            hand.recorded[name] = members

    async def _check_name(self, name: str, campaign: Campaign) -> None:
        there = await asyncio.to_thread(vehicle_records.all_sets, self._keeper.catalogue)
        taken = {each.name for each in there}
        for wanted in _names(name, campaign).values():
            if wanted in taken:
                raise Refused(
                    say("there-set-runs-named", name=wanted),
                    say("give-campaign-another-name"),
                    "campaign-name",
                )

    def _note(self, hand: InHand, where: CampaignPosition) -> str:
        said = f" {hand.filed.note}" if hand.filed.note else ""
        total = len(hand.sequence.progress.order)
        return (
            f"Campaign '{hand.filed.name}', run {where.number} of {total}, "
            f"set-up {where.setup}.{said}"
        )

    def _view(self, hand: InHand) -> CampaignView:
        sequence, filed = hand.sequence, hand.filed
        where = self._where(hand)
        return CampaignView(
            id=filed.id,
            name=filed.name,
            vehicle=filed.vehicle,
            kind=kind_of(filed.campaign.plan),
            order=sequence.progress.order,
            stage=where.stage,
            setup=where.setup,
            number=where.number,
            of=len(sequence.progress.order),
            why=where.why,
            fitted=sequence.fitted,
            running=sequence.running,
            runs=tuple(sequence.runs),
            first=sequence.progress.first or {},
            now=self._conditions(),
            sets=set_names(filed),
            complete=sequence.complete,
            hints=_hints(filed.campaign),
            made_at=filed.made_at,
        )


def set_names(filed: Filed) -> dict[str, str]:
    """Names of its sets of runs: of all ("") and, with several set-ups, of each."""
    return _names(filed.name, filed.campaign)


def _names(name: str, campaign: Campaign) -> dict[str, str]:
    several = dict.fromkeys(campaign.setups)
    each = {setup: f"{name} / {setup}" for setup in several} if len(several) > 1 else {}
    return {"": name} | each


def _hints(campaign: Campaign) -> tuple[Text, ...]:
    order = campaign.setups * campaign.repeats
    several = dict.fromkeys(campaign.setups)
    few = [setup for setup in several if order.count(setup) < LEAST_PER_SETUP]
    if len(several) < 2 or not few:
        return ()
    return (say("comparison-needs-valid-runs-each-set", least=LEAST_PER_SETUP, setups=few),)
