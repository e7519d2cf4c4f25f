"""Alembic's entry: runs the revisions on the connection that app/store/keeping/migrate.py hands over."""

from alembic import context

from app.store.schema import metadata

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    render_as_batch=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
