"""What every listener's routes share, and the one way a command goes to the loop.

Data flows: create_app and create_lane build it; routes take it from the request. `command` sends to
the loop, writes the audit log and turns a refusal into a problem.
"""

from __future__ import annotations

import collections
from typing import cast

import msgspec
from starlette.requests import HTTPConnection

from api.http.answers.problems import Problem
from api.http.audit import Audit, Detail
from api.http.entry.access import Access, Caller
from api.http.entry.tokens import Role
from api.http.live import Hub
from api.runtime.channel import LoopGone
from api.runtime.channel_client import ChannelClient
from api.settings import Settings
from control.core.commands import Answer, AnyCommand
from daq.tasks import Tasks
from daq.texts.message import say

AUDIT_WAITING = 64  # entries of a prompt listener on their way to the disk


class CommandContext(msgspec.Struct, kw_only=True):
    """The parts that a listener needs to command and to show the state."""

    settings: Settings
    loop: ChannelClient
    access: Access
    audit: Audit
    hub: Hub
    responses: collections.Counter[int] = msgspec.field(default_factory=collections.Counter)
    # A prompt listener does not wait for its audit entries: a disk may be slow, easing off is not.
    prompt: bool = False
    tasks: Tasks = msgspec.field(default_factory=Tasks)

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
            await self._enter(caller, what, "unanswered", detail, str(error.problem))
            raise
        if answer.accepted:
            if not quiet:
                await self._enter(caller, what, "accepted", detail, "")
            return answer
        await self._enter(caller, what, "refused", detail, str(answer.reason))
        raise Problem(
            422 if answer.code == "malformed" else 409,
            answer.code or "refused",
            answer.reason or say("rig-refused"),
            answer.remedy or say("look-at-rig-state-then-try"),
        )

    async def _enter(
        self, caller: Caller, what: str, outcome: str, detail: Detail | None, reason: str
    ) -> None:
        if not self.prompt:
            await self.audit.write(caller, what, outcome, detail=detail, reason=reason)
        elif len(self.tasks) < AUDIT_WAITING:
            writing = self.audit.write(caller, what, outcome, detail=detail, reason=reason)
            self.tasks.start("audit", writing)
        else:
            self.audit.failures += 1


def command_context_of(connection: HTTPConnection) -> CommandContext:
    """The context of the app that serves this request."""
    return cast(CommandContext, connection.app.state.context)


def operator_of(request: HTTPConnection) -> tuple[CommandContext, Caller]:
    """Context and caller of a command. Raises Problem without role or client id."""
    context = command_context_of(request)
    caller = context.caller(request, Role.OPERATE)
    if not caller.client_id:
        raise Problem(
            400,
            "client-id",
            say("drumlin-client-header-missing-helm-needs"),
            say("send-4-64-letters-digits-dashes"),
        )
    return context, caller
