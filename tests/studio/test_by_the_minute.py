"""A curve by the minute: each minute's mean, the spread of its readings, and every fault."""

import pytest

from potvigil.model.reading import Fault, Place, Sensor
from potvigil.record.store import Store
from potvigil.studio.news import ROWS_A_PARCEL
from potvigil.upkeep.thinning import thin
from record_night import POT, UTC_S, night, sample
from shipped import identity, rows_there, shipper


@pytest.fixture
def record(tmp_path):
    return tmp_path / "record.db"


def append(record, samples):
    with Store.open(record) as store:
        if not store.runs():
            store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for each in samples:
            store.append(POT, each)


def test_each_complete_minute_is_one_sample(record, postgres, machine):
    append(record, night(150))
    shipper(record, machine, by_the_minute=True).ship()
    found = rows_there(postgres.owner(), identity(record))["sample"]
    assert len(found) == 2
    append(record, night(31, start_s=150.0))
    shipper(record, machine, by_the_minute=True).ship()
    found = rows_there(postgres.owner(), identity(record))["sample"]
    assert len(found) == 3
    counts = [each.transducer_count for each in night(150)]
    assert found[0][3] == pytest.approx(sum(counts[:60]) / 60.0)
    assert '"n":60' in found[0][12 if isinstance(found[0][12], str) else 13]


def test_a_minute_with_a_fault_is_shipped_unchanged(record, postgres, machine):
    lost = (Fault(Sensor.THERMOMETER, "28-0316a2794aff: none on the bus", Place.WALL),)
    append(record, [sample(float(t_s), faults=lost if t_s == 70 else ()) for t_s in range(200)])
    shipper(record, machine, by_the_minute=True).ship()
    assert len(rows_there(postgres.owner(), identity(record))["sample"]) == 1 + 60 + 1


def test_samples_thinned_later_are_shipped_again(record, postgres, machine):
    append(record, night(4000))
    shipper(record, machine, by_the_minute=True).ship()
    before = rows_there(postgres.owner(), identity(record))["sample"]
    assert len(before) == 66
    thinned = thin(record, 600.0, UTC_S + 4000.0, rest_s=0.0)
    assert thinned.means > 10
    shipper(record, machine, by_the_minute=True).ship()
    after = rows_there(postgres.owner(), identity(record))["sample"]
    assert len(after) >= 10
    assert [row[1] for row in after] == sorted({row[1] for row in after})


def test_a_whole_night_is_shipped_at_once_whatever_its_length(record, postgres, machine):
    append(record, night(3 * ROWS_A_PARCEL))
    shipper(record, machine, by_the_minute=True).ship()
    assert len(rows_there(postgres.owner(), identity(record))["sample"]) == 3 * ROWS_A_PARCEL // 60 - 1
