"""Viewers of bench.loop and bench.viewers: WebSockets and requests, until standard input ends."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
from typing import Any

import httpx
import websockets


async def _view(address: str, hz: float, counts: list[int], place: int) -> None:
    url = f"ws://{address}/api/live?hz={hz:g}"
    async with websockets.connect(url, max_size=1 << 20) as socket:
        async for _ in socket:
            counts[place] += 1


async def _stare(address: str, hz: float) -> None:
    """A viewer that asks for telemetry and never reads; comes back when it is shown out."""
    host, port = address.split(":")
    key = "ZHJ1bWxpbi1iZW5jaC0wMQ=="
    ask = (
        f"GET /api/live?hz={hz:g} HTTP/1.1\r\nHost: {address}\r\nConnection: Upgrade\r\n"
        f"Upgrade: websocket\r\nSec-WebSocket-Version: 13\r\nSec-WebSocket-Key: {key}\r\n\r\n"
    )
    while True:
        _, writer = await asyncio.open_connection(host, int(port), limit=1024)
        try:
            writer.write(ask.encode())
            await asyncio.sleep(30.0)
        finally:
            writer.close()


async def _request(address: str, hz: float, asked: list[int]) -> None:
    loop = asyncio.get_running_loop()
    async with httpx.AsyncClient(base_url=f"http://{address}", timeout=10.0) as client:
        due_s = loop.time()
        while True:
            due_s = max(due_s + 1.0 / hz, loop.time() - 1.0)
            (await client.get("/api/health")).raise_for_status()
            asked[0] += 1
            await asyncio.sleep(max(0.0, due_s - loop.time()))


async def _main(address: str, count: int, hz: float, silent: int, requests_hz: float) -> None:
    counts = [0] * max(count - silent, 0)
    asked = [0]
    tasks = [asyncio.create_task(_view(address, hz, counts, n)) for n in range(len(counts))]
    tasks += [asyncio.create_task(_stare(address, hz)) for _ in range(silent)]
    if requests_hz > 0.0:  # over four connections, as several tablets would
        tasks += [asyncio.create_task(_request(address, requests_hz / 4, asked)) for _ in range(4)]
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[None] = loop.create_future()

    def readable() -> None:
        if not os.read(0, 1024) and not ended.done():
            ended.set_result(None)

    loop.add_reader(0, readable)
    waits: list[asyncio.Future[Any]] = [ended, *tasks]
    began_s = loop.time()
    await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    seconds = loop.time() - began_s
    for task in tasks:
        task.cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    failed = [repr(each) for each in results if isinstance(each, Exception)]
    told = {"messages": counts, "requests": asked[0], "seconds": seconds, "failed": failed}
    print(json.dumps(told), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--address", required=True)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--hz", type=float, default=50.0)
    parser.add_argument("--silent", type=int, default=0)
    parser.add_argument("--requests-hz", type=float, default=0.0)
    told = parser.parse_args()
    asyncio.run(_main(told.address, told.count, told.hz, told.silent, told.requests_hz))
