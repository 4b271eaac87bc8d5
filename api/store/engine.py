"""The database under the catalogue: SQLite with a write-ahead log, or PostgreSQL by URL.

Data flows: URL -> engine -> `migrate` -> guarded transactions for api.store.catalogue. Every
database error leaves as StoreError with a remedy.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import SQLAlchemyError

from api.store.atomic_file import atomic_write
from api.store.schema import HEAD
from daq.errors import StoreError
from daq.texts.message import say

FILE_NAME = "catalogue.sqlite"
BUSY_S = 15.0
_MIGRATION_LOCK = 0x6472756D  # key of PostgreSQL's advisory lock while migrating
_WRITING = "drumlin_writing"


ELSEWHERE_NAME = "catalogue-elsewhere"


def note_where(data: Path, url: str) -> None:
    """Note beside the runs which database the service keeps their catalogue in, without secrets.

    Commands that are given no URL find it there instead of an old file.
    """
    note = data / ELSEWHERE_NAME
    if not url:
        note.unlink(missing_ok=True)
        return
    atomic_write(note, sa.make_url(url).render_as_string(hide_password=True).encode())


def noted_url(data: Path) -> str:
    """URL of the catalogue that the service last used for `data`; "" for the file in it.

    Raises StoreError when the URL has a password, which is not noted.
    """
    try:
        url = (data / ELSEWHERE_NAME).read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""
    if sa.make_url(url).password:
        raise StoreError(
            say("catalogue-database-which-needs-password", data=data, url=url),
            say("give-its-whole-url-with-store"),
        )
    return url


def make_engine(data: Path, url: str) -> sa.Engine:
    """An engine for `url`, or for the SQLite file in `data` when it is empty.

    Raises StoreError when the URL is not usable.
    """
    if not url:
        data.mkdir(parents=True, exist_ok=True)
        url = f"sqlite:///{data / FILE_NAME}"
    try:
        engine = sa.create_engine(url, pool_pre_ping=not url.startswith("sqlite"))
    except (SQLAlchemyError, ImportError) as error:
        raise StoreError(
            say("store-url-cannot-be-used", error=short(error)),
            say("use-sqlite-file-or-postgresql-psycopg"),
        ) from None
    if engine.dialect.name == "sqlite":
        _prepare_sqlite(engine)
    return engine


def migrate(engine: sa.Engine) -> None:
    """Bring the tables to the newest schema, all of it or nothing.

    Alembic is only loaded when there is something to do. Raises StoreError when the catalogue
    was made by a newer Drumlin.
    """
    with begin(engine, writing=False) as connection:
        if _version(connection) == HEAD:
            return
    from alembic import command  # noqa: PLC0415 (0.2 s that most starts need not spend)
    from alembic.config import Config  # noqa: PLC0415
    from alembic.util.exc import CommandError  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    with begin(engine, writing=True) as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_MIGRATION_LOCK)))
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError as error:
            raise StoreError(
                say("run-catalogue-has-unknown-version", error=short(error)),
                say("was-made-by-newer-drumlin-use"),
            ) from None


@contextlib.contextmanager
def begin(engine: sa.Engine, *, writing: bool) -> Iterator[sa.Connection]:
    """One transaction. Raises StoreError for whatever the database says."""
    try:
        with engine.connect() as connection:
            connection.execution_options(**{_WRITING: writing})
            with connection.begin():
                yield connection
    except SQLAlchemyError as error:
        raise StoreError(
            say("run-catalogue-failed", error=short(error)),
            say("check-disk-database-runs-themselves-are"),
        ) from error


def short(error: BaseException) -> str:
    """The first line of an error, without SQL and parameters."""
    original = getattr(error, "orig", None)
    lines = str(original if original is not None else error).strip().splitlines()
    return (lines[0] if lines else type(error).__name__).rstrip(".")[:300]


def _version(connection: sa.Connection) -> str:
    if not sa.inspect(connection).has_table("alembic_version"):
        return ""
    found = connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()
    return str(found or "")


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """A new file's turn to the write-ahead log; several that open it at once wait for each other.

    SQLite does not wait here by itself: two that both want more than they hold would wait for ever.
    """
    deadline = time.monotonic() + BUSY_S
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.01)
        else:
            return


def _prepare_sqlite(engine: sa.Engine) -> None:
    @sa.event.listens_for(engine, "connect")
    def connected(raw: Any, _: Any) -> None:
        raw.isolation_level = None  # the driver must not begin or commit behind our back
        cursor = raw.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {int(BUSY_S * 1000)}")
        _write_ahead(cursor)
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def began(connection: sa.Connection) -> None:
        # A writer takes its lock at once: a read turned write could find it taken.
        writing = connection.get_execution_options().get(_WRITING, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")
