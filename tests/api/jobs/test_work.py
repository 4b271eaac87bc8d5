"""Heavy work is done one by one, bounded, and by processes that go before the rest."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import psutil
import pytest

from api.http.app import BLOCKING_THREADS
from api.http.entry import budgets
from api.http.entry.admission import Standing
from api.http.routes import results, runs
from api.jobs import work as door
from api.jobs.job import Busy, Job, WorkError
from api.jobs.work import work, workers
from api.services.jobs import ExportJob, LookJob
from api.settings import StoreSection
from daq.errors import Refused
from tests.api.harness import Service, StartService
from tests.api.jobs.told import Told
from tests.api.recorded import RUN_ID

pytestmark = pytest.mark.usefixtures("own_forks")
JOB = ExportJob("runs/x", "csv", "x.csv")


async def test_one_job_of_a_kind_is_done_at_a_time_and_few_wait(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    done: list[Job] = []
    at_once = 0
    go = asyncio.Event()

    async def slowly(line: socket.socket, job: Job, *_: object) -> bytes:
        nonlocal at_once
        line.close()
        at_once += 1
        assert at_once == 1, "one at a time"
        await go.wait()
        at_once -= 1
        done.append(job)
        return b""

    monkeypatch.setattr(door, "_work", slowly)
    monkeypatch.setattr(ExportJob, "most_waiting", 2)
    asked = [asyncio.create_task(work(JOB)) for _ in range(3)]
    await asyncio.sleep(0)
    with pytest.raises(Busy, match="wait already"):
        await work(JOB)
    asked[1].cancel()  # who goes away makes room
    await asyncio.sleep(0)
    asked.append(asyncio.create_task(work(JOB)))
    go.set()
    await asyncio.gather(*asked, return_exceptions=True)
    assert done == [JOB] * 3
    await work(JOB)


async def test_a_queue_of_exports_holds_up_no_other_work(monkeypatch: pytest.MonkeyPatch) -> None:
    go = asyncio.Event()

    async def slowly(line: socket.socket, job: Job, *_: object) -> bytes:
        line.close()
        if isinstance(job, ExportJob):
            await go.wait()
        return b"done"

    monkeypatch.setattr(door, "_work", slowly)
    exports = [asyncio.create_task(work(JOB)) for _ in range(3)]
    await asyncio.sleep(0)
    assert await work(LookJob("raw.drm")) == b"done"
    go.set()
    await asyncio.gather(*exports)


CONFINED = """
import json, os, resource, sys
from pathlib import Path
from api.jobs.limits import apply_limits
apply_limits(Path(sys.argv[1]), 3)
try:
    bytearray(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE"))
    memory = "all of it"
except MemoryError:
    memory = "refused"
print(json.dumps({
    "memory": memory,
    "niceness": os.nice(0),
    "goes_first": Path("/proc/self/oom_score_adj").read_text().strip(),
    "file_bytes": resource.getrlimit(resource.RLIMIT_FSIZE)[0],
}))
"""


def test_a_worker_cannot_take_the_computer_from_the_loop(tmp_path: Path) -> None:
    before = int(subprocess.check_output([sys.executable, "-c", "import os; print(os.nice(0))"]))
    said = subprocess.check_output([sys.executable, "-c", CONFINED, str(tmp_path)], text=True)
    told = json.loads(said)
    assert told["memory"] == "refused"
    assert told["niceness"] == min(before + 3, 19)
    assert told["goes_first"] == "1000"
    assert told["file_bytes"] > 0


def noted(service: Service, frames: int) -> None:
    """A closed run in the catalogue."""
    from api.store.catalogue import NewRun
    from api.store.schema import RunState

    catalogue = service.context.keeper.catalogue
    catalogue.begin_run(NewRun(RUN_ID, "Tarnhow", "f", "steady-hold", "2026-03-14T15:09:26+00:00"))
    catalogue.close_run(RUN_ID, RunState.CLOSED, {"frames": frames})


async def test_an_export_that_would_fill_the_disk_is_refused_before_it_begins(
    start_service: StartService, data: Path
) -> None:
    service = await start_service(store=StoreSection(min_free_mb=1))
    noted(service, frames=1 << 45)
    async with service.browser() as browser:
        answer = await browser.get(f"/api/runs/{RUN_ID}/export")
        assert (answer.status_code, answer.json()["code"]) == (507, "disk-low")
        assert "fewer columns" in answer.json()["remedy"]
    assert not list(data.glob("export-*"))


async def test_exports_that_nobody_reads_are_few(
    service: Service, browser: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch, data: Path
) -> None:
    noted(service, frames=10)
    monkeypatch.setattr(results, "MOST_OUT", 0)
    answer = await browser.get(f"/api/runs/{RUN_ID}/export")
    assert (answer.status_code, answer.json()["code"]) == (503, "busy")
    assert answer.headers["retry-after"]
    monkeypatch.setattr(results, "MOST_OUT", 1)
    for _ in range(2):  # what failed is on its way no more
        answer = await browser.get(f"/api/runs/{RUN_ID}/export")
        assert (answer.status_code, answer.json()["code"]) == (409, "not-closed")
    assert not list(data.glob("export-*"))


async def test_looking_things_up_leaves_threads_for_commands(
    service: Service, browser: httpx.AsyncClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    noted(service, frames=10)
    go = threading.Event()

    def endless(*_: object) -> None:
        go.wait(120.0)
        raise Refused("It took long.", "Ask for less.")

    monkeypatch.setattr(runs, "read_samples", endless)
    asked = [
        asyncio.create_task(browser.get(f"/api/runs/{RUN_ID}/samples"))
        for _ in range(2 * BLOCKING_THREADS)
    ]
    try:
        async with asyncio.timeout(90.0):
            while not service.context._slow.locked():
                await asyncio.sleep(0.005)
            assert (await browser.post("/api/park")).status_code == 200
    finally:
        go.set()
    # As many as one caller may ask at a time are answered, the others refused at once.
    answers = [(await each).status_code for each in asked]
    assert set(answers) == {409, 429}
    assert answers.count(409) == budgets.SERVICE.heavy_each[Standing.OPERATE]


async def test_workers_are_processes_of_their_own_and_say_what_they_took(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    spent: list[float] = []
    async with workers():
        first, second = [await work(Told("pid")) for _ in range(2)]
        assert len({first, second, str(os.getpid()).encode()}) == 3
        await work(Told("work"), spent=spent.append)
        with pytest.raises(WorkError, match="more memory than it may have"):
            await work(Told("memory"))
        with pytest.raises(WorkError, match=r"The work failed \(-9\)"):
            await work(Told("crash"), spent=spent.append)
        monkeypatch.setattr(door, "LARGEST_BYTES", 3)
        with pytest.raises(WorkError, match="The work failed"):
            await work(Told("much"))
    assert spent[0] >= 0.3
    assert len(spent) == 2, "a worker that dies is paid for, too"


LOADED = """
import importlib, os, pkgutil
import api
from api.jobs.fork_server import _load
from api.jobs.job import Job
for each in pkgutil.walk_packages(api.__path__, "api."):
    if each.name.endswith("jobs"):
        importlib.import_module(each.name)
kinds = Job.__subclasses__()
for kind in kinds:
    _load(f"{kind.__module__}:{kind.__name__}")
    for name in kind.loads:
        importlib.import_module(name)
print(len(kinds), len(os.listdir("/proc/self/task")))
"""


def test_what_is_loaded_before_forking_starts_no_thread() -> None:
    said = subprocess.check_output(
        [sys.executable, "-c", LOADED], text=True, env={**os.environ, **door._ONE_THREAD}
    )
    kinds, threads = map(int, said.split())
    assert kinds >= 8
    assert threads == 1


async def test_a_worker_that_nobody_waits_for_is_killed_before_the_next_is_served() -> None:
    async with workers():
        with pytest.raises(WorkError, match="took longer than"):
            await work(Told("hang"), 0.2)
        asked = asyncio.create_task(work(Told("hang")))
        while not children():
            await asyncio.sleep(0.01)
        asked.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asked
        assert not children()


async def test_a_killed_fork_server_takes_its_workers_with_it_and_is_started_again() -> None:
    async with workers():
        assert await work(Told("done")) == b"done"
        asked = asyncio.create_task(work(Told("hang")))
        while not (alive := children()):
            await asyncio.sleep(0.01)
        server = psutil.Process(alive[0]).parent()
        assert server is not None
        server.kill()
        with pytest.raises(WorkError, match="broken off"):
            await asked
        assert await work(Told("done")) == b"done"


def children() -> list[int]:
    """Workers: what this process's fork server has started."""
    servers = psutil.Process().children()
    return [worker.pid for server in servers for worker in server.children()]


async def test_who_operates_goes_before_who_watches_and_has_places_of_their_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    served: list[str] = []
    go = asyncio.Event()

    async def slowly(line: socket.socket, job: Told, *_: object) -> bytes:
        line.close()
        await go.wait()
        served.append(job.how)
        return b""

    monkeypatch.setattr(door, "_work", slowly)
    async with workers():
        asked = [asyncio.create_task(work(Told(f"watch {n}"), rank=1)) for n in range(5)]
        await asyncio.sleep(0)
        with pytest.raises(Busy):
            await work(Told("watch too many"), rank=1)
        asked.append(asyncio.create_task(work(Told("operate"), rank=2)))
        await asyncio.sleep(0)
        go.set()
        await asyncio.gather(*asked)
    assert served == ["watch 0", "operate", "watch 1", "watch 2", "watch 3", "watch 4"]


async def test_a_worker_does_jobs_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    class Lookalike(LookJob, frozen=True):
        pass

    with pytest.raises(WorkError, match="The work failed"):
        await work(Lookalike("raw.drm"))  # its class is not found by name
    with pytest.raises(WorkError, match="There is no file"):
        await work(LookJob("raw.drm"))
