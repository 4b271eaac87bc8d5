"""Attacks on a rig's service, from many addresses of a network namespace of the bench's own.

`python -m bench.siege.attacks NAME` reads its target as JSON on standard input and attacks until
its time is over. Every attack is bounded in connections and time, and goes at a low priority, so
that it is not the attackers' processor time that is measured.
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import random
import ssl
import sys
from collections.abc import Awaitable, Callable

import msgspec

LINES_EACH = 12  # tries at a time from one address
UNREAD = 40


class AttackTarget(msgspec.Struct, frozen=True):
    """Where and from where, with which token, and for how long."""

    host: str
    port: int  # of the service
    helm_port: int
    addresses: tuple[str, ...]
    watch: str
    operate: str
    seconds: float


_TRUST = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
_TRUST.check_hostname = False
_TRUST.verify_mode = ssl.CERT_NONE

Line = tuple[asyncio.StreamReader, asyncio.StreamWriter]
Attack = Callable[["Attacker"], Awaitable[None]]
ATTACKS: dict[str, Attack] = {}


class Attacker:
    """One address, one line of work."""

    def __init__(self, target: AttackTarget, address: str, number: int) -> None:
        self.target = target
        self.address = address
        self.random = random.Random(number)

    async def open(self, helm: bool = False, tls: bool = True) -> Line:
        port = self.target.helm_port if helm else self.target.port
        async with asyncio.timeout(3.0):
            return await asyncio.open_connection(
                self.target.host, port, local_addr=(self.address, 0),
                ssl=_TRUST if tls else None,
            )  # fmt: skip

    def head(
        self,
        method: str,
        path: str,
        token: str = "",
        length: int = 0,
        helm: bool = False,
        more: str = "",
    ) -> bytes:
        port = self.target.helm_port if helm else self.target.port
        bearer = f"Authorization: Bearer {token}\r\n" if token else ""
        return (
            f"{method} {path} HTTP/1.1\r\nHost: {self.target.host}:{port}\r\n{bearer}{more}"
            f"Drumlin-Client: attacker-{os.getpid()}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {length}\r\n\r\n"
        ).encode()

    async def flood(
        self, asks: Callable[[], bytes], helm: bool = False, pipelined: int = 1
    ) -> None:
        """Ask again and again on one line until it is closed."""
        reader, writer = await self.open(helm)
        try:
            while True:
                for _ in range(pipelined):
                    writer.write(asks())
                for _ in range(pipelined):
                    head = await reader.readuntil(b"\r\n\r\n")
                    length = head.lower().partition(b"content-length:")[2].partition(b"\r")[0]
                    await reader.readexactly(int(length or b"0"))
        finally:
            writer.transport.abort()


def attack(work: Attack) -> Attack:
    """Register under its name."""
    ATTACKS[work.__name__.replace("_", "-")] = work
    return work


async def _silent(a: Attacker, helm: bool, said: bytes = b"") -> None:
    lines = []
    try:
        for _ in range(UNREAD):
            line = await a.open(helm, tls=False)
            line[1].write(said)
            lines.append(line)
        await asyncio.sleep(1.0)
    finally:
        for _, writer in lines:
            writer.transport.abort()


@attack
async def silent_connections(a: Attacker) -> None:
    await _silent(a, False)


@attack
async def silent_connections_to_the_helm(a: Attacker) -> None:
    await _silent(a, True)


@attack
async def half_handshakes(a: Attacker) -> None:
    await _silent(a, a.random.random() < 0.5, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")


@attack
async def no_tls_at_all(a: Attacker) -> None:
    await _silent(a, a.random.random() < 0.5, a.random.randbytes(2000))


async def _handshakes(a: Attacker, helm: bool) -> None:
    _, writer = await a.open(helm)
    writer.transport.abort()


@attack
async def whole_handshakes(a: Attacker) -> None:
    await _handshakes(a, False)


@attack
async def whole_handshakes_with_the_helm(a: Attacker) -> None:
    await _handshakes(a, True)


async def _trickle(a: Attacker, helm: bool, begin: bytes) -> None:
    _, writer = await a.open(helm)
    try:
        writer.write(begin)
        while not writer.is_closing():
            writer.write(b"a")
            await writer.drain()
            await asyncio.sleep(0.1)
    finally:
        writer.transport.abort()


@attack
async def heads_without_end(a: Attacker) -> None:
    await _trickle(a, False, b"GET /api/self HTTP/1.1\r\nHost: x\r\nX-A: ")


@attack
async def heads_without_end_to_the_helm(a: Attacker) -> None:
    await _trickle(a, True, b"GET /api/state HTTP/1.1\r\nHost: x\r\nX-A: ")


@attack
async def bodies_without_end(a: Attacker) -> None:
    await _trickle(a, False, a.head("POST", "/api/sign-in", length=60_000))


@attack
async def description_asked_for(a: Attacker) -> None:
    await a.flood(lambda: a.head("GET", "/api/openapi.json"), pipelined=4)


@attack
async def page_asked_for(a: Attacker) -> None:
    await a.flood(lambda: a.head("GET", "/js/main.js"), pipelined=4)


@attack
async def wrong_tokens(a: Attacker) -> None:
    await a.flood(lambda: a.head("GET", "/api/state", f"drum_{a.random.random()}"))


@attack
async def wrong_tokens_to_the_helm(a: Attacker) -> None:
    await a.flood(
        lambda: a.head("POST", "/api/ease-off", f"drum_{a.random.random()}", helm=True), helm=True
    )


@attack
async def pairing_guessed(a: Attacker) -> None:
    def ask() -> bytes:
        body = json.dumps({"code": f"{a.random.getrandbits(40):X}"[:8], "name": "x"}).encode()
        return a.head("POST", "/api/pair", length=len(body)) + body

    await a.flood(ask)


@attack
async def large_bodies(a: Attacker) -> None:
    body = b'{"token":' + b"[" * 60_000
    await a.flood(lambda: a.head("POST", "/api/sign-in", length=len(body)) + body)


@attack
async def answers_unread(a: Attacker) -> None:
    _, writer = await a.open()
    try:
        writer.write(a.head("GET", "/api/openapi.json") * UNREAD)
        await asyncio.sleep(2.0)
    finally:
        writer.transport.abort()


@attack
async def live_lines_refused(a: Attacker) -> None:
    await a.flood(lambda: a.head("GET", "/api/live", more=_UPGRADE))


@attack
async def endurance_asked_for(a: Attacker) -> None:
    def ask() -> bytes:
        speeds, powers = a.random.randint(2, 24), a.random.randint(2, 24)
        path = f"/api/heat/endurance?speeds={speeds}&powers={powers}"
        return a.head("GET", path, a.target.watch)

    await a.flood(ask)


@attack
async def heat_rehearsed(a: Attacker) -> None:
    def ask() -> bytes:
        plan = {"kind": "steady-hold", "rpm": 1900, "seconds": a.random.randint(600, 30_000)}
        body = json.dumps({"plan": plan, "power_w": 250e3, "speed_mps": 20.0}).encode()
        return a.head("POST", "/api/rehearse", a.target.watch, len(body)) + body

    await a.flood(ask)


@attack
async def runs_searched(a: Attacker) -> None:
    await a.flood(
        lambda: a.head("GET", f"/api/runs?q={a.random.random()}&limit=100", a.target.watch)
    )


@attack
async def state_and_metrics_asked_for(a: Attacker) -> None:
    paths = itertools.cycle(("/api/state", "/api/metrics", "/api/events", "/api/health"))
    await a.flood(lambda: a.head("GET", next(paths), a.target.watch), pipelined=4)


@attack
async def state_asked_of_the_helm(a: Attacker) -> None:
    await a.flood(
        lambda: a.head("GET", "/api/state", a.target.watch, helm=True), helm=True, pipelined=4
    )


@attack
async def eased_off_by_watchers(a: Attacker) -> None:
    """Anybody who may watch may, and as often as they like."""
    helm = a.random.random() < 0.5
    await a.flood(lambda: a.head("POST", "/api/ease-off", a.target.watch, helm=helm), helm=helm)


_UPGRADE = (
    "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n"
)


async def _live(a: Attacker, helm: bool) -> None:
    """Lines that are opened and not read."""
    lines = []
    try:
        for _ in range(UNREAD):
            line = await a.open(helm)
            line[1].write(
                a.head("GET", "/api/live?hz=50", a.target.watch, helm=helm, more=_UPGRADE)
            )
            lines.append(line)
        await asyncio.sleep(2.0)
    finally:
        for _, writer in lines:
            writer.transport.abort()


@attack
async def live_lines_of_one_token(a: Attacker) -> None:
    await _live(a, False)


@attack
async def live_lines_of_one_token_at_the_helm(a: Attacker) -> None:
    await _live(a, True)


@attack
async def route_files(a: Attacker) -> None:
    """Somebody who may operate sends what is as large as it may be."""
    body = (
        "distance_m,elevation_m\n" + "\n".join(f"{n},{n % 97}" for n in range(300_000))
    ).encode()
    head = a.head("POST", "/api/route?name=x.csv", a.target.operate, len(body))
    await a.flood(lambda: head.replace(b"application/json", b"application/octet-stream") + body)


async def _main(name: str, target: AttackTarget) -> None:
    async def again_and_again(address: str, number: int) -> None:
        attacker = Attacker(target, address, number)
        while True:
            with contextlib.suppress(OSError, EOFError, TimeoutError, ValueError):
                await ATTACKS[name](attacker)
            await asyncio.sleep(0.01)

    numbers = itertools.count()
    each = 1 if name == "route-files" else LINES_EACH
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(target.seconds):
            await asyncio.gather(
                *(again_and_again(a, next(numbers)) for a in target.addresses for _ in range(each))
            )


if __name__ == "__main__":
    os.nice(10)
    asyncio.run(_main(sys.argv[1], msgspec.json.decode(sys.stdin.buffer.read(), type=AttackTarget)))
