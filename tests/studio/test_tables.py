"""The studio's tables are the record's, each with the record's number, as the migrations make them."""

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import text

from postgres import Postgres
from potvigil.studio import tables
from potvigil.studio.address import StudioError
from potvigil.studio.copying import check_format
from potvigil.studio.news import TABLES
from potvigil.studio.preparing import prepare
from potvigil.upkeep.archive import TABLES as ARCHIVED


def test_every_table_of_the_record_is_shipped():
    assert set(TABLES) == set(ARCHIVED)


def test_the_migrations_make_the_tables_that_the_shipper_writes(postgres):
    """Alembic finds nothing to change but indexes, which only readers need."""
    with postgres.owner().connect() as connection:
        options = {"include_schemas": True, "compare_type": True}
        context = MigrationContext.configure(connection, opts=options)
        found = compare_metadata(context, tables.metadata)
    assert [each for each in found if each[0] not in ("remove_index",) and "alembic" not in str(each)] == []


def test_the_format_the_shipper_needs_is_the_newest_migration(postgres):
    with postgres.owner().connect() as connection:
        check_format(connection)
        found = connection.execute(text("SELECT version_num FROM potvigil.alembic_version")).scalar()
    assert found == str(tables.FORMAT)


def test_a_database_that_is_not_prepared_or_older_says_what_to_do():
    with Postgres() as server:
        with server.owner().connect() as connection, pytest.raises(StudioError, match="studio prepare"):
            check_format(connection)
        prepare(server.owner())
        prepare(server.owner())  # may be repeated
        with server.owner().begin() as connection:
            connection.execute(text("UPDATE potvigil.alembic_version SET version_num = '0'"))
            with pytest.raises(StudioError, match=rf"of format 0, {tables.FORMAT} is needed.*studio prepare"):
                check_format(connection)


def test_every_table_of_a_record_has_its_policies(postgres):
    with postgres.owner().connect() as connection:
        open_to_all = connection.execute(
            text(
                "SELECT relname FROM pg_class WHERE relnamespace = 'potvigil'::regnamespace "
                "AND relkind = 'r' AND NOT relrowsecurity"
            )
        ).scalars()
        assert list(open_to_all) == ["alembic_version"]
