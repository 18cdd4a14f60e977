"""Preparing the studio's database as its owner: tables, groups, users."""

import re
import secrets
from collections.abc import Sequence
from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, Engine, delete, insert, text
from sqlalchemy.exc import DBAPIError

from potvigil.studio.address import StudioError, first_line
from potvigil.studio.tables import MEMBER, SCHEMA

MACHINE, READER = "potvigil_machine", "potvigil_reader"
ANY_WORKSHOP = "*"
_NAME = re.compile(r"[a-z][a-z0-9_-]{0,62}")
_MIGRATIONS = Path(__file__).with_name("migrations")


def prepare(engine: Engine) -> None:
    """Make the tables and groups, or bring them up to this version; may be repeated. Raises StudioError."""
    try:
        with engine.begin() as connection:
            connection.execute(text(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}"))
            _upgrade(connection, "head")
    except DBAPIError as error:
        raise StudioError(first_line(error)) from error


def _upgrade(connection: Connection, revision: str) -> None:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS))
    config.attributes["connection"] = connection
    command.upgrade(config, revision)


def admit(engine: Engine, name: str, group: str, workshops: Sequence[str]) -> str:
    """Admit a user of the database, creating him if need be, and return his new password.

    group: MACHINE for a Pi that ships its record, READER for a page. workshops: his own, or those he may see;
    ANY_WORKSHOP for all. His earlier rights are revoked. Raises StudioError.
    """
    if not _NAME.fullmatch(name):
        raise StudioError(f"{name!r}: give a name of lower-case letters, digits, - and _, a letter first")
    password = secrets.token_urlsafe(24)
    other = READER if group == MACHINE else MACHINE
    try:
        with engine.begin() as connection:
            found = connection.execute(text("SELECT 1 FROM pg_roles WHERE rolname = :name"), {"name": name})
            if found.scalar() is None:
                connection.execute(text(f'CREATE ROLE "{name}" LOGIN'))
            # ALTER ROLE takes no parameter for the password; nothing in it needs quoting
            connection.execute(text(f"ALTER ROLE \"{name}\" LOGIN PASSWORD '{password}'"))
            connection.execute(text(f'GRANT {group} TO "{name}"'))
            connection.execute(text(f'REVOKE {other} FROM "{name}"'))
            connection.execute(delete(MEMBER).where(MEMBER.c.role == name))
            connection.execute(
                insert(MEMBER), [{"role": name, "workshop": each} for each in dict.fromkeys(workshops)]
            )
    except DBAPIError as error:
        raise StudioError(first_line(error)) from error
    return password
