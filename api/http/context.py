"""What the routes share, and the one way a command goes to the loop.

Data flows: create_app builds Context; routes take it from the request. `command` sends to the
loop, writes the audit log and turns a refusal into a problem.
"""

from __future__ import annotations

import asyncio
import collections
import shutil
from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import msgspec
from starlette.requests import HTTPConnection

from api.http.access import Access, Caller
from api.http.audit import Audit, Detail
from api.http.live import Hub
from api.http.problems import Problem
from api.http.tokens import Role
from api.mqtt.bridge import MqttBridge
from api.runtime.channel import LoopGone
from api.runtime.channel_client import ChannelClient
from api.services.campaigns import CampaignService
from api.settings import Settings
from api.store.run_lifecycle import RunLifecycle
from control.core.commands import Answer, AnyCommand
from daq.rig.description import Rig

SLOW_THREADS = 3  # of those in api.http.app
P = ParamSpec("P")
T = TypeVar("T")


class Context(msgspec.Struct):
    """The parts of one running service."""

    settings: Settings
    rig: Rig
    loop: ChannelClient
    access: Access
    audit: Audit
    hub: Hub
    keeper: RunLifecycle
    campaigns: CampaignService
    mqtt: MqttBridge | None
    responses: collections.Counter[int] = msgspec.field(default_factory=collections.Counter)
    _slow: asyncio.Semaphore = msgspec.field(
        default_factory=lambda: asyncio.Semaphore(SLOW_THREADS)
    )

    def caller(self, connection: HTTPConnection, needed: Role) -> Caller:
        """Who calls; see Access.caller."""
        return self.access.caller(connection, needed)

    async def command(
        self,
        caller: Caller,
        command: AnyCommand,
        *,
        detail: Detail | None = None,
        quiet: bool = False,
    ) -> Answer:
        """Send a command; returns when accepted. Raises Problem when refused or unanswered.

        `quiet`: a heartbeat, which enters the audit log only when it is refused.
        """
        what = cast(str, command.__struct_config__.tag)
        try:
            answer = await self.loop.request(command)
        except LoopGone as error:
            await self.audit.write(caller, what, "unanswered", detail=detail, reason=error.problem)
            raise
        if answer.accepted:
            if not quiet:
                await self.audit.write(caller, what, "accepted", detail=detail)
            return answer
        await self.audit.write(caller, what, "refused", detail=detail, reason=answer.reason)
        raise Problem(
            422 if answer.code == "malformed" else 409,
            answer.code or "refused",
            answer.reason or "The rig refused that.",
            answer.remedy or "Look at the rig's state, then try again.",
        )

    async def slowly(self, what: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """In a thread, few of them at a time: however much is looked up, some stay for commands."""
        async with self._slow:
            return await asyncio.to_thread(what, *arguments, **named)

    def check_disk(self, taken_mb: float = 0.0) -> None:
        """Raise Problem 507 when less than the floor is free, or would be with `taken_mb` more."""
        free_mb = self.free_mb() - taken_mb
        floor_mb = self.settings.store.min_free_mb
        if taken_mb and free_mb < floor_mb:
            raise Problem(
                507,
                "disk-low",
                f"This takes up to {taken_mb:.0f} MB for a while; so much is not free.",
                "Ask for fewer columns, or make room in the data directory.",
            )
        if free_mb < floor_mb:
            raise Problem(
                507,
                "disk-low",
                f"Only {free_mb:.0f} MB are free for recordings; {floor_mb} MB are needed.",
                "Move old runs to another disk, then start again.",
            )

    def free_mb(self) -> float:
        """Free space of the data directory in MB (1e6 bytes)."""
        return shutil.disk_usage(self.settings.data).free / 1e6


def context_of(connection: HTTPConnection) -> Context:
    """The context of the app that serves this request."""
    return cast(Context, connection.app.state.context)
