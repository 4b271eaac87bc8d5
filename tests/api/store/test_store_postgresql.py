"""The same catalogue on PostgreSQL by URL, against a real server on a socket of the test's own."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psutil
import psycopg
import pytest

from api.store.catalogue import Catalogue, NewRun, Note, Search
from api.store.engine import make_engine, migrate
from api.store.schema import RunState, metadata
from daq.errors import StoreError

INITDB = shutil.which("initdb")
POSTGRES = shutil.which("postgres")
pytestmark = pytest.mark.skipif(
    INITDB is None or POSTGRES is None, reason="needs PostgreSQL's server programs on the path"
)


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """URL of a fresh PostgreSQL that listens on no port."""
    assert INITDB is not None
    assert POSTGRES is not None
    folder = Path(tempfile.mkdtemp(prefix="drumlin-pg-"))
    # The server refuses to run as root.
    user = "postgres" if os.getuid() == 0 else None
    if user is not None:
        shutil.chown(folder, user, user)
    common = {"user": user, "cwd": folder, "stdout": subprocess.DEVNULL}
    subprocess.run(
        [INITDB, "-D", str(folder / "db"), "-A", "trust", "-U", "drumlin", "--no-sync"],
        check=True,
        stderr=subprocess.DEVNULL,
        timeout=300,
        **common,  # type: ignore[call-overload]
    )
    process = subprocess.Popen(
        [POSTGRES, "-D", str(folder / "db"), "-k", str(folder), "-c", "listen_addresses=", "-F"],
        stderr=subprocess.DEVNULL,
        **common,  # type: ignore[call-overload]
    )
    url = f"postgresql+psycopg://drumlin@/postgres?host={folder}"
    try:
        wait_for(url, process.pid)
        yield url
    finally:
        process.terminate()
        process.wait(90)
        shutil.rmtree(folder)


def wait_for(url: str, pid: int) -> None:
    """Until it takes connections and has its own helper processes."""
    for _ in range(2400):
        helpers = len(psutil.Process(pid).children())
        if helpers >= 5:
            with contextlib.suppress(psycopg.OperationalError):
                psycopg.connect(url.replace("+psycopg", "")).close()
                return
        time.sleep(0.05)
    raise AssertionError("the PostgreSQL under test did not start within 120 s")


@pytest.fixture
def catalogue(server: str, tmp_path: Path) -> Iterator[Catalogue]:
    opened = Catalogue.open(tmp_path, server)
    yield opened
    with opened._engine.begin() as connection:
        for table in reversed(metadata.sorted_tables):
            connection.execute(table.delete())
    opened.close()


def test_two_services_may_start_on_an_empty_database_at_once(server: str, tmp_path: Path) -> None:
    engines = [make_engine(tmp_path, server) for _ in range(4)]
    try:
        with ThreadPoolExecutor(4) as pool:
            list(pool.map(migrate, engines))
    finally:
        for engine in engines:
            engine.dispose()


def test_the_migrations_make_exactly_the_tables_of_the_schema(
    catalogue: Catalogue,
) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with catalogue._engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), metadata) == []


def test_a_run_lives_there_as_in_sqlite(catalogue: Catalogue) -> None:
    for number in range(5):
        run_id = f"20260101-00000{number}-abcd"
        catalogue.begin_run(NewRun(run_id, "rig", "f", "steady-hold", "t", "Pickup", plan={"a": 1}))
    catalogue.end_run(run_id, "t2", "Over.")
    catalogue.close_run(run_id, RunState.CLOSED, {"result": {"mean_rpm": 1900.0}, "frames": 3})
    catalogue.add_note(run_id, Note("t", "me", "100 % humidity"))
    catalogue.set_tags(run_id, ["b", "a"])
    run = catalogue.run(run_id)
    assert run is not None
    assert (run.state, run.result, run.plan) == (RunState.CLOSED, {"mean_rpm": 1900.0}, {"a": 1})
    assert (run.tags, run.notes[0].text, run.frames) == (("a", "b"), "100 % humidity", 3)
    assert [each.id for each in catalogue.find(Search(text="100 %"))] == [run_id]
    assert [each.id for each in catalogue.find(Search(tag="a"))] == [run_id]
    assert len(catalogue.find(Search(vehicle="Pickup", limit=3))) == 3
    assert catalogue.count() == {"recording": 4, "closed": 1}
    assert len(catalogue.open_runs()) == 4
    with pytest.raises(StoreError, match="no run"):
        catalogue.set_tags("20260101-999999-abcd", [])


@pytest.mark.parametrize("text", ["50 %", "a_b", r"c\d", "e/f", "'; --"])
def test_each_letter_of_the_words_stands_for_itself(catalogue: Catalogue, text: str) -> None:
    for number, said in enumerate([text, "50 of 60, a b, c d, e f"]):
        run_id = f"20260101-00000{number}-abcd"
        catalogue.begin_run(NewRun(run_id, "rig", "f", "steady-hold", "t"))
        catalogue.add_note(run_id, Note("t", "me", f"Before {said} after"))
    assert [each.id for each in catalogue.find(Search(text=text.upper()))] == [
        "20260101-000000-abcd"
    ]


def test_a_server_that_is_away_is_told_with_a_remedy(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="catalogue failed") as refused:
        Catalogue.open(tmp_path, f"postgresql+psycopg://drumlin@/postgres?host={tmp_path}")
    assert "database" in str(refused.value.remedy)
