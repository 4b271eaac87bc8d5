"""Viewers of bench.loop: WebSockets that read telemetry at a rate, until standard input ends."""

from __future__ import annotations

import argparse
import asyncio
import json
import os
from typing import Any

import websockets


async def _view(address: str, hz: float, counts: list[int], place: int) -> None:
    async with websockets.connect(f"{address}/api/live?hz={hz:g}", max_size=1 << 20) as socket:
        async for _ in socket:
            counts[place] += 1


async def _main(address: str, count: int, hz: float) -> None:
    counts = [0] * count
    tasks = [asyncio.create_task(_view(address, hz, counts, place)) for place in range(count)]
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
    print(json.dumps({"messages": counts, "seconds": seconds, "failed": failed}), flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--address", required=True)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--hz", type=float, default=50.0)
    told = parser.parse_args()
    asyncio.run(_main(told.address, told.count, told.hz))
