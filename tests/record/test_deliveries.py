"""Deliveries to people's phones, in the record."""

import sqlite3
from pathlib import Path

import pytest

from potvigil.model.events import AlarmId
from potvigil.record.errors import LockedRecordError
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store

TOLD = DeliveryRow(100.0, None, "lantern", AlarmId.LEAK, "Anna", "raised", None)
FAILED = DeliveryRow(150.0, 1e9, None, AlarmId.READINGS_STOPPED, "Ben", "raised", "refused")


def test_deliveries_come_back_in_order_including_those_for_all_pots(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        store.add_deliveries([FAILED])
        store.add_deliveries([TOLD])
        assert store.deliveries("lantern", 0.0) == [TOLD, FAILED]
        assert store.deliveries("mast", 0.0) == [FAILED]
        assert store.deliveries("lantern", 100.0, 120.0) == [TOLD]


def test_a_locked_record_says_so_and_keeps_nothing_partly(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        holding = sqlite3.connect(tmp_path / "record.db", isolation_level=None)
        holding.execute("BEGIN IMMEDIATE")
        with pytest.raises(LockedRecordError):
            store.add_deliveries([TOLD, FAILED])
        holding.close()
        assert store.deliveries("lantern", 0.0) == []


def test_deliveries_are_dated_once_the_clock_is_set(tmp_path: Path) -> None:
    with Store.open(tmp_path / "record.db") as store:
        store.begin_run("{}", "boot-1", 0.0, None, None)
        store.add_deliveries([TOLD])
        for _ in store.mend_times("boot-1", 1000.0, 1.7e9, was_set=False):
            pass
        assert [row.utc_s for row in store.deliveries("lantern", 0.0)] == [1.7e9 + 100.0]
