"""The run catalogue: find runs, read one, note its life, annotate it.

Data flows: keeper (events, workers) and routes -> Catalogue -> SQLite in the data directory, or
PostgreSQL by URL. One transaction per change; SQLite in WAL mode, so that kill -9 at any moment
leaves the last finished change. All methods block: call them through asyncio.to_thread.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import msgspec
import sqlalchemy as sa

from api.store.engine import begin, make_engine, migrate
from api.store.schema import (
    RunState,
    evaluations,
    notes,
    run_words,
    runs,
    set_members,
    tags,
    vehicles,
)
from api.store.searching import gather, holding
from daq.errors import NoSuchRun, Refused
from daq.texts.message import Text, say
from daq.texts.published import restored, stored

RUN_ID = re.compile(r"\A[0-9]{8}-[0-9]{6}-[0-9a-z]{4,12}\Z")
MAX_PAGE = 500
MAX_NOTES = 1000
MAX_TAGS = 50
_SUMMARY = (
    runs.c.id,
    runs.c.kind,
    runs.c.vehicle,
    runs.c.state,
    runs.c.reason,
    runs.c.started_at,
    runs.c.ended_at,
    runs.c.holder,
    runs.c.frames,
)  # not the long texts: a page of runs is read at once
_OPEN_STATES = (RunState.RECORDING, RunState.CLOSING)


class NewRun(msgspec.Struct, frozen=True):
    """A run as it begins."""

    id: str
    rig_name: str
    rig_fingerprint: str
    kind: str
    started_at: str
    vehicle: str = ""
    holder: str = ""
    plan: Any = None
    software: str = ""


class Note(msgspec.Struct, frozen=True):
    at: str
    who: str
    text: str


class RunSummary(msgspec.Struct, frozen=True):
    """A run in a list."""

    id: str
    kind: str
    vehicle: str
    state: RunState
    reason: Text
    started_at: str
    ended_at: str  # "" while recording
    holder: str
    frames: int
    tags: tuple[str, ...]
    answer: Text = ""  # of the newest evaluation, one sentence; "" while none
    valid: bool | None = None  # whether that counts; None: not evaluated


class Run(msgspec.Struct, frozen=True):
    """Everything the catalogue knows about one run."""

    id: str
    rig_name: str
    rig_fingerprint: str
    kind: str
    vehicle: str
    state: RunState
    reason: Text
    started_at: str
    ended_at: str
    holder: str
    plan: Any
    conditions: Any
    result: Any
    frames: int
    raw_bytes: int
    software: str
    notes: tuple[Note, ...]
    tags: tuple[str, ...]


class Search(msgspec.Struct, frozen=True):
    """What to find; empty fields do not narrow. `before` is the id after which to go on."""

    text: str = ""
    kind: str = ""
    vehicle: str = ""
    state: str = ""
    tag: str = ""
    before: str = ""
    limit: int = 50
    owner: str = ""
    set_name: str = ""


class Catalogue:
    """One open catalogue."""

    def __init__(self, engine: sa.Engine) -> None:
        self._engine = engine

    @classmethod
    def open(cls, data: Path, url: str = "") -> Catalogue:
        """Open and bring to the newest schema. Raises StoreError when that cannot be done."""
        engine = make_engine(data, url)
        try:
            migrate(engine)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine)

    @property
    def engine(self) -> sa.Engine:
        """The database, for the parts of the catalogue in modules of their own."""
        return self._engine

    def close(self) -> None:
        """Give all connections back."""
        self._engine.dispose()

    def begin_run(self, run: NewRun) -> None:
        """Note a run that starts; what is already known of it stays."""
        values = msgspec.structs.asdict(run)
        values["plan"] = _json(run.plan)
        with self._change() as connection:
            known = connection.execute(sa.select(runs.c.id).where(runs.c.id == run.id)).first()
            if known is None:
                connection.execute(runs.insert().values(**values, state=RunState.RECORDING))
            else:
                filled = {
                    key: value
                    for key, value in values.items()
                    if key != "id" and value not in ("", "null")
                }
                connection.execute(runs.update().where(runs.c.id == run.id).values(**filled))
            gather(connection, run.id)

    def end_run(self, run_id: str, ended_at: str, reason: Text) -> None:
        """Note that recording ended; a worker closes it next."""
        self._set(run_id, state=RunState.CLOSING, ended_at=ended_at, reason=stored(reason))

    def close_run(self, run_id: str, state: RunState, changes: Mapping[str, Any]) -> None:
        """Note the end of the closing, with what the worker found.

        `changes` may hold reason, ended_at, kind, frames, raw_bytes and (as objects) plan,
        conditions and result.
        """
        values = dict(changes)
        if "reason" in values:
            values["reason"] = stored(values["reason"])
        for key in ("plan", "conditions", "result"):
            if key in values:
                values[key] = _json(values[key])
        self._set(run_id, state=state, **values)

    def open_runs(self) -> list[str]:
        """Ids of runs that are not closed yet, oldest first."""
        query = sa.select(runs.c.id).where(runs.c.state.in_(_OPEN_STATES)).order_by(runs.c.id)
        with self._read() as connection:
            return list(connection.execute(query).scalars())

    def known(self, run_ids: list[str]) -> set[str]:
        """Which of `run_ids` the catalogue has."""
        found: set[str] = set()
        with self._read() as connection:
            for start in range(0, len(run_ids), 500):
                part = run_ids[start : start + 500]
                found |= set(
                    connection.execute(sa.select(runs.c.id).where(runs.c.id.in_(part))).scalars()
                )
        return found

    def find(self, search: Search) -> list[RunSummary]:
        """Runs that match, newest first."""
        query = sa.select(*_SUMMARY).order_by(runs.c.id.desc())
        query = query.limit(min(search.limit, MAX_PAGE))
        for column, value in (
            (runs.c.kind, search.kind),
            (runs.c.vehicle, search.vehicle),
            (runs.c.state, search.state),
        ):
            if value:
                query = query.where(column == value)
        if search.before:
            query = query.where(runs.c.id < search.before)
        if search.tag:
            query = query.where(
                runs.c.id.in_(sa.select(tags.c.run_id).where(tags.c.tag == search.tag))
            )
        if search.set_name:
            members = sa.select(set_members.c.run_id)
            query = query.where(
                runs.c.id.in_(members.where(set_members.c.set_name == search.set_name))
            )
        if search.owner:
            owned = sa.select(vehicles.c.name).where(vehicles.c.owner == search.owner)
            query = query.where(runs.c.vehicle.in_(owned))
        if search.text:
            query = query.where(runs.c.id.in_(holding(self._engine, search.text)))
        with self._read() as connection:
            rows = connection.execute(query).mappings().all()
            tagged: dict[str, list[str]] = {row["id"]: [] for row in rows}
            wanted = sa.select(tags).where(tags.c.run_id.in_(tagged)).order_by(tags.c.tag)
            for tag in connection.execute(wanted).mappings():
                tagged[tag["run_id"]].append(tag["tag"])
            newest = sa.select(evaluations).where(evaluations.c.run_id.in_(tagged))
            answers = {  # later numbers take the place of earlier ones
                one["run_id"]: (restored(one["answer"]), bool(one["valid"]))
                for one in connection.execute(newest.order_by(evaluations.c.number)).mappings()
            }
        return [
            RunSummary(
                id=row["id"],
                kind=row["kind"],
                vehicle=row["vehicle"],
                state=RunState(row["state"]),
                reason=restored(row["reason"]),
                started_at=row["started_at"],
                ended_at=row["ended_at"],
                holder=row["holder"],
                frames=row["frames"],
                tags=tuple(tagged[row["id"]]),
                answer=answers.get(row["id"], ("", None))[0],
                valid=answers.get(row["id"], ("", None))[1],
            )
            for row in rows
        ]

    def run(self, run_id: str) -> Run | None:
        """One run, or None."""
        with self._read() as connection:
            row = connection.execute(sa.select(runs).where(runs.c.id == run_id)).mappings().first()
            if row is None:
                return None
            said = connection.execute(
                sa.select(notes).where(notes.c.run_id == run_id).order_by(notes.c.id)
            ).mappings()
            tagged = connection.execute(
                sa.select(tags.c.tag).where(tags.c.run_id == run_id).order_by(tags.c.tag)
            ).scalars()
            fields: dict[str, Any] = dict(row)
            fields["reason"] = restored(fields["reason"])
            for key in ("plan", "conditions", "result"):
                fields[key] = msgspec.json.decode(fields[key])
            fields["state"] = RunState(fields["state"])
            fields["notes"] = tuple(Note(n["at"], n["who"], n["text"]) for n in said)
            fields["tags"] = tuple(tagged)
        return Run(**fields)

    def add_note(self, run_id: str, note: Note) -> None:
        """Append a note. Raises NoSuchRun, or Refused when it is full of notes."""
        with self._change() as connection:
            self._must_exist(connection, run_id)
            count = connection.execute(
                sa.select(sa.func.count()).select_from(notes).where(notes.c.run_id == run_id)
            ).scalar_one()
            if count >= MAX_NOTES:
                raise Refused(
                    say("run-has-notes", most=MAX_NOTES),
                    say("keep-further-ones-elsewhere"),
                    "notes-full",
                )
            connection.execute(notes.insert().values(run_id=run_id, **msgspec.structs.asdict(note)))
            gather(connection, run_id)

    def set_tags(self, run_id: str, names: list[str]) -> None:
        """Replace the tags of a run. Raises NoSuchRun."""
        with self._change() as connection:
            self._must_exist(connection, run_id)
            connection.execute(tags.delete().where(tags.c.run_id == run_id))
            for name in sorted(set(names))[:MAX_TAGS]:
                connection.execute(tags.insert().values(run_id=run_id, tag=name))
            gather(connection, run_id)

    def set_vehicle(self, run_id: str, vehicle: str) -> None:
        """Correct the vehicle of a run. Raises NoSuchRun."""
        self._set(run_id, vehicle=vehicle)

    def remove(self, run_id: str) -> None:
        """Forget a run and what was said of it; harmless when it is not there."""
        with self._change() as connection:
            for table in (notes, tags, set_members, evaluations, run_words):
                connection.execute(table.delete().where(table.c.run_id == run_id))
            connection.execute(runs.delete().where(runs.c.id == run_id))

    def count(self) -> dict[str, int]:
        """Number of runs by state."""
        query = sa.select(runs.c.state, sa.func.count()).group_by(runs.c.state)
        with self._read() as connection:
            return {state: number for state, number in connection.execute(query)}

    def _set(self, run_id: str, **values: Any) -> None:
        with self._change() as connection:
            self._must_exist(connection, run_id)
            connection.execute(runs.update().where(runs.c.id == run_id).values(**values))
            if {"vehicle", "kind"} & values.keys():
                gather(connection, run_id)

    @staticmethod
    def _must_exist(connection: sa.Connection, run_id: str) -> None:
        if connection.execute(sa.select(runs.c.id).where(runs.c.id == run_id)).first() is None:
            raise NoSuchRun(say("no-such-run", run=run_id), say("look-at-list-runs"))

    def _read(self) -> AbstractContextManager[sa.Connection]:
        return begin(self._engine, writing=False)

    def _change(self) -> AbstractContextManager[sa.Connection]:
        return begin(self._engine, writing=True)


def _json(value: Any) -> str:
    return msgspec.json.encode(value).decode()
