"""Run by Alembic: all revisions in one transaction, on the connection it is given."""

from alembic import context

from potvigil.studio.tables import SCHEMA

connection = context.config.attributes["connection"]
context.configure(connection=connection, version_table_schema=SCHEMA, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
