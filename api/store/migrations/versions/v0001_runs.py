"""Runs, notes and tags: the first catalogue."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "runs",
        sa.Column("id", sa.String(40), primary_key=True),
        sa.Column("rig_name", sa.String(80), nullable=False),
        sa.Column("rig_fingerprint", sa.String(64), nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("vehicle", sa.String(80), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("started_at", sa.String(32), nullable=False),
        sa.Column("ended_at", sa.String(32), nullable=False),
        sa.Column("holder", sa.String(120), nullable=False),
        sa.Column("plan", sa.Text, nullable=False),
        sa.Column("conditions", sa.Text, nullable=False),
        sa.Column("result", sa.Text, nullable=False),
        sa.Column("frames", sa.BigInteger, nullable=False),
        sa.Column("raw_bytes", sa.BigInteger, nullable=False),
        sa.Column("software", sa.String(40), nullable=False),
    )
    op.create_index("runs_state", "runs", ["state"])
    op.create_index("runs_vehicle", "runs", ["vehicle"])
    op.create_index("runs_kind", "runs", ["kind"])
    op.create_table(
        "run_notes",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("run_id", sa.String(40), sa.ForeignKey("runs.id"), nullable=False),
        sa.Column("at", sa.String(32), nullable=False),
        sa.Column("who", sa.String(120), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
    op.create_index("run_notes_run", "run_notes", ["run_id"])
    op.create_table(
        "run_tags",
        sa.Column("run_id", sa.String(40), sa.ForeignKey("runs.id"), primary_key=True),
        sa.Column("tag", sa.String(40), primary_key=True),
    )
    op.create_index("run_tags_tag", "run_tags", ["tag"])


def downgrade() -> None:
    """Remove the first tables."""
    op.drop_table("run_tags")
    op.drop_table("run_notes")
    op.drop_table("runs")
