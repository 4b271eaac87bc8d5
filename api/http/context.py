"""What the routes of the service share.

Data flows: create_app builds Context; routes take it from the request.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from functools import partial
from typing import ParamSpec, TypeVar, cast

import msgspec
from starlette.requests import HTTPConnection

from api.http.answers.fixed import Fixed
from api.http.answers.kept import Kept
from api.http.answers.problems import Problem
from api.http.command_context import CommandContext
from api.http.entry.budgets import SERVICE, Budgets, payer
from api.jobs.job import Job
from api.jobs.work import HIGHEST, work
from api.mqtt.bridge import MqttBridge
from api.services.campaigns import CampaignService
from api.store.disk import DiskBudget
from api.store.run_lifecycle import RunLifecycle
from daq.rig.description import Rig
from daq.texts.message import say

SLOW_THREADS = 3  # of those in api.http.app
HEAT_KEPT_S = 10.0  # rotors change little within it
P = ParamSpec("P")
T = TypeVar("T")


class Charge:
    """Measures the processor time of what is called through it, in whichever thread."""

    def __init__(self) -> None:
        self.spent_s = 0.0

    def add(self, processor_s: float) -> None:
        """Something else was spent on it."""
        self.spent_s += processor_s

    def run(self, what: Callable[[], T]) -> T:
        """Call it; raises what it raises."""
        begun_s = time.thread_time()
        try:
            return what()
        finally:
            self.spent_s += time.thread_time() - begun_s


class Context(CommandContext, kw_only=True):
    """The parts of one running service."""

    rig: Rig
    keeper: RunLifecycle
    disk: DiskBudget
    campaigns: CampaignService
    mqtt: MqttBridge | None
    described: Fixed | None = None  # the rig, encoded at the first question
    heat_answers: Kept[bytes] = msgspec.field(
        default_factory=lambda: Kept(HEAT_KEPT_S, time.monotonic)
    )
    budgets: Budgets = msgspec.field(default_factory=lambda: Budgets(SERVICE, time.monotonic))
    _slow: asyncio.Semaphore = msgspec.field(
        default_factory=lambda: asyncio.Semaphore(SLOW_THREADS)
    )

    async def slowly(self, what: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """In a thread, few of them at a time: however much is looked up, some stay for commands."""
        async with self.heavy() as charge, self._slow:
            return await asyncio.to_thread(charge.run, partial(what, *arguments, **named))

    async def have_done(self, job: Job) -> bytes:
        """Have a job done for whoever asked, and charge them for it; see api.jobs.work."""
        account = payer.get()
        rank = HIGHEST if account is None else int(account.standing)
        async with self.heavy() as charge:
            return await work(job, rank=rank, spent=charge.add)

    @contextlib.asynccontextmanager
    async def heavy(self) -> AsyncIterator[Charge]:
        """Work on a heavy question of whoever asked, and charge them for it.

        Raises Problem 429 when they have too many at a time, or used up their processor time.
        """
        account = payer.get()
        if account is not None and not self.budgets.begin_heavy(account):
            raise Problem(
                429,
                "too-heavy",
                say("too-many-heavy-questions-from-here"),
                say("wait-until-those-are-answered-then"),
                {"Retry-After": "5"},
            )
        charge = Charge()
        try:
            yield charge
        finally:
            if account is not None:
                self.budgets.end_heavy(account, charge.spent_s)

    def check_disk(self) -> None:
        """Raise Problem 507 when less is free than a new test needs."""
        try:
            free_mb = self.disk.free_mb()
        except OSError as error:
            raise Problem(
                507,
                "disk-low",
                say("data-directory-does-not-answer", why=error.strerror),
                say("bring-back-with-its-disk-then"),
            ) from None
        floor_mb = self.settings.store.min_free_mb
        if free_mb < floor_mb:
            raise Problem(
                507,
                "disk-low",
                say("only-mb-are-free-for-recordings", free_mb=free_mb, floor_mb=floor_mb),
                say("move-old-runs-another-disk-then"),
            )


def context_of(connection: HTTPConnection) -> Context:
    """The context of the app that serves this request."""
    return cast(Context, connection.app.state.context)
