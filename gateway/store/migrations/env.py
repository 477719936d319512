"""How Alembic runs the migrations: on the connection it is handed, in the transaction that is open there.

`gateway.store.database` opens the connection, holds off other processes and commits.
"""

from alembic import context

from gateway.store.tables import METADATA

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    transactional_ddl=True,
)
context.run_migrations()
