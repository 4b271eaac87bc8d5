"""Alembic migrations of the run catalogue; run by api.store.catalogue at start."""
