"""Who is let in at a listener, in virtual time and without a socket."""

from __future__ import annotations

import pytest

from api.http.entry.admission import (
    NETWORKS_KEPT,
    STANDING_KEPT_S,
    Admission,
    Bounds,
    Standing,
    Ticket,
    network_of,
)

# Few of everything: 4 lines for strangers, 6 with watchers, 8 in all.
BOUNDS = Bounds((4, 6, 8), (3, 3, 6), 6, (3, 3, 6), (1000.0, 1000.0, 1000.0))
OPERATOR = "192.0.2.1"


class Shop:
    """An admission, its clock, and what was ended."""

    def __init__(self, bounds: Bounds = BOUNDS) -> None:
        self.now_s = 0.0
        self.ended: list[Ticket] = []
        self.admission = Admission(bounds, lambda: self.now_s)

    def enter(self, peer: str, arrives: bool = True) -> Ticket | None:
        ticket = self.admission.admit(peer)
        if ticket is not None:
            ticket.end = lambda: self.ended.append(ticket)
            if arrives:
                self.admission.arrived(ticket)
        return ticket


def strangers(shop: Shop, addresses: int, lines: int, arrives: bool = True) -> int:
    """Lines that so many addresses got, each trying so often."""
    return sum(
        shop.enter(f"198.51.100.{address}", arrives) is not None
        for _ in range(lines)
        for address in range(addresses)
    )


def test_an_operator_comes_in_however_many_strangers_do() -> None:
    shop = Shop()
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    strangers(shop, 20, 50)
    assert shop.admission.lines <= 4
    for _ in range(6):
        assert shop.enter(OPERATOR) is not None
    strangers(shop, 20, 50)
    assert not [ticket for ticket in shop.ended if ticket.peer == OPERATOR]
    assert shop.admission.lines <= 8


def test_the_same_holds_for_handshakes_that_never_end() -> None:
    shop = Shop()
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    strangers(shop, 20, 50, arrives=False)
    assert shop.admission.arriving <= 4
    for _ in range(6):
        assert shop.enter(OPERATOR, arrives=False) is not None
    assert not [ticket for ticket in shop.ended if ticket.peer == OPERATOR]


def test_watchers_go_before_operators_and_strangers_before_watchers() -> None:
    shop = Shop()
    watchers = [f"203.0.113.{number}" for number in range(3)]
    for peer in watchers:
        shop.admission.proved(peer, Standing.WATCH)
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    strangers(shop, 4, 1)
    for peer in watchers:
        for _ in range(2):
            assert shop.enter(peer) is not None
    assert [ticket.peer[:7] for ticket in shop.ended] == ["198.51."] * 4
    for _ in range(6):
        assert shop.enter(OPERATOR) is not None
    assert {ticket.peer for ticket in shop.ended[4:]} <= set(watchers)
    assert len(shop.ended) == 8


def test_a_stranger_with_few_lines_is_let_in_at_the_cost_of_one_with_many() -> None:
    shop = Shop()
    for _ in range(3):
        shop.enter("198.51.100.1")
    shop.enter("198.51.100.2")
    assert shop.enter("198.51.100.3") is not None
    assert [ticket.peer for ticket in shop.ended] == ["198.51.100.1"]
    assert shop.enter("198.51.100.1") is None, "who holds most does not push others out"


def test_one_address_has_its_bound_and_a_closed_line_makes_room() -> None:
    shop = Shop()
    tickets = [shop.enter("198.51.100.1") for _ in range(5)]
    assert tickets[3:] == [None, None]
    assert tickets[0] is not None
    shop.admission.left(tickets[0])
    shop.admission.left(tickets[0])
    assert shop.admission.lines == 2
    assert shop.enter("198.51.100.1") is not None


def test_new_connections_have_a_rate() -> None:
    bounds = Bounds((100, 100, 100), (100, 100, 100), 100, (100, 100, 100), (2.0, 5.0, 50.0))
    shop = Shop(bounds)

    def came(peer: str) -> int:
        got = [shop.enter(peer) for _ in range(50)]
        for ticket in got:
            if ticket is not None:
                shop.admission.left(ticket)
        return sum(ticket is not None for ticket in got)

    assert came("198.51.100.1") == 6, "two a second, three seconds' worth at once"
    assert came("198.51.100.1") == 0
    shop.now_s += 1.0
    assert came("198.51.100.1") == 2
    assert shop.admission.refused == 44 + 50 + 48


def test_standing_lapses_when_no_token_is_seen_any_more() -> None:
    shop = Shop()
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    shop.now_s = STANDING_KEPT_S
    assert shop.admission.standing(OPERATOR) is Standing.OPERATE
    shop.now_s += 1.0
    assert shop.admission.standing(OPERATOR) is Standing.STRANGER
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    shop.admission.proved(OPERATOR, Standing.WATCH)
    assert shop.admission.standing(OPERATOR) is Standing.OPERATE, "two people, one address"


def test_counts_stay_true_when_an_address_proves_itself_with_lines_open() -> None:
    shop = Shop()
    open_lines = [shop.enter("198.51.100.1", arrives=False) for _ in range(3)]
    shop.admission.proved("198.51.100.1", Standing.OPERATE)
    assert strangers(shop, 4, 1) == 4, "they take none of the strangers' places"
    for ticket in open_lines:
        assert ticket is not None
        shop.admission.left(ticket)
    assert shop.admission.lines == 4
    assert shop.admission.arriving == 0


def test_this_computer_is_no_network_but_has_its_bound_in_all() -> None:
    shop = Shop()
    got = [shop.enter("127.0.0.1") for _ in range(12)]
    assert sum(ticket is not None for ticket in got) == 8


def test_what_is_remembered_of_addresses_is_bounded_and_proven_ones_stay() -> None:
    shop = Shop()
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    for number in range(NETWORKS_KEPT + 100):
        ticket = shop.enter(f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}")
        if ticket is not None:
            shop.admission.left(ticket)
    assert len(shop.admission._networks) <= NETWORKS_KEPT
    assert shop.admission.standing(OPERATOR) is Standing.OPERATE


def test_when_something_runs_out_the_least_proven_makes_room() -> None:
    shop = Shop()
    shop.admission.proved(OPERATOR, Standing.OPERATE)
    shop.enter(OPERATOR)
    shop.enter("198.51.100.1")
    assert shop.admission.make_room()
    assert [ticket.peer for ticket in shop.ended] == ["198.51.100.1"]


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.7", "192.0.2.8", False),
        ("2001:db8:1:2::7", "2001:db8:1:2:ffff::8", True),
        ("2001:db8:1:2::7", "2001:db8:1:3::7", False),
        ("", "", True),
    ],
)
def test_a_network_is_an_address_or_half_a_long_one(one: str, other: str, same: bool) -> None:
    assert (network_of(one) == network_of(other)) is same
