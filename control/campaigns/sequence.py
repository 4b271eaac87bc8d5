"""A campaign at the rig: what it waits for now, and what people may tell it.

Data flow: Campaign + time, conditions and the run under load -> Sequence.look -> Where; people's
words (fitted, begin, pause, resume, stop) and each run's judgement come in by methods. Pure: it
never starts anything. It says that a run may be asked for; a person asks, and the gate decides.
`kept` and the constructor carry it over a restart, after which it is paused.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping

import msgspec

from control.campaigns.campaign import Campaign, Progress
from daq.errors import Refused
from daq.texts.message import Text, say, sentences


class Stage(enum.StrEnum):
    """What a campaign is at."""

    PAUSED = "paused"  # by hand or by a restart; a person resumes it
    CHANGE = "change"  # the next set-up is to be fitted, then told
    WAITING = "waiting"  # conditions are not alike yet; `why` says what is missing
    ASK = "ask"  # alike: a person checks truck and people and starts the run
    RUNNING = "running"  # a run of the campaign has begun and is not judged yet
    DONE = "done"


class CampaignRun(msgspec.Struct, frozen=True):
    """One run of the campaign and whether it counts."""

    run_id: str
    setup: str
    valid: bool
    why: Text = ""  # what made it void


class CampaignMemory(msgspec.Struct, frozen=True):
    """Everything that outlives a restart."""

    runs: tuple[CampaignRun, ...] = ()
    first: dict[str, float] | None = None  # conditions of the first valid start, K
    fitted: str = ""
    running: str = ""  # run that was begun and is not judged yet
    begun: dict[str, float] = {}  # conditions of its start
    paused: bool = False
    ended: bool = False
    why: tuple[Text, ...] = ()  # of the end


class CampaignPosition(msgspec.Struct, frozen=True):
    """Where a campaign stands at one moment."""

    stage: Stage
    setup: str = ""
    number: int = 0  # of the valid run that comes next or runs, from 1
    why: tuple[Text, ...] = ()


class Sequence:
    """One campaign. `now_s` is any steady clock; after a restart the pause counts from there."""

    def __init__(
        self, campaign: Campaign, now_s: float, kept: CampaignMemory | None = None
    ) -> None:
        self.campaign = campaign
        self.progress = Progress(campaign)
        self.fitted = kept.fitted if kept is not None and kept.fitted else campaign.setups[0]
        self.runs: list[CampaignRun] = []
        self.running = ""
        self.paused = False
        self.ended = False
        self.why: tuple[Text, ...] = ()
        self._begun: dict[str, float] = {}
        if kept is None:
            return
        for ran in kept.runs:
            self.progress.ended(ran.run_id, ran.valid, now_s)
        self.progress.first = dict(kept.first) if kept.first is not None else None
        self.progress.changed(self.fitted)
        self.progress.loaded(now_s)
        self.runs = list(kept.runs)
        self.running, self._begun = kept.running, dict(kept.begun)
        self.ended, self.why = kept.ended, kept.why
        self.paused = not kept.ended

    @property
    def complete(self) -> bool:
        """All runs of the order are there and valid."""
        return len(self.progress.valid) == len(self.progress.order)

    def kept(self) -> CampaignMemory:
        """What a later Sequence needs to go on from here."""
        return CampaignMemory(
            tuple(self.runs), self.progress.first, self.fitted, self.running, dict(self._begun),
            self.paused, self.ended, self.why,
        )  # fmt: skip

    def look(
        self, now_s: float, conditions: Mapping[str, float], under_load: str = ""
    ) -> CampaignPosition:
        """Where it stands. `under_load`: the run whose test is on now, be it another's."""
        if under_load:
            self.progress.loaded(now_s)
        number = min(len(self.progress.valid) + 1, len(self.progress.order))
        setup = self.progress.order[number - 1]
        if self.ended:
            return CampaignPosition(Stage.DONE, why=self.why)
        if self.running:
            return CampaignPosition(Stage.RUNNING, setup, number)
        if self.paused:
            return CampaignPosition(Stage.PAUSED, setup, number, self.why)
        if under_load:
            self.progress.rest()
            return CampaignPosition(Stage.WAITING, setup, number, (say("another-test-is-running"),))
        step = self.progress.next(now_s, conditions)
        if step.do == "done":
            self._end(step.why)
            return CampaignPosition(Stage.DONE, why=self.why)
        stage = {"change": Stage.CHANGE, "wait": Stage.WAITING, "start": Stage.ASK}[step.do]
        return CampaignPosition(stage, step.setup, step.number, step.why)

    def tell_fitted(self, setup: str, where: CampaignPosition) -> None:
        """A person has fitted a set-up. Raises Refused unless it is the one asked for."""
        if where.stage is not Stage.CHANGE:
            raise _not_now(say("campaign-no-set-up-now", stage=where.stage), where)
        if setup != where.setup:
            raise Refused(
                say("set-up-is-to-be-fitted", setup=where.setup, asked=setup),
                say("fit-then-say-so", setup=where.setup),
                "campaign-set-up",
            )
        self.fitted = setup
        self.progress.changed(setup)

    def begin(
        self, run_id: str, number: int, where: CampaignPosition, conditions: Mapping[str, float]
    ) -> None:
        """A person asks for run `number`. Raises Refused unless that is what is asked for."""
        if where.stage is not Stage.ASK:
            raise _not_now(say("campaign-no-run-now", stage=where.stage), where)
        if number != where.number:
            raise Refused(
                say("run-comes-next-not", next=where.number, number=number),
                say("look-at-campaign-again-somebody-else"),
                "campaign-number",
            )
        self.running, self._begun = run_id, dict(conditions)

    def not_begun(self) -> None:
        """The rig refused the run: everything as before."""
        self.running, self._begun = "", {}

    def judge(self, valid: bool, why: Text, now_s: float) -> None:
        """The run that was begun is over and evaluated."""
        run_id, begun = self.running, self._begun
        number = min(len(self.progress.valid) + 1, len(self.progress.order))
        self.runs.append(CampaignRun(run_id, self.progress.order[number - 1], valid, why))
        if valid:
            self.progress.started(begun)
        self.progress.ended(run_id, valid, now_s)
        self.not_begun()
        if self.complete:
            self._end(())

    def pause(self, why: Text = "") -> None:
        """No run is asked for until somebody resumes. Raises Refused when it has ended."""
        self._must_go_on()
        self.paused = True
        self.why = (why,) if why else ()
        self.progress.rest()

    def resume(self) -> None:
        """Go on. Raises Refused when it has ended."""
        self._must_go_on()
        self.paused = False
        self.why = ()

    def stop(self, why: Text) -> None:
        """End it for good; the runs so far stay. Raises Refused when it has ended."""
        self._must_go_on()
        if self.running:
            self.runs.append(CampaignRun(self.running, self.look(0.0, {}).setup, False, why))
            self.not_begun()
        self._end((why,))

    def _end(self, why: tuple[Text, ...]) -> None:
        self.ended, self.paused, self.why = True, False, why

    def _must_go_on(self) -> None:
        if self.ended:
            raise Refused(say("campaign-has-ended"), say("begin-another"), "campaign-ended")


def _not_now(problem: Text, where: CampaignPosition) -> Refused:
    remedy = {
        Stage.PAUSED: say("resume-campaign-first"),
        Stage.CHANGE: say("fit-set-up-then-say-so", setup=where.setup),
        Stage.WAITING: say("wait-until-conditions-are-alike"),
        Stage.ASK: say("start-run"),
        Stage.RUNNING: say("wait-until-run-is-over-and"),
        Stage.DONE: say("begin-another-campaign"),
    }[where.stage]
    return Refused(sentences((problem, *where.why)), remedy, "campaign-stage")
