"""What each caller may ask, in virtual time."""

from __future__ import annotations

from api.http.entry.admission import Standing
from api.http.entry.budgets import ACCOUNTS_KEPT, Budgets, Shares

SHARES = Shares(
    (1.0, 2.0, 10.0), (2.0, 4.0, 20.0), (2, 3, 6), (4, 6, 8),
    (0.0, 0.5, 2.0), (0.0, 3.0, 10.0), (0, 1, 2),
)  # fmt: skip
TABLET = ("t1", "192.0.2.1", Standing.OPERATE)


class Till:
    """Budgets and their clock."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.budgets = Budgets(SHARES, lambda: self.now_s)

    def asks(self, token: str, peer: str, standing: Standing, times: int = 1) -> int:
        """How many of so many requests, each through at once, were let in."""
        served = 0
        for _ in range(times):
            account = self.budgets.enter(token, peer, standing)
            if account is not None:
                served += 1
                self.budgets.leave(account)
        return served


def test_an_account_has_a_rate_and_others_have_their_own() -> None:
    till = Till()
    assert till.asks("", "198.51.100.1", Standing.STRANGER, 10) == 2
    assert till.asks("", "198.51.100.2", Standing.STRANGER, 10) == 2
    assert till.asks(*TABLET, times=5) == 5
    till.now_s += 1.0
    assert till.asks("", "198.51.100.1", Standing.STRANGER, 10) == 1


def test_requests_in_progress_leave_room_for_the_more_proven() -> None:
    till = Till()
    crowd = [
        till.budgets.enter("", f"198.51.100.{number}", Standing.STRANGER) for number in range(9)
    ]
    assert sum(each is not None for each in crowd) == 4
    watchers = [
        till.budgets.enter("w", f"203.0.113.{number}", Standing.WATCH) for number in range(9)
    ]
    assert sum(each is not None for each in watchers) == 2
    assert till.asks(*TABLET) == 1
    held = [till.budgets.enter(*TABLET) for _ in range(9)]
    assert sum(each is not None for each in held) == 2, "there is a bound in all"


def test_one_token_from_many_addresses_has_an_account_at_each() -> None:
    till = Till()
    assert till.asks("w", "192.0.2.7", Standing.WATCH, 9) == 4
    assert till.asks("w", "192.0.2.8", Standing.WATCH, 9) == 4


def test_a_token_from_twenty_addresses_may_ask_twice_as_much_as_from_one() -> None:
    till = Till()
    crowd = [f"192.0.2.{number}" for number in range(20)]
    assert sum(till.asks("w", each, Standing.WATCH, 9) for each in crowd) == 8
    assert till.asks("another", crowd[0], Standing.WATCH, 9) == 4, "another's is its own"
    till.now_s += 1.0
    assert sum(till.asks("w", each, Standing.WATCH, 9) for each in crowd) == 4


def test_heavy_questions_are_few_at_a_time_and_cost_processor_time() -> None:
    till = Till()
    account = till.budgets.enter("w", "192.0.2.7", Standing.WATCH)
    assert account is not None
    assert till.budgets.begin_heavy(account)
    assert not till.budgets.begin_heavy(account), "one at a time"
    till.budgets.end_heavy(account, 4.0)
    assert not till.budgets.begin_heavy(account), "a second in debt"
    till.now_s += 1.9
    assert not till.budgets.begin_heavy(account)
    till.now_s += 0.2
    assert till.budgets.begin_heavy(account)


def test_strangers_have_no_heavy_questions() -> None:
    till = Till()
    account = till.budgets.enter("", "198.51.100.1", Standing.STRANGER)
    assert account is not None
    assert not till.budgets.begin_heavy(account)


def test_accounts_are_bounded() -> None:
    till = Till()
    for number in range(ACCOUNTS_KEPT + 50):
        till.asks("", f"10.0.{number >> 8}.{number & 255}", Standing.STRANGER)
    assert len(till.budgets._accounts) == ACCOUNTS_KEPT
