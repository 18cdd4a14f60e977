"""What is new in a record, parcel by parcel, applied to a copy in memory."""

import shutil
from contextlib import closing
from random import Random

import pytest

from potvigil.model.events import BatchOpened, Detail, EditEvent
from potvigil.record.database import Database
from potvigil.record.store import Store
from potvigil.studio.news import PART_S, ROWS_A_PARCEL, TABLES, ForkedRecordError, Gone, Marks, News, Rows
from potvigil.studio.tables import OF_A_RECORD, key_of
from record_night import POT, UTC_S, night, sample
from shipped import Life, rows_here


class Copy:
    """Rows by table and key; the marks go through JSON's types, as in the studio's table."""

    def __init__(self) -> None:
        self.rows = {table: {} for table in OF_A_RECORD}
        self.marks = Marks()

    def take(self, news: News, most: int = ROWS_A_PARCEL):
        parcel = news.since(self.marks, most)
        for step in parcel.steps:
            table = self.rows[step.table]
            if isinstance(step, Gone):
                self.rows[step.table] = {
                    key: row
                    for key, row in table.items()
                    if step.pot not in (None, key[0]) or not step.from_key <= key[-1] < step.to_key
                }
            else:
                at = [list(step.columns).index(name) for name in key_of(step.table)]
                for row in step.rows:
                    table[tuple(row[i] for i in at)] = dict(zip(step.columns, row, strict=True))
        self.marks = Marks.from_tree(parcel.marks.tree())
        return parcel

    def take_all(self, path, most: int = ROWS_A_PARCEL, *, by_the_minute: bool = False) -> list:
        parcels = []
        with closing(Database.open_read_only(path)) as db:
            news = News(db, by_the_minute=by_the_minute)
            while True:
                parcels.append(self.take(news, most))
                assert len(parcels) < 3000
                if parcels[-1].whole:
                    return parcels

    def differing(self, path) -> list[str]:
        """Return the tables that differ from the record's."""
        here = rows_here(path)
        there = {
            table: {
                tuple(row[c.name] for c in OF_A_RECORD[table].columns if c.name != "record")
                for row in rows.values()
            }
            for table, rows in self.rows.items()
        }
        return [table for table in here if set(here[table]) != there[table]]


def record_of(path, seconds: int, *, batches: int = 0):
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for each in night(seconds):
            store.append(POT, each)
        for n in range(batches):
            store.open_batch(POT, BatchOpened(float(n), UTC_S))
    return path


@pytest.mark.parametrize("seed", range(3))
def test_a_copy_equals_the_record_at_any_parcel_size_and_after_any_change(tmp_path, seed) -> None:
    path, copy, random = tmp_path / "record.db", Copy(), Random(seed)
    life = Life(path, seed)
    for _ in range(4):
        for _ in life.steps(6):
            pass
        copy.take_all(path, random.choice([7, 100, 5000]))
        assert copy.differing(path) == []
    life.close()
    again = copy.take_all(path)
    assert [each.count for each in again] == [0] and again[0].steps == []


def test_a_parcel_has_about_the_maximum_number_of_rows(tmp_path) -> None:
    parcels = Copy().take_all(record_of(tmp_path / "r.db", 1000, batches=5), 100)
    assert all(each.count <= 100 for each in parcels)
    assert sum(each.count for each in parcels) == 1000 + 5 + 2  # a pot and a run
    assert [each.whole for each in parcels] == [False] * (len(parcels) - 1) + [True]
    assert len(parcels) == 11


def test_a_full_last_parcel_is_followed_by_an_empty_one(tmp_path) -> None:
    parcels = Copy().take_all(record_of(tmp_path / "r.db", 98), 100)
    assert [(each.count, each.whole) for each in parcels] == [(100, False), (0, True)]
    assert [(each.count, each.whole) for each in Copy().take_all(tmp_path / "r.db", 101)] == [(100, True)]


def test_rows_come_after_those_they_refer_to(tmp_path) -> None:
    (parcel,) = Copy().take_all(record_of(tmp_path / "r.db", 5, batches=2))
    assert [step.table for step in parcel.steps] == ["pot", "run", "batch", "sample"]
    assert TABLES.index("batch") < TABLES.index("edit") < TABLES.index("sample")


def test_each_pot_has_a_mark_of_its_own(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 100), Copy()
    copy.take_all(path)
    with Store.open(path, create=False) as store:
        for t_s in range(50):  # earlier than the newest of the other
            store.append("mast", sample(float(t_s)))
    copy.take_all(path)
    assert copy.differing(path) == []
    assert {name for name in copy.marks.highest if name.startswith("sample")} == {"sample/1", "sample/2"}


def test_a_rewritten_part_is_deleted_and_sent_again(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 10, batches=3), Copy()
    with Store.open(path, create=False) as store:
        for t_s in (3599.5, 3600.0, 7199.5, 7200.0):
            store.append(POT, sample(t_s))
    copy.take_all(path)
    with closing(Database.open(path, create=False)) as db:
        version = copy.marks.change
        db.execute("DELETE FROM sample WHERE t_s = 3600.0", ())
        db.execute("UPDATE batch SET end_t_s = 5.0 WHERE id = 2", ())
        db.execute("DELETE FROM change", ())
        for number, table, pot, part in ((1, "sample", 1, 1), (2, "batch", 0, 2)):
            db.execute(
                "INSERT INTO change (version, tbl, pot, part) VALUES (?, ?, ?, ?)",
                (version + number, table, pot, part),
            )
    parcel = copy.take_all(path)[0]
    gone = [step for step in parcel.steps if isinstance(step, Gone)]
    assert [(each.table, each.pot, each.from_key, each.to_key) for each in gone] == [
        ("sample", 1, 3600.0, 7200.0),
        ("batch", None, 2, 3),
    ]
    assert [len(step.rows) for step in parcel.steps if isinstance(step, Rows)] == [1, 1]
    assert copy.differing(path) == [] and PART_S == 3600.0
    assert copy.marks.change == version + 2


def test_only_the_shipped_rows_of_a_part_are_sent_again(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 100), Copy()
    copy.take_all(path)
    with Store.open(path, create=False) as store:
        for t_s in range(200, 300):
            store.append(POT, sample(float(t_s)))
    with closing(Database.open(path, create=False)) as db:
        db.execute("INSERT OR REPLACE INTO change (version, tbl, pot, part) VALUES (900, 'sample', 1, 0)", ())
        news = News(db)
        first = news.since(copy.marks, 60)
        (beyond,) = first.steps
        assert len(beyond.rows) == 60 and first.whole is False and first.marks.change == copy.marks.change
    copy.take_all(path, 60)
    assert copy.differing(path) == []


def test_rewritten_parts_count_towards_the_size_of_a_parcel(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 10, batches=6), Copy()
    copy.take_all(path)
    with closing(Database.open(path, create=False)) as db:
        db.execute("DELETE FROM change", ())
        for number in range(1, 7):
            values = (copy.marks.change + number, number)
            db.execute("INSERT INTO change (version, tbl, pot, part) VALUES (?, 'batch', 0, ?)", values)
    parcels = copy.take_all(path, 4)  # each part counts one for itself and one for its row
    assert [sum(isinstance(step, Gone) for step in each.steps) for each in parcels] == [2, 2, 2, 0]


def test_a_forked_record_is_detected(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 10, batches=1), Copy()
    with Store.open(path, create=False) as store:
        store.add_edit(1, EditEvent(1.0, None, Detail.LABEL, "", "x", "anna"))
    backup = tmp_path / "backup.db"
    shutil.copyfile(path, backup)
    with Store.open(path, create=False) as store:
        store.begin_run("{}", "later", 50.0, UTC_S, None)
    copy.take_all(path)
    assert copy.marks.witnesses["run"].startswith("later ")
    with pytest.raises(ForkedRecordError):  # it has no such run
        copy.take_all(backup)
    with Store.open(backup, create=False) as store:
        store.begin_run("{}", "restored", 70.0, UTC_S, None)
    with pytest.raises(ForkedRecordError):  # it has another
        copy.take_all(backup)
    assert copy.take_all(path)[0].steps == []
    older = Marks(copy.marks.highest, copy.marks.change + 10**6, copy.marks.witnesses)
    with closing(Database.open_read_only(path)) as db, pytest.raises(ForkedRecordError):
        News(db).since(older)


def test_marks_survive_json_and_start_empty() -> None:
    marks = Marks({"sample/1": 5.5}, 7, {"run": "a 1.0"})
    assert Marks.from_tree(marks.tree()) == marks
    assert Marks.from_tree({}) == Marks({}, 0, {})


# --- by the minute


def test_by_the_minute_samples_are_means_without_the_last_minute(tmp_path) -> None:
    """A minute's mean is that of its readings, at the mean of their times."""
    path, copy = tmp_path / "r.db", Copy()
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for t_s in range(150):
            store.append(POT, sample(float(t_s), transducer_count=1000.0 + t_s))
    copy.take_all(path, by_the_minute=True)
    rows = sorted(copy.rows["sample"].values(), key=lambda row: row["t_s"])
    assert [(row["t_s"], row["transducer_count"]) for row in rows] == [
        (pytest.approx(29.5), pytest.approx(1029.5)),
        (pytest.approx(89.5), pytest.approx(1089.5)),
    ]
    assert all(row["faults"] is None and row["spread"] for row in rows)
    assert copy.marks.highest["sample/1"] == 119.0
    with Store.open(path, create=False) as store:
        for t_s in range(150, 181):
            store.append(POT, sample(float(t_s), transducer_count=1000.0 + t_s))
    copy.take_all(path, by_the_minute=True)
    assert len(copy.rows["sample"]) == 3


def test_by_the_minute_faults_and_single_samples_stay_unchanged(tmp_path) -> None:
    from potvigil.model.reading import Fault, Sensor

    path, copy = tmp_path / "r.db", Copy()
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        store.append(POT, sample(5.0))
        for t_s in (60.0, 61.0):
            store.append(POT, sample(t_s, faults=(Fault(Sensor.TRANSDUCER, "off"),) if t_s == 61.0 else ()))
        store.append(POT, sample(125.0))
    copy.take_all(path, by_the_minute=True)
    assert sorted(key[1] for key in copy.rows["sample"]) == [5.0, 60.0, 61.0]
    plain = Copy()
    plain.take_all(path)
    assert len(plain.rows["sample"]) == 4


def test_by_the_minute_a_small_parcel_still_holds_whole_minutes(tmp_path) -> None:
    path, copy = record_of(tmp_path / "r.db", 700), Copy()
    parcels = copy.take_all(path, 100, by_the_minute=True)
    assert len(copy.rows["sample"]) == 11 and [each.whole for each in parcels] == [False, True]


# --- pictures


def test_each_picture_that_an_edit_names_is_requested(tmp_path) -> None:
    path = record_of(tmp_path / "r.db", 3, batches=1)
    with Store.open(path, create=False) as store:
        store.add_edit(1, EditEvent(1.0, None, Detail.PICTURES, "", "a.png\n\nb c.jpg", "anna"))
        store.add_edit(1, EditEvent(2.0, None, Detail.NOTE, "", "d.png", "anna"))
    (parcel,) = Copy().take_all(path)
    with closing(Database.open_read_only(path)) as db:
        assert list(News(db).pictures(parcel)) == [(1, "a.png"), (1, "b c.jpg")]
