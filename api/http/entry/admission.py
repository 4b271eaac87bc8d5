"""Who is let in at a listener, decided at accept: before a handshake, a buffer or a task exists.

Data flow: a peer's address -> `Admission.admit` -> a Ticket, or None for a refusal; `proved` raises
an address's standing once a valid token came from it. Pure: the clock is handed in and nothing here
touches a socket. When there is no room, the least proven address that holds most gives way.
"""

from __future__ import annotations

import collections
import enum
import ipaddress
from collections.abc import Callable, Iterable

import msgspec

from api.http.entry.tokens import Role
from api.settings import is_loopback

STANDING_KEPT_S = 3600.0  # after the last valid token that came from an address
NETWORKS_KEPT = 4096


class Standing(enum.IntEnum):
    """What an address has shown of itself; the lower goes first when something runs short."""

    STRANGER = 0
    WATCH = 1
    OPERATE = 2  # and whoever maintains


def standing_of(role: Role) -> Standing:
    """What a token of that role shows."""
    return Standing.WATCH if role is Role.WATCH else Standing.OPERATE


class Bounds(msgspec.Struct, frozen=True):
    """Of one listener. Triples are by standing: stranger, watch, operate."""

    lines: tuple[int, int, int]  # of this standing and all below it together, at a time
    lines_each: tuple[int, int, int]  # from one network
    arriving: int  # accepted, but the handshake is not through
    arriving_each: tuple[int, int, int]
    new_per_s: tuple[float, float, float]  # connections from one network, lasting
    burst_s: float = 3.0  # so many seconds' worth at once


SERVICE = Bounds((512, 768, 1024), (48, 96, 256), 96, (12, 32, 64), (20.0, 50.0, 200.0))


class Bucket:
    """A budget that fills again: `rate` per second up to `size`; a debt is paid off first."""

    __slots__ = ("_at_s", "_left")

    def __init__(self, size: float, now_s: float) -> None:
        self._left = size
        self._at_s = now_s

    def left(self, rate: float, size: float, now_s: float) -> float:
        """What may be spent now."""
        self._left = min(size, self._left + rate * max(0.0, now_s - self._at_s))
        self._at_s = now_s
        return self._left

    def spend(self, amount: float) -> None:
        """Take `amount`, which may leave a debt."""
        self._left -= amount


class Ticket:
    """One accepted connection. `end` closes it; the door gives it one that does."""

    __slots__ = ("arriving", "end", "network", "peer")

    def __init__(self, network: str, peer: str) -> None:
        self.network = network
        self.peer = peer
        self.arriving = True
        self.end: Callable[[], None] = _nothing


def _nothing() -> None:
    pass


class _Network:
    """What is known of one address, or of one /64 of IPv6."""

    __slots__ = ("arriving", "bucket", "near", "proved_s", "standing", "tickets")

    def __init__(self, near: bool, bucket: Bucket) -> None:
        self.near = near
        # What runs on this computer is no network: a proxy there brings everybody's lines.
        self.standing = Standing.OPERATE if near else Standing.STRANGER
        self.proved_s = 0.0
        self.tickets: dict[Ticket, None] = {}  # oldest first
        self.arriving = 0
        self.bucket = bucket


class Admission:
    """The counts of one listener."""

    def __init__(
        self,
        bounds: Bounds,
        now: Callable[[], float],
        near: Callable[[str], bool] | None = None,
    ) -> None:
        self._bounds = bounds
        self._now = now
        self._near = near or is_loopback
        self._networks: collections.OrderedDict[str, _Network] = collections.OrderedDict()
        self._lines = [0, 0, 0]  # by standing
        self._arriving = [0, 0, 0]
        self.refused = 0
        self.gave_way = 0

    @property
    def lines(self) -> int:
        """Connections open now."""
        return sum(self._lines)

    @property
    def arriving(self) -> int:
        """Connections whose handshake is not through."""
        return sum(self._arriving)

    def standing(self, peer: str) -> Standing:
        """What the address of `peer` has shown of itself."""
        known = self._networks.get(network_of(peer))
        if known is None:
            return Standing.OPERATE if self._near(peer) else Standing.STRANGER
        self._lapse(known)
        return known.standing

    def proved(self, peer: str, standing: Standing) -> None:
        """A valid token came from there."""
        known = self._network(peer)
        if standing >= known.standing:
            known.proved_s = self._now()
            self._move(known, standing)

    def admit(self, peer: str) -> Ticket | None:
        """Let a new connection in, or None. Another may have to give way to it, by its `end`."""
        known = self._network(peer)
        if not self._may_enter(known):
            self.refused += 1
            return None
        known.bucket.spend(1.0)
        ticket = Ticket(network_of(peer), peer)
        known.tickets[ticket] = None
        known.arriving += 1
        self._lines[known.standing] += 1
        self._arriving[known.standing] += 1
        return ticket

    def _may_enter(self, known: _Network) -> bool:
        bounds, standing = self._bounds, known.standing
        if not known.near:
            rate = bounds.new_per_s[standing]
            if known.bucket.left(rate, rate * bounds.burst_s, self._now()) < 1.0:
                return False
            if len(known.tickets) >= bounds.lines_each[standing]:
                return False
            if known.arriving >= bounds.arriving_each[standing] and not self._drop(
                [known], arriving=True
            ):
                return False
        if sum(self._arriving[: standing + 1]) >= bounds.arriving and not self._make_way(
            known, arriving=True
        ):
            return False
        for each in range(standing, len(bounds.lines)):
            full = sum(self._lines[: each + 1]) >= bounds.lines[each]
            if full and not self._make_way(known, arriving=False):
                return False
        return True

    def arrived(self, ticket: Ticket) -> None:
        """Its handshake is through."""
        known = self._networks.get(ticket.network)
        if known is not None and ticket in known.tickets and ticket.arriving:
            ticket.arriving = False
            known.arriving -= 1
            self._arriving[known.standing] -= 1

    def left(self, ticket: Ticket) -> None:
        """It is closed; harmless when it was said before."""
        known = self._networks.get(ticket.network)
        if known is None or ticket not in known.tickets:
            return
        self.arrived(ticket)
        del known.tickets[ticket]
        self._lines[known.standing] -= 1

    def make_room(self) -> bool:
        """Something ran out all the same: the least proven gives way. False: there is none."""
        return self._drop_least(len(Standing), arriving=False)

    def _make_way(self, known: _Network, arriving: bool) -> bool:
        """Room for one of `known`: below it anybody's goes, beside it only of who holds more."""
        if self._drop_least(known.standing, arriving):
            return True
        held = known.arriving if arriving else len(known.tickets)
        equals = [
            each
            for each in self._networks.values()
            if each.standing is known.standing
            and (each.arriving if arriving else len(each.tickets)) > held
        ]
        return self._drop(equals, arriving)

    def _drop_least(self, below: int, arriving: bool) -> bool:
        for standing in range(below):
            if not (self._arriving if arriving else self._lines)[standing]:
                continue
            equals = [each for each in self._networks.values() if each.standing == standing]
            if self._drop(equals, arriving):
                return True
        return False

    def _drop(self, networks: Iterable[_Network], arriving: bool) -> bool:
        """End the oldest connection of the network that holds most."""
        held: Callable[[_Network], int] = (
            (lambda each: each.arriving) if arriving else (lambda each: len(each.tickets))
        )
        most = max(networks, key=held, default=None)
        if most is None or not held(most):
            return False
        victim = next(each for each in most.tickets if each.arriving or not arriving)
        self.left(victim)
        self.gave_way += 1
        victim.end()
        return True

    def _network(self, peer: str) -> _Network:
        name = network_of(peer)
        known = self._networks.get(name)
        if known is None:
            near = self._near(peer)
            rate = self._bounds.new_per_s[Standing.STRANGER]
            known = _Network(near, Bucket(rate * self._bounds.burst_s, self._now()))
            self._networks[name] = known
            if len(self._networks) > NETWORKS_KEPT:
                self._forget_one()
        self._networks.move_to_end(name)
        self._lapse(known)
        return known

    def _forget_one(self) -> None:
        """The longest unseen network without a connection, a stranger if there is one."""
        idle = [name for name, each in self._networks.items() if not each.tickets]
        lowest = min(idle, key=lambda name: self._networks[name].standing, default=None)
        if lowest is not None:
            del self._networks[lowest]

    def _lapse(self, known: _Network) -> None:
        proven = known.standing is not Standing.STRANGER and not known.near
        if proven and self._now() > known.proved_s + STANDING_KEPT_S:
            self._move(known, Standing.STRANGER)

    def _move(self, known: _Network, standing: Standing) -> None:
        for counts, number in (
            (self._lines, len(known.tickets)),
            (self._arriving, known.arriving),
        ):
            counts[known.standing] -= number
            counts[standing] += number
        known.standing = standing


def network_of(peer: str) -> str:
    """What one household or shop has: an address, in IPv6 the first half of one."""
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return peer
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is None:
        return str(ipaddress.ip_network((address, 64), strict=False))
    return peer
