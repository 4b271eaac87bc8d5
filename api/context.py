"""What the routes share, and the one way a command goes to the loop.

Data flows: create_app builds Context; routes take it from the request. `command` sends to the
loop, writes the audit log and turns a refusal into a problem.
"""

from __future__ import annotations

import collections
import shutil
from typing import cast

import msgspec
from starlette.requests import HTTPConnection

from api.access import Access, Caller
from api.audit import Audit, Detail
from api.campaigns import Campaigns
from api.live import Hub
from api.mqtt import MqttBridge
from api.problems import Problem
from api.processes.channel import LoopGone
from api.processes.channel_client import ChannelClient
from api.settings import Settings
from api.store.keeper import Keeper
from api.tokens import Role
from control.commands import Answer, AnyCommand
from daq.rig import Rig


class Context(msgspec.Struct):
    """The parts of one running service."""

    settings: Settings
    rig: Rig
    loop: ChannelClient
    access: Access
    audit: Audit
    hub: Hub
    keeper: Keeper
    campaigns: Campaigns
    mqtt: MqttBridge | None
    responses: collections.Counter[int] = msgspec.field(default_factory=collections.Counter)

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

    def check_disk(self) -> None:
        """Raise Problem 507 when the data directory has less free space than the floor."""
        free_mb = self.free_mb()
        floor_mb = self.settings.store.min_free_mb
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
