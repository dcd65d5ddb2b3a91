"""Alembic's entry: the program hands over an open connection and its tables' metadata."""

from __future__ import annotations

from alembic import context

from logbook.store.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
    compare_type=False,
)
with context.begin_transaction():
    context.run_migrations()
