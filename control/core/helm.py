"""The helm: the single right to command load, held by one person and kept alive by heartbeat.

Data flow: commands with a holder's id go in, the holder and what changed come out. Time is the
host's monotonic clock, handed in. Losing the helm is an event the core answers by easing off.
"""

from __future__ import annotations

from control.telemetry import HelmView
from daq.errors import Refused
from daq.texts.message import say

ASK_EXPIRES_S = 30.0  # a request for the helm is forgotten after this


class Helm:
    """Holder, expiry and the hand-over between two people."""

    __slots__ = (
        "_ask_until_s",
        "_asked_by",
        "_asked_name",
        "_expiry_s",
        "_until_s",
        "holder",
        "name",
    )

    def __init__(self, expiry_s: float) -> None:
        self._expiry_s = expiry_s
        self.holder = ""
        self.name = ""
        self._until_s = 0.0
        self._asked_by = ""
        self._asked_name = ""
        self._ask_until_s = 0.0

    def take(self, holder: str, name: str, now_s: float) -> bool:
        """Take the free helm, or keep one's own. True when the holder changed. Raises Refused."""
        if not holder:
            raise Refused(
                say("helm-needs-holder"), say("send-your-clients-id-with-it"), "no-holder"
            )
        if self.holder == holder:
            self._until_s = now_s + self._expiry_s
            return False
        if self.holder:
            raise Refused(
                say("is-at-helm", name=self.name or self.holder),
                say("ask-for-helm-holder-can-offer"),
                "helm-held",
            )
        self.holder, self.name = holder, name
        self._until_s = now_s + self._expiry_s
        self._forget_ask()
        return True

    def keep(self, holder: str, now_s: float) -> None:
        """The holder is still there. Raises Refused for anybody else."""
        self.require(holder)
        self._until_s = now_s + self._expiry_s

    def release(self, holder: str) -> None:
        """The holder lets go. Raises Refused for anybody else."""
        self.require(holder)
        self._clear()

    def ask(self, holder: str, name: str, now_s: float) -> None:
        """Somebody else would like the helm. Raises Refused when it is free or already theirs.

        A second asker never takes the place of a first: the holder may be about to answer them.
        """
        if not self.holder:
            raise Refused(say("helm-is-free"), say("take-it"), "helm-free")
        if self.holder == holder:
            raise Refused(say("you-are-at-helm-already"), say("nothing-to-do"), "helm-yours")
        self.expire_ask(now_s)
        if self._asked_by not in ("", holder):
            raise Refused(
                say("has-asked-for-helm-already", name=self._asked_name or self._asked_by),
                say("wait-until-they-are-answered-then"),
                "helm-asked",
            )
        self._asked_by, self._asked_name = holder, name
        self._ask_until_s = now_s + ASK_EXPIRES_S

    def offer(self, holder: str, to: str, now_s: float) -> None:
        """The holder hands over to the id that asked; names can be borrowed. Raises Refused."""
        self.require(holder)
        self.expire_ask(now_s)
        if not self._asked_by or to != self._asked_by:
            raise Refused(
                say("has-not-asked-for-helm", name=to),
                say("they-must-ask-first-then-offer"),
                "helm-not-asked",
            )
        self.holder, self.name = self._asked_by, self._asked_name
        self._until_s = now_s + self._expiry_s
        self._forget_ask()

    def require(self, holder: str) -> None:
        """Raises Refused unless `holder` is at the helm."""
        if self.holder and self.holder == holder:
            return
        if not self.holder:
            raise Refused(say("nobody-is-at-helm"), say("take-helm-first"), "helm-free")
        raise Refused(
            say("is-at-helm-not-you", name=self.name or self.holder),
            say("ask-for-helm-holder-can-offer"),
            "helm-held",
        )

    def expired(self, now_s: float) -> bool:
        """True once when the holder has not been heard of for the expiry time; the helm is free."""
        if not self.holder or now_s < self._until_s:
            return False
        self._clear()
        return True

    def expire_ask(self, now_s: float) -> None:
        """Forget a request that nobody answered."""
        if self._asked_by and now_s >= self._ask_until_s:
            self._forget_ask()

    def view(self, now_s: float) -> HelmView:
        """What every watcher sees."""
        left_s = max(0.0, self._until_s - now_s) if self.holder else 0.0
        if now_s >= self._ask_until_s:
            return HelmView(self.holder, self.name, left_s)
        asked = self._asked_name or self._asked_by
        return HelmView(self.holder, self.name, left_s, asked, self._asked_by)

    def _clear(self) -> None:
        self.holder = self.name = ""
        self._until_s = 0.0
        self._forget_ask()

    def _forget_ask(self) -> None:
        self._asked_by = self._asked_name = ""
        self._ask_until_s = 0.0
