"""Room on the disk is given out once, and never below what a running test needs."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from api.jobs.job import Job, NoRoom
from api.services.jobs import ExportJob
from api.store import disk, run_lifecycle
from api.store.catalogue import NewRun
from api.store.closing.closed import Closed
from api.store.disk import LEAST_MB, DiskBudget
from api.store.schema import RunState
from tests.api.fake_loop import until
from tests.api.harness import StartService
from tests.api.recorded import RUN_ID


class Usage:
    """What the disk says."""

    free = 2_000_000_000


@pytest.fixture
def usage(monkeypatch: pytest.MonkeyPatch) -> Usage:
    usage = Usage()
    monkeypatch.setattr(disk.shutil, "disk_usage", lambda _: usage)
    return usage


def test_what_is_reserved_is_not_given_out_again(tmp_path: Path, usage: Usage) -> None:
    budget = DiskBudget(tmp_path, 500.0)
    with budget.reserve(900.0, "Make room."):
        with pytest.raises(NoRoom, match="up to 700 MB") as refused, budget.reserve(700.0, "Make."):
            pass
        assert "the 500 MB kept for tests" in str(refused.value.problem)
        with budget.reserve(600.0, "Make room."):
            assert not budget.has(1.0)
    with budget.reserve(1500.0, "Make room."):
        pass
    usage.free = 600_000_000
    assert budget.has(100.0)
    assert not budget.has(101.0)


def test_the_floor_lies_above_where_a_running_test_is_ended(tmp_path: Path, usage: Usage) -> None:
    from api.runtime.run_file import LAST_FREE_BYTES

    assert 1.5 * LAST_FREE_BYTES < 1e6 * LEAST_MB
    usage.free = int(1e6 * LEAST_MB) + 50_000_000
    assert not DiskBudget(tmp_path, 0.0).has(51.0)


async def test_exports_together_are_promised_no_more_than_there_is(
    start_service: StartService, usage: Usage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each passed the check before any of them had written."""
    service = await start_service()
    catalogue = service.context.keeper.catalogue
    catalogue.begin_run(NewRun(RUN_ID, "Tarnhow", "f", "steady-hold", "2026-03-14T15:09:26+00:00"))
    catalogue.close_run(RUN_ID, RunState.CLOSED, {"frames": 12_000_000})
    go = asyncio.Event()
    largest: list[int] = []

    async def slowly(job: Job) -> bytes:
        assert isinstance(job, ExportJob)
        largest.append(job.most_bytes())
        await go.wait()
        Path(job.target).write_bytes(b"time_s")
        return b"1"

    monkeypatch.setattr(type(service.context), "have_done", lambda _, job: slowly(job))
    async with service.browser() as browser:

        async def ask() -> int:
            columns = "time_s,power_w,speed_mps"
            path = f"/api/runs/{RUN_ID}/export?columns={columns}"
            return (await browser.get(path)).status_code

        asked = [asyncio.create_task(ask()) for _ in range(4)]
        await until(lambda: sum(each.done() for each in asked) == 2)
        go.set()
        assert sorted([await each for each in asked]) == [200, 200, 507, 507]
    assert sum(largest) < usage.free
    assert service.context.disk.reserved_mb == 0.0


async def test_a_run_waits_to_be_closed_until_there_is_room(
    start_service: StartService, data: Path, usage: Usage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run_lifecycle, "FULL_WAIT_S", 0.01)
    usage.free = 300_000_000
    folder = data / "runs" / RUN_ID
    folder.mkdir(parents=True)
    (folder / "raw.drm").write_bytes(bytes(1_000_000))

    async def close(_: Path) -> Closed:
        return Closed(True, frames=1)

    service = await start_service(close=close)
    keeper = service.context.keeper
    await until(lambda: keeper.no_room)
    run = keeper.catalogue.run(RUN_ID)
    assert run is not None
    assert run.state is not RunState.FAILED
    usage.free = 2_000_000_000
    await until(lambda: keeper.catalogue.run(RUN_ID).state is RunState.CLOSED)  # type: ignore[union-attr]
    assert not keeper.no_room
