"""What each caller may ask of a listener: requests a second, requests in progress, processor time.

Data flow: request -> `Budgets.enter` (by token and address, and by how proven they are) -> routes
-> `leave`; work in threads and processes is charged to the account that asked for it. What is over
budget is refused at once and costs next to nothing; nothing waits in a queue. Pure: the clock is
handed in.
"""

from __future__ import annotations

import collections
from collections.abc import Callable
from contextvars import ContextVar

import msgspec

from api.http.entry.admission import Bucket, Standing, network_of

ACCOUNTS_KEPT = 4096
PURSES_KEPT = 1024


class Shares(msgspec.Struct, frozen=True):
    """Of one listener. Triples are by standing: stranger, watch, operate."""

    per_s: tuple[float, float, float]  # requests of one account, lasting
    burst: tuple[float, float, float]  # at once
    each: tuple[int, int, int]  # requests of one account in progress
    in_all: tuple[int, int, int]  # in progress, of this standing and all below it together
    # Processor seconds in threads and workers: a share of one processor, and what may be saved up.
    processor_share: tuple[float, float, float] = (0.0, 0.25, 2.0)
    processor_s: tuple[float, float, float] = (0.0, 60.0, 120.0)
    # Heavy questions at a time. These three are of one token, from however many addresses.
    heavy_each: tuple[int, int, int] = (0, 2, 8)
    of_token: float = 2.0  # times the requests of one account: of a token, from all its addresses


SERVICE = Shares((20.0, 50.0, 400.0), (150.0, 250.0, 2000.0), (8, 16, 64), (32, 64, 160))


class Purse:
    """What one token has used, from however many addresses."""

    __slots__ = ("heavy", "processor", "requests", "standing")

    def __init__(self, standing: Standing, shares: Shares, now_s: float) -> None:
        self.standing = standing
        self.heavy = 0
        self.processor = Bucket(shares.processor_s[standing], now_s)
        self.requests = Bucket(shares.of_token * shares.burst[standing], now_s)


class Account:
    """What one token from one address has used."""

    __slots__ = ("open", "purse", "requests", "standing")

    def __init__(self, standing: Standing, purse: Purse, shares: Shares, now_s: float) -> None:
        self.standing = standing
        self.purse = purse
        self.open = 0
        self.requests = Bucket(shares.burst[standing], now_s)


payer: ContextVar[Account | None] = ContextVar("payer", default=None)


class Budgets:
    """The accounts of one listener."""

    def __init__(self, shares: Shares, now: Callable[[], float]) -> None:
        self._shares = shares
        self._now = now
        self._accounts: collections.OrderedDict[str, Account] = collections.OrderedDict()
        self._purses: collections.OrderedDict[str, Purse] = collections.OrderedDict()
        self._open = [0, 0, 0]  # by standing
        self.refused = 0

    def enter(self, token_id: str, peer: str, standing: Standing) -> Account | None:
        """Begin a request, or None when it is over budget."""
        account = self._account(token_id, peer, standing)
        shares = self._shares
        rate, burst = shares.per_s[standing], shares.burst[standing]
        now_s, many = self._now(), shares.of_token
        left = min(
            account.requests.left(rate, burst, now_s),
            account.purse.requests.left(many * rate, many * burst, now_s),
        )
        full = any(
            sum(self._open[: each + 1]) >= shares.in_all[each]
            for each in range(standing, len(shares.in_all))
        )
        if left < 1.0 or full or account.open >= shares.each[standing]:
            self.refused += 1
            return None
        account.requests.spend(1.0)
        account.purse.requests.spend(1.0)
        account.open += 1
        self._open[standing] += 1
        return account

    def leave(self, account: Account) -> None:
        """The request is through."""
        account.open -= 1
        self._open[account.standing] -= 1

    def begin_heavy(self, account: Account) -> bool:
        """Begin a heavy question; False: too many at a time, or too much processor time used."""
        shares, standing, purse = self._shares, account.standing, account.purse
        left = purse.processor.left(
            shares.processor_share[standing], shares.processor_s[standing], self._now()
        )
        if left <= 0.0 or purse.heavy >= shares.heavy_each[standing]:
            self.refused += 1
            return False
        purse.heavy += 1
        return True

    def end_heavy(self, account: Account, processor_s: float) -> None:
        """It is through and took so much."""
        account.purse.heavy -= 1
        account.purse.processor.spend(processor_s)

    def _account(self, token_id: str, peer: str, standing: Standing) -> Account:
        key = f"{token_id}@{network_of(peer)}"
        account = self._accounts.get(key)
        if account is None or account.standing is not standing:
            purse = self._purse(token_id or key, standing)
            account = self._accounts[key] = Account(standing, purse, self._shares, self._now())
        self._accounts.move_to_end(key)
        while len(self._accounts) > ACCOUNTS_KEPT:
            self._accounts.popitem(last=False)
        return account

    def _purse(self, owner: str, standing: Standing) -> Purse:
        purse = self._purses.get(owner)
        if purse is None or purse.standing is not standing:
            purse = self._purses[owner] = Purse(standing, self._shares, self._now())
        self._purses.move_to_end(owner)
        while len(self._purses) > PURSES_KEPT:
            self._purses.popitem(last=False)
        return purse
