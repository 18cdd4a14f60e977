"""Learnt constants in the record: round trips through archive, thinning and an older format."""

import json
import sqlite3
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from potvigil.model.events import BatchOpened, Detail, EditEvent
from potvigil.record.codec import found_from_text, found_to_text
from potvigil.record.errors import ArchiveError
from potvigil.record.rows import TaughtRow
from potvigil.record.store import Store
from potvigil.record.validation import wrong_with
from potvigil.upkeep.archive import import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.upkeep.thinning import thin
from record_night import CLOSED, POT, UTC_S, sample

VERSION_4 = Path(__file__).with_name("version_4.sql")
FOUND = {"surface-wall": (0.51, 0.04), "room-wall": (-7.25, 0.125), "uptake": (-0.001, 0.0125)}
ROW = TaughtRow(1, CLOSED.t_s, "lens", 3, found_to_text(FOUND))

finite = st.floats(allow_nan=False, allow_infinity=False)
founds = st.dictionaries(st.text(), st.tuples(finite, finite.map(abs)), max_size=15)


def kept(path: Path) -> Path:
    """A record with a batch that taught."""
    with Store.open(path) as store:
        store.begin_run('{"workshop":"harbour-models"}', "boot-a", 0.0, UTC_S, None)
        number = store.open_batch(POT, BatchOpened(0.0, UTC_S))
        for t_s in range(1200):
            store.append(POT, sample(float(t_s)))
        store.add_edit(number, EditEvent(1.0, None, Detail.MOULD, "", "lens", "anna"))
        store.close_batch(number, CLOSED)
        store.add_taught(number, 3, FOUND)
    return path


def rows_of(path: Path) -> list[TaughtRow]:
    with Store.open_read_only(path) as store:
        return store.taught(POT, rehearsed=False, limit=9)


@settings(max_examples=100, derandomize=True, deadline=None, database=None)
@given(found=founds)
def test_learnt_constants_come_back_exactly(found: dict[str, tuple[float, float]]) -> None:
    assert found_from_text(found_to_text(found)) == found


def test_learnt_constants_are_kept_by_batch_and_the_newest_before_a_batch_is_found(tmp_path: Path) -> None:
    record = kept(tmp_path / "record.db")
    assert rows_of(record) == [ROW]
    assert found_from_text(ROW.found) == FOUND
    with Store.open(record) as store:
        for n in (2, 3):
            number = store.open_batch(POT, BatchOpened(n * 1e5, None))
            store.close_batch(number, CLOSED)
            store.add_taught(number, 2 + n, {"surface-wall": (0.1 * n, 0.05)})
        other = store.open_batch("kettle", BatchOpened(5e5, None))
        store.add_taught(other, 99, FOUND)

        def batches(before: int | None) -> list[int]:
            return [row.batch_id for row in store.taught(POT, rehearsed=False, before=before, limit=9)]

        assert [batches(before) for before in (None, 4, 3, 2, 1)] == [[3, 2, 1], [3, 2, 1], [2, 1], [1], []]
        assert store.taught(POT, rehearsed=True) == []
        assert [row.batches for row in store.taught(POT, rehearsed=False)] == [5]
        store.add_taught(3, 6, FOUND)  # closed once more after a restart
        assert [row.batches for row in store.taught(POT, rehearsed=False, limit=9)] == [6, 4, 3]
        store.edit(1, {Detail.MOULD: "gear"}, "anna", None)
        assert store.taught(POT, rehearsed=False, before=2)[0].mould == "gear"


def test_the_archive_includes_learnt_constants(tmp_path: Path) -> None:
    record = kept(tmp_path / "record.db")
    taken = export_all(record, tmp_path / "all.zip", made_utc_s=None)
    assert taken.rows["taught"] == 1
    import_all(tmp_path / "all.zip", tmp_path / "again.db")
    assert rows_of(tmp_path / "again.db") == [ROW]


def test_thinning_keeps_learnt_constants(tmp_path: Path) -> None:
    record = kept(tmp_path / "record.db")
    assert thin(record, 0.0, UTC_S + 1e9, rest_s=0.0).means > 0
    assert rows_of(record) == [ROW]


@pytest.mark.parametrize(
    "row",
    [
        {"batch": 1, "batches": 0, "found": "{}"},
        {"batch": 1, "batches": 3, "found": "{"},
        {"batch": 1, "batches": 3, "found": '{"surface-wall": [0.5, NaN]}'},
        {"batch": 1, "batches": 3, "found": '{"surface-wall": [0.5, 1e999]}'},
        {"batch": 1, "batches": 3, "found": '{"surface-wall": [0.5, -0.1]}'},
        {"batch": 1, "batches": 3, "found": '{"surface-wall": 0.5}'},
        {"batch": 1, "batches": 3, "found": '{"surface-wall": [0.5, 0.1], "surface-wall": [0.4, 0.1]}'},
        {"batch": 1, "batches": 3, "found": "[]"},
    ],
)
def test_an_archive_with_an_impossible_row_is_refused(row: dict[str, object], tmp_path: Path) -> None:
    assert wrong_with("taught", {"batch": 1, "batches": 3, "found": found_to_text(FOUND)}) is None
    assert wrong_with("taught", row) is not None
    record = kept(tmp_path / "record.db")
    with sqlite3.connect(record) as db:
        db.execute("UPDATE taught SET batches = ?, found = ?", (row["batches"], row["found"]))
    db.close()
    export_all(record, tmp_path / "all.zip", made_utc_s=None)
    with pytest.raises(ArchiveError, match=r"taught\.jsonl"):
        import_all(tmp_path / "all.zip", tmp_path / "again.db")


def test_format_4_has_no_learnt_constants_and_can_be_upgraded(tmp_path: Path) -> None:
    older = tmp_path / "older.db"
    with sqlite3.connect(older) as db:
        db.executescript(VERSION_4.read_text(encoding="utf-8"))
    db.close()
    with Store.open(older) as store:
        assert store.taught(POT, rehearsed=False) == []
        (batch,) = store.batches(POT)
        assert batch.summary is None or batch.summary.known_from == 0
        store.add_taught(batch.id, 1, FOUND)
    export_all(older, tmp_path / "all.zip", made_utc_s=None)
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        lines = archive.read("taught.jsonl").decode().splitlines()
    assert json.loads(lines[0]) == ["batch", "batches", "found"] and len(lines) == 2
    assert [row.batches for row in rows_of(older)] == [1]
