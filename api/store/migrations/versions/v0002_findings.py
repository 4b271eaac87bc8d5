"""Vehicles and owners, sets of runs, the history of evaluations, and words to find runs by."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the tables and gather the words of the runs that are there."""
    op.create_table(
        "vehicles",
        sa.Column("name", sa.String(80), primary_key=True),
        sa.Column("owner", sa.String(120), nullable=False),
        sa.Column("about", sa.Text, nullable=False),
        sa.Column("made_at", sa.String(32), nullable=False),
    )
    op.create_index("vehicles_owner", "vehicles", ["owner"])
    op.create_table(
        "run_sets",
        sa.Column("name", sa.String(80), primary_key=True),
        sa.Column("about", sa.Text, nullable=False),
        sa.Column("made_at", sa.String(32), nullable=False),
    )
    op.create_table(
        "run_set_members",
        sa.Column("set_name", sa.String(80), sa.ForeignKey("run_sets.name"), primary_key=True),
        sa.Column("run_id", sa.String(40), sa.ForeignKey("runs.id"), primary_key=True),
    )
    op.create_index("run_set_members_run", "run_set_members", ["run_id"])
    op.create_table(
        "run_evaluations",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("run_id", sa.String(40), sa.ForeignKey("runs.id"), nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("who", sa.String(120), nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("settings", sa.Text, nullable=False),
        sa.Column("answer", sa.Text, nullable=False),
        sa.Column("valid", sa.Boolean, nullable=False),
        sa.UniqueConstraint("run_id", "number"),
    )
    op.create_table(
        "run_words",
        sa.Column("run_id", sa.String(40), sa.ForeignKey("runs.id"), primary_key=True),
        sa.Column("words", sa.Text, nullable=False),
    )
    for name in ("state", "vehicle", "kind"):
        op.drop_index(f"runs_{name}", "runs")
        op.create_index(f"runs_{name}_id", "runs", [name, "id"])
    _gather(op.get_bind())


def downgrade() -> None:
    """Remove them again."""
    for name in ("state", "vehicle", "kind"):
        op.drop_index(f"runs_{name}_id", "runs")
        op.create_index(f"runs_{name}", "runs", [name])
    for name in ("run_words", "run_evaluations", "run_set_members", "run_sets", "vehicles"):
        op.drop_table(name)


def _gather(connection: sa.Connection) -> None:
    said: dict[str, list[str]] = {}
    for row in connection.execute(sa.text("SELECT id, kind, vehicle FROM runs")):
        said[row[0]] = list(row)
    for query in ("SELECT run_id, tag FROM run_tags", "SELECT run_id, text FROM run_notes"):
        for run_id, word in connection.execute(sa.text(query)):
            said[run_id].append(word)
    insert = sa.text("INSERT INTO run_words (run_id, words) VALUES (:run_id, :words)")
    for run_id, words in said.items():
        text = "\n".join(word for word in words if word).lower()
        connection.execute(insert, {"run_id": run_id, "words": text})
