"""The migrations lead to the tables that the code believes in, from nothing and from every step."""

from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect, text
from sqlalchemy.engine import Connection

from gateway.store.database import Database, _configuration
from gateway.store.engines import engine_for
from gateway.store.tables import METADATA
from tests.store.samples import NOW


def revisions() -> list[str]:
    script = ScriptDirectory(str(Path(__import__("gateway.store").store.__file__).parent / "migrations"))
    return [each.revision for each in reversed(list(script.walk_revisions()))]


def shape(connection: Connection) -> dict[str, object]:
    """Everything the database knows about the tables; the definitions of indexes word for word."""
    look = inspect(connection)
    tables = sorted(set(look.get_table_names()) - {"alembic_version"})
    if connection.dialect.name == "sqlite":
        indexes = connection.execute(text("SELECT sql FROM sqlite_master WHERE type = 'index' ORDER BY name")).all()
    else:
        indexes = connection.execute(
            text(
                "SELECT indexdef FROM pg_indexes"
                " WHERE schemaname = 'public' AND tablename <> 'alembic_version' ORDER BY 1"
            )
        ).all()
    return {
        "indexes": [row[0] for row in indexes if row[0]],
        **{
            table: (
                [(c["name"], str(c["type"]), c["nullable"]) for c in look.get_columns(table)],
                look.get_pk_constraint(table),
                sorted(look.get_foreign_keys(table), key=str),
                sorted(look.get_unique_constraints(table), key=str),
            )
            for table in tables
        },
    }


def migrate(url: str, *steps: str) -> dict[str, object]:
    with engine_for(url).begin_migration() as connection:
        for step in steps:
            command.upgrade(_configuration(connection), step)
        connection.commit()
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
        return shape(connection)


def test_replayed_migrations_give_the_tables_of_the_code(empty_url: str) -> None:
    migrated = migrate(empty_url, *revisions(), "head")
    engine = create_engine(empty_url)
    with engine.begin() as connection:
        for table in reversed(METADATA.sorted_tables):
            table.drop(connection)
        METADATA.create_all(connection)
        made = shape(connection)
    engine.dispose()
    assert migrated.keys() == made.keys()
    for name in made:
        assert migrated[name] == made[name], name


def test_opening_migrates_an_empty_database_once(empty_url: str, key_file: Path) -> None:
    for _ in range(2):
        Database.open(empty_url, key_file=key_file, now=NOW).close()
    engine = create_engine(empty_url)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), METADATA) == []
    engine.dispose()


def test_a_migration_that_fails_changes_nothing(empty_url: str) -> None:
    with engine_for(empty_url).begin_migration() as connection:
        connection.execute(text("CREATE TABLE accounts (name TEXT)"))
        with pytest.raises(Exception, match="accounts"):
            command.upgrade(_configuration(connection), "head")
    engine = create_engine(empty_url)
    with engine.connect() as connection:
        assert inspect(connection).get_table_names() == []
    engine.dispose()


def test_the_revisions_are_one_line() -> None:
    assert revisions() == sorted(revisions())
