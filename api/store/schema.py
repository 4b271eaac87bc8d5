"""Tables of the run catalogue, the same for SQLite and PostgreSQL.

The catalogue finds runs; it holds nothing that the run directories could not give back except
annotations. Times are UTC labels in ISO 8601, so that they sort as text. Changes of a table go
through a migration in api/store/migrations.
"""

from __future__ import annotations

import enum

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

HEAD = "0003"  # newest migration; a test holds the two together

metadata = MetaData()


class RunState(enum.StrEnum):
    """Where a run is in its life."""

    RECORDING = "recording"  # the loop is writing raw.drm
    CLOSING = "closing"  # ended; a worker makes run.parquet and result.json
    CLOSED = "closed"  # complete
    INTERRUPTED = "interrupted"  # a process or the machine died; what was recorded is readable
    FAILED = "failed"  # raw.drm could not be turned into a run; `reason` says why


runs = Table(
    "runs",
    metadata,
    Column("id", String(40), primary_key=True),
    Column("rig_name", String(80), nullable=False),
    Column("rig_fingerprint", String(64), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("vehicle", String(80), nullable=False, default=""),
    Column("state", String(16), nullable=False),
    Column("reason", Text, nullable=False, default=""),
    Column("started_at", String(32), nullable=False),
    Column("ended_at", String(32), nullable=False, default=""),
    Column("holder", String(120), nullable=False, default=""),
    Column("plan", Text, nullable=False, default="null"),  # JSON
    Column("conditions", Text, nullable=False, default="null"),  # JSON
    Column("result", Text, nullable=False, default="null"),  # JSON
    Column("frames", BigInteger, nullable=False, default=0),
    Column("raw_bytes", BigInteger, nullable=False, default=0),
    Column("software", String(40), nullable=False, default=""),
)
# With the id in them, a page of newest runs is read off the index, rows only for what is shown.
Index("runs_state_id", runs.c.state, runs.c.id)
Index("runs_vehicle_id", runs.c.vehicle, runs.c.id)
Index("runs_kind_id", runs.c.kind, runs.c.id)

notes = Table(
    "run_notes",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("run_id", String(40), ForeignKey("runs.id"), nullable=False),
    Column("at", String(32), nullable=False),
    Column("who", String(120), nullable=False),
    Column("text", Text, nullable=False),
)
Index("run_notes_run", notes.c.run_id)

tags = Table(
    "run_tags",
    metadata,
    Column("run_id", String(40), ForeignKey("runs.id"), primary_key=True),
    Column("tag", String(40), primary_key=True),
)
Index("run_tags_tag", tags.c.tag)

vehicles = Table(
    "vehicles",
    metadata,
    Column("name", String(80), primary_key=True),  # as runs name it
    Column("owner", String(120), nullable=False, default=""),
    Column("about", Text, nullable=False, default=""),
    Column("made_at", String(32), nullable=False),
    Column("idle_rpm", Float),  # of its engine; null: not known
    Column("max_rpm", Float),
)
Index("vehicles_owner", vehicles.c.owner)

run_sets = Table(
    "run_sets",
    metadata,
    Column("name", String(80), primary_key=True),
    Column("about", Text, nullable=False, default=""),
    Column("made_at", String(32), nullable=False),
)

set_members = Table(
    "run_set_members",
    metadata,
    Column("set_name", String(80), ForeignKey("run_sets.name"), primary_key=True),
    Column("run_id", String(40), ForeignKey("runs.id"), primary_key=True),
)
Index("run_set_members_run", set_members.c.run_id)

evaluations = Table(
    "run_evaluations",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("run_id", String(40), ForeignKey("runs.id"), nullable=False),
    Column("number", Integer, nullable=False),  # from 1; the file of that number is in the folder
    Column("at", String(32), nullable=False),
    Column("who", String(120), nullable=False),
    Column("version", String(40), nullable=False),
    Column("settings", Text, nullable=False),  # JSON
    Column("answer", Text, nullable=False),
    Column("valid", Boolean, nullable=False),
    UniqueConstraint("run_id", "number"),
)

# Everything a run is found by, in one narrow table: 100,000 runs are searched in one short pass.
run_words = Table(
    "run_words",
    metadata,
    Column("run_id", String(40), ForeignKey("runs.id"), primary_key=True),
    Column("words", Text, nullable=False),  # lower case, one a line
)
