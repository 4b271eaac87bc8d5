"""Alembic's entry: runs the migrations on the connection that the catalogue hands over."""

from __future__ import annotations

from alembic import context

from api.store.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata)
with context.begin_transaction():
    context.run_migrations()
