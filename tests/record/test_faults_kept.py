"""A fault text is kept once, and comes back with each sample that had it."""

import json
import zipfile
from hashlib import sha256
from pathlib import Path

import pytest

from potvigil.model.reading import Fault, Place, Sample, Sensor
from potvigil.record.database import Database
from potvigil.record.errors import ArchiveError, DamagedRecordError
from potvigil.record.store import Store
from potvigil.upkeep.archive import import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.upkeep.check import check
from potvigil.upkeep.thinning import thin
from record_night import POT, UTC_S, night, sample

LOST = Fault(Sensor.THERMOMETER, "28-0316a2794aff: none on the bus; check its plug and its wires", Place.WALL)
SILENT = Fault(Sensor.BAROMETER, "I2C bus 1, address 0x76, barometer: no answer")
DAY_S = 86_400.0


def kept(path: Path, samples: list[Sample]) -> Path:
    with Store.open(path) as store:
        store.begin_run("{}", "boot", 0.0, UTC_S, None)
        for each in samples:
            store.append(POT, each)
    return path


def read(path: Path) -> list[Sample]:
    with Store.open_read_only(path) as store:
        return list(store.samples(POT, 0.0))


def rows(path: Path, sql: str) -> list[tuple[object, ...]]:
    database = Database.open_read_only(path)
    try:
        return database.rows(sql)
    finally:
        database.close()


def spoilt(path: Path, sql: str) -> Path:
    database = Database.open(path)
    with database.transaction(durable=True):
        database.execute(sql)
    database.close()
    return path


SAMPLES = [
    sample(1.0),
    sample(2.0, wall_c=None, faults=(LOST,)),
    sample(3.0, wall_c=None, faults=(LOST, SILENT)),
    sample(4.0, wall_c=None, faults=(LOST,)),
]


def test_faults_come_back_with_their_samples(tmp_path) -> None:
    path = kept(tmp_path / "record.db", SAMPLES)
    assert read(path) == SAMPLES
    with Store.open_read_only(path) as store:
        assert store.last_sample(POT) == SAMPLES[-1]
    later = [sample(9.0, faults=(LOST,)), sample(10.0, faults=(SILENT,))]
    with Store.open(path) as store:  # after a restart too
        for each in later:
            store.append(POT, each)
    assert read(path) == SAMPLES + later
    assert rows(path, "SELECT count(*) FROM fault") == [(3,)]


def test_a_night_without_its_probe_takes_no_more_space_than_one_with_it(tmp_path) -> None:
    def size(name: str, *faults: Fault) -> int:
        changed = {"wall_c": None} if faults else {}
        lost = [sample(each.t_s, **changed, faults=faults) for each in night(7200)]
        path = kept(tmp_path / name, lost)
        return rows(path, "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size")[0][0]

    assert size("lost.db", LOST, SILENT) < 1.05 * size("well.db")


def version_7(path: Path, samples: list[Sample]) -> Path:
    """A record of format 7: each sample with the text of its own faults."""
    database = Database.new(path, 7)
    with database.transaction(durable=True):
        database.execute("INSERT INTO pot (name) VALUES (?)", (POT,))
        for each in samples:
            said = [[f.sensor, f.detail, *([] if f.place is None else [f.place])] for f in each.faults]
            text = json.dumps(said) if said else None
            database.execute(
                "INSERT INTO sample (pot, t_s, utc_s, transducer_count, wall_c, faults) "
                "VALUES (1, ?, ?, ?, ?, ?)",
                (each.t_s, each.utc_s, each.transducer_count, each.wall_c, text),
            )
    database.close()
    return path


def test_a_record_of_format_7_keeps_each_of_its_texts_once(tmp_path) -> None:
    path = version_7(tmp_path / "record.db", SAMPLES)
    Store.open(path).close()
    assert read(path) == SAMPLES
    assert rows(path, "SELECT count(*) FROM fault") == [(2,)]
    assert rows(path, "SELECT max(length(faults)) FROM sample") == [(1,)]
    assert check(path).problems == ()


def test_an_archive_of_format_7_is_accepted(tmp_path) -> None:
    """Its samples contain their fault texts, and it has no table of faults."""
    made = tmp_path / "workshop.zip"
    export_all(kept(tmp_path / "record.db", SAMPLES), made, made_utc_s=None)
    older = version_7(tmp_path / "older.db", SAMPLES)
    database = Database.open_still(older)
    columns = list(database.columns("sample"))
    tables = {
        "sample.jsonl": [columns, *map(list, database.rows(f"SELECT {', '.join(columns)} FROM sample"))]
    }
    database.close()
    rewritten(made, tables, without={"fault.jsonl"}, record_format=7)
    import_all(made, tmp_path / "taken.db")
    assert read(tmp_path / "taken.db") == SAMPLES


def rewritten(archive: Path, tables: dict[str, list], without: set[str], **manifest: object) -> None:
    """Replace members of an archive, and their entries in its manifest."""
    with zipfile.ZipFile(archive) as old:
        members = {name: old.read(name) for name in old.namelist() if name not in without}
    told = json.loads(members.pop("manifest.json")) | manifest
    for name in without:
        told["members"].pop(name)
    for name, lines in tables.items():
        data = "".join(json.dumps(line) + "\n" for line in lines).encode()
        members[name] = data
        told["members"][name] = {
            "rows": len(lines) - 1,
            "bytes": len(data),
            "sha256": sha256(data).hexdigest(),
            "columns": lines[0],
        }
    with zipfile.ZipFile(archive, "w") as new:
        for name, data in members.items():
            new.writestr(name, data)
        new.writestr("manifest.json", json.dumps(told))


def test_an_archive_gives_every_fault_back(tmp_path) -> None:
    export_all(kept(tmp_path / "record.db", SAMPLES), tmp_path / "workshop.zip", made_utc_s=None)
    import_all(tmp_path / "workshop.zip", tmp_path / "taken.db")
    assert read(tmp_path / "taken.db") == SAMPLES


def test_faults_with_a_lost_text_count_as_damage(tmp_path) -> None:
    path = spoilt(kept(tmp_path / "record.db", SAMPLES), "DELETE FROM fault WHERE id = 1")
    assert any("faults whose text is not in the record" in each for each in check(path).problems)
    with pytest.raises(DamagedRecordError):
        read(path)
    export_all(path, tmp_path / "workshop.zip", made_utc_s=None)
    with pytest.raises(ArchiveError, match="faults whose text is not there"):
        import_all(tmp_path / "workshop.zip", tmp_path / "taken.db")
    assert not (tmp_path / "taken.db").exists()


@pytest.mark.parametrize("text", ['[["lamp","out"]]', "[1]", "broken", "7"])
def test_an_invalid_fault_text_is_reported_and_refused(tmp_path, text: str) -> None:
    path = spoilt(kept(tmp_path / "record.db", SAMPLES), f"UPDATE fault SET faults = '{text}' WHERE id = 1")
    assert any(each.startswith("fault 1: ") for each in check(path).problems)
    export_all(path, tmp_path / "workshop.zip", made_utc_s=None)
    with pytest.raises(ArchiveError, match=r"fault\.jsonl, line 2: "):
        import_all(tmp_path / "workshop.zip", tmp_path / "taken.db")


def test_a_mean_keeps_the_faults_of_all_its_samples(tmp_path) -> None:
    broken = {20: (LOST,), 21: (SILENT,), 22: (LOST,)}
    steady = {"transducer_count": 15_000.0, "wall_c": 21.0}
    samples = [sample(1000.0 + i, **steady, faults=broken.get(i, ())) for i in range(120)]
    path = kept(tmp_path / "record.db", samples)
    done = thin(path, DAY_S, UTC_S + 400 * DAY_S, rest_s=0.0)
    assert done.means > 0
    found = {each for one in read(path) for each in one.faults}
    assert found == {LOST, SILENT}
    assert check(path).problems == ()
