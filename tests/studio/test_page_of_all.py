"""The page of all records: the most urgent pot first, one list of alarms, one of batches, nobody else's."""

import re

import pytest

from many_records import Studio, kept
from potvigil.model.events import AlarmId
from shipped import identity

HARBOUR, CASTLE, MILL = "harbour", "castle", "mill"


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    return {
        "lantern": kept(folder / "a.db", HARBOUR, "lantern", alarm=AlarmId.FLOOR_AHEAD, leaks=True),
        "tower": kept(folder / "b.db", CASTLE, "tower", unit="bar", label="battlements 100 %"),
        "gate": kept(folder / "c.db", CASTLE, "gate", ago_s=4000.0, alarm=AlarmId.LEAK),
        "wheel": kept(folder / "d.db", MILL, "wheel", ago_s=90_000.0, is_open=False),
    }


@pytest.fixture(scope="module")
def studio(postgres, records):
    studio = Studio(postgres)
    for each in records.values():
        studio.ship(each)
    return studio


@pytest.fixture(scope="module")
def number(records):
    """Return the record of a pot, by its number."""
    return lambda pot: identity(records[pot])


@pytest.fixture
def client(studio):
    with studio.shown("front-desk", HARBOUR, CASTLE, MILL) as client:
        yield client


def cards(html):
    return re.findall(r'data-pot="([^"]+)"', html)


def test_lists(client):
    assert client.get("/batches").status_code == 200
