"""Idle and greatest engine speed of a vehicle."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Nothing is known of the engines that are there."""
    for name in ("idle_rpm", "max_rpm"):
        op.add_column("vehicles", sa.Column(name, sa.Float, nullable=True))


def downgrade() -> None:
    """Forget them."""
    with op.batch_alter_table("vehicles") as table:
        for name in ("idle_rpm", "max_rpm"):
            table.drop_column(name)
