"""Run by alembic with the connection that `store.schema` hands over."""

from alembic import context

from haunt.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
