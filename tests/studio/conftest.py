"""One PostgreSQL with the studio's tables for all tests here; each test ships its own record."""

import pytest

from postgres import Postgres
from potvigil.studio.preparing import MACHINE, admit, prepare
from shipped import WORKSHOP


@pytest.fixture(scope="session")
def postgres():
    with Postgres() as server:
        prepare(server.owner())
        yield server


@pytest.fixture(scope="session")
def machine(postgres):
    """The engine of a machine of WORKSHOP."""
    password = admit(postgres.owner(), "lantern-pi", MACHINE, [WORKSHOP])
    return postgres.address("lantern-pi", password).engine()
