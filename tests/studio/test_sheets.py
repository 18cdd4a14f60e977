"""Reports and health charts of shipped records: the same as on the Pi, and of no other workshop."""

import json
import sqlite3
import sys
from functools import partial
from uuid import UUID, uuid4

import pytest
from pyarrow.parquet import read_table

from many_records import Studio, kept
from paged import SAME
from patience import PATIENCE_S
from postgres import DATABASE
from potvigil.cli import main
from potvigil.model.events import Detail, EditEvent
from potvigil.record.errors import UnknownBatchError
from potvigil.record.store import Store
from potvigil.reports.batch import report_html
from potvigil.reports.collect import collect_report
from potvigil.studio.preparing import READER, admit
from potvigil.upkeep import pictures
from printed_page import Page
from program import run
from record_night import UTC_S
from shipped import identity, shipper

HARBOUR, CASTLE = "sheets-harbour", "sheets-castle"


@pytest.fixture(scope="module")
def studio(postgres):
    return Studio(postgres)


@pytest.fixture(scope="module")
def reader(studio):
    reader = studio.reader("sheets-reader", "*")
    yield reader
    reader.close()


@pytest.fixture
def night(night_record, tmp_path):
    """A copy of a night with an id of its own, of which nothing was shipped yet."""
    path = tmp_path / "night.db"
    path.write_bytes(night_record.read_bytes())
    with sqlite3.connect(path) as db:
        db.execute("UPDATE identity SET record = ?", (str(uuid4()),))
    return path


@pytest.fixture
def shown(studio, reader, night, machine):
    """Return a function that ships the night and collects the report of its batch from the studio."""

    def ship_and_collect(*, by_the_minute: bool = False):
        shipper(night, machine, by_the_minute=by_the_minute).ship()
        return there(reader, night)

    return ship_and_collect


def there(reader, path, batch: int = 1):
    record = UUID(identity(path))
    with reader.opened(record) as store:
        return collect_report(store, batch, partial(reader.picture, record), "none were shipped")


def here(path, batch: int = 1):
    with Store.open_read_only(path) as store:
        return collect_report(store, batch)


def cut(path, sql: str) -> None:
    with sqlite3.connect(path) as db:
        db.executescript(sql)


# --- reports


def test_the_report_of_a_shipped_batch_equals_that_of_its_pi(night, shown):
    with Store.open(night, create=False) as store:
        store.add_edit(1, EditEvent(200.0, UTC_S, Detail.PICTURES, "", "front.jpg", "Anna"))
    pictures.keep(night, 1, "front.jpg", b"\xff\xd8\xff" + b"\0" * 40)
    collected = shown()
    assert collected.pictures == (("front.jpg", b"\xff\xd8\xff" + b"\0" * 40),)
    own = here(night)
    assert len(collected.gauge) > 2000 and collected == own
    assert report_html(collected) == report_html(own)


def test_by_the_minute_a_report_says_so_and_keeps_the_summary(night, shown):
    collected, own = shown(by_the_minute=True), here(night)
    assert collected.by_the_minute and not own.by_the_minute
    assert len(collected.gauge) < len(own.gauge) / 10
    assert (collected.summary, collected.events, collected.traces) == (own.summary, own.events, own.traces)
    said = "By the minute: the studio was sent the mean of each minute's readings."
    assert said in Page(report_html(collected)).text and said not in Page(report_html(own)).text


def test_a_missing_minute_is_no_gap_and_a_missing_hour_is(night, shown):
    cut(night, "DELETE FROM sample WHERE t_s >= 3060 AND t_s < 3100 OR t_s > 5000 AND t_s < 8600")
    (silence,) = shown(by_the_minute=True).silences
    assert silence.from_s == pytest.approx(5000.0, abs=60.0) and silence.to_s == pytest.approx(
        8600.0, abs=60.0
    )


def test_an_open_batch_is_judged_from_its_readings_and_not_from_means(night, shown, reader, machine):
    still_open = "UPDATE batch SET end_t_s = NULL, end_utc_s = NULL, verdict = NULL, summary = NULL"
    cut(night, f"{still_open}; UPDATE identity SET record = '{uuid4()}'")
    own = here(night)
    assert shown().summary == own.summary
    cut(night, f"UPDATE identity SET record = '{uuid4()}'")
    shipper(night, machine, by_the_minute=True).ship()
    with pytest.raises(UnknownBatchError, match="too coarse to say how it stands; see its report on its Pi"):
        there(reader, night)


def test_readings_not_shipped_yet_are_no_silence_of_the_pot(night, shown):
    cut(night, "DELETE FROM sample WHERE t_s > 9000")
    (silence,) = shown().silences
    assert (silence.from_s, silence.why) == (9000.0, "none were shipped")


# --- by the command line


@pytest.fixture
def settings(postgres, tmp_path):
    """Return a function that writes settings for a reader of these workshops."""

    def written(*workshops: str):
        password = admit(postgres.owner(), "sheets-desk", READER, workshops)
        (tmp_path / "desk-password").write_text(f"{password}\n", encoding="utf-8")
        keys = {"host": "127.0.0.1", "port": postgres.port, "database": DATABASE, "username": "sheets-desk"}
        path = tmp_path / "studio.yaml"
        path.write_text(json.dumps({"studio": keys | {"password_file": "desk-password"}}), encoding="utf-8")
        return path

    return written


def test_a_verb_reads_a_shipped_record_by_its_id(capsys, studio, settings, tmp_path):
    path = kept(tmp_path / "r.db", HARBOUR, "lantern", leaks=True)
    number = studio.ship(path)
    config = settings(HARBOUR)
    of = ("--of", number, "--config", config)
    own = run(capsys, "batch", "export", 2, "--record", path, "--out", "-")
    assert own[0] == 0 and len(own[1].splitlines()) == 722
    assert run(capsys, "batch", "export", 2, *of, "--out", "-") == own
    table = tmp_path / "lens.parquet"
    assert run(capsys, "batch", "export", 2, *of, "--format", "parquet", "--out", table)[0] == 0
    assert [",".join(read_table(table).column_names), read_table(table).num_rows] == [
        *(own[1].splitlines()[0], 721)
    ]
    health = run(capsys, "pot", "health", "lantern", *of)
    assert health == run(capsys, "pot", "health", "lantern", "--record", path) and health[0] == 0
    out = tmp_path / "lens.html"
    assert run(capsys, "batch", "report", 2, *of, "--out", out)[:2] == (0, f"{out}\n")
    assert "lenses, blue" in out.read_text(encoding="utf-8")


@pytest.mark.parametrize("verb", [("batch", "report", 2), ("batch", "export", 2), ("pot", "health", "tower")])
def test_a_verb_reads_nothing_of_another_workshop(capsys, studio, settings, tmp_path, verb):
    number = studio.ship(kept(tmp_path / "r.db", CASTLE, "tower"))
    status, out, said = run(capsys, *verb, "--of", number, "--config", settings(HARBOUR))
    assert (status, out, said.count("\n")) == (2, "", 1) and "Traceback" not in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--record", "r.db"), "--of names a record in the studio's database, --record a file"),
        (("--config", "workshop.yaml"), "workshop.yaml: names no studio"),
    ],
)
def test_what_cannot_be_read_is_one_line(capsys, monkeypatch, tmp_path, words, said):
    monkeypatch.chdir(tmp_path)
    text = "workshop: harbour\npots: {lantern: {internal_volume: 20 L, maximum_pressure: 80 psi, "
    text += "working_pressure: 60 psi, floor_pressure: 45 psi, thermometer: {place: none}, supply: shut, "
    (tmp_path / "workshop.yaml").write_text(f"{text}cure: {{hold: 10 h}}}}}}\n", encoding="utf-8")
    status, _, refusal = run(capsys, "batch", "report", 1, "--of", uuid4(), *words)
    assert status == 2 and refusal.startswith(f"potvigil: {said}")


def test_a_record_is_named_by_its_id(capsys):
    with pytest.raises(SystemExit):
        main(["batch", "report", "1", "--of", "12"])
    assert "argument --of: '12' is not valid; give the number that follows /of/" in capsys.readouterr().err


# --- on the page


@pytest.fixture
def page(studio, settings, monkeypatch):
    """Show one workshop's page; its reports are made with a test's time limit, and not at low priority."""
    monkeypatch.setattr("potvigil.page.printed.children.WITHIN_S", PATIENCE_S)
    program = (sys.executable, "-m", "potvigil")
    with studio.shown("sheets-desk-page", HARBOUR, settings=settings(HARBOUR), command=program) as client:
        yield client


@pytest.fixture
def lantern(studio, tmp_path):
    return f"/of/{studio.ship(kept(tmp_path / 'lantern.db', HARBOUR, 'lantern', leaks=True))}"


def test_a_report_is_shown_in_the_page_and_as_pdf(page, lantern):
    html = page.get(f"{lantern}/batch/2").text
    assert f'href="{lantern}/batch/2/report"' in html and f'href="{lantern}/batch/2/report.pdf"' in html
    around = page.get(f"{lantern}/batch/2/report").text
    assert f'<iframe class="sheet" src="{lantern}/batch/2/report/sheet"' in around and "data-strip" in around
    sheet = page.get(f"{lantern}/batch/2/report/sheet")
    assert sheet.status_code == 200 and "lenses, blue" in sheet.text and "Gaps in the readings" in sheet.text
    assert sheet.headers["x-frame-options"] == "SAMEORIGIN"
    pdf = page.get(f"{lantern}/batch/2/report.pdf")
    assert pdf.content.startswith(b"%PDF-") and pdf.headers["content-type"] == "application/pdf"


def test_a_health_chart_is_shown_in_the_page_and_as_pdf(page, lantern):
    assert f'href="{lantern}/pot/lantern/health"' in page.get(f"{lantern}/pot/lantern").text
    around = page.get(f"{lantern}/pot/lantern/health").text
    assert (
        f'src="{lantern}/pot/lantern/health/sheet"' in around
        and f'"{lantern}/pot/lantern/health.pdf"' in around
    )
    sheet = page.get(f"{lantern}/pot/lantern/health/sheet")
    assert sheet.status_code == 200 and "new seal" in sheet.text
    assert page.get(f"{lantern}/pot/lantern/health.pdf").content.startswith(b"%PDF-")


SHEETS = [
    *("/batch/2/report", "/batch/2/report/sheet", "/batch/2/report.pdf"),
    *("/pot/tower/health", "/pot/tower/health/sheet", "/pot/tower/health.pdf"),
]


def test_no_sheet_of_another_workshop_is_served_even_from_the_cache(studio, settings, tmp_path, monkeypatch):
    async def kept_one(*_, **__):
        return b"battlements"

    monkeypatch.setattr("potvigil.page.printed.children.Children.content", kept_one)
    tower = f"/of/{studio.ship(kept(tmp_path / 'tower.db', CASTLE, 'tower', label='battlements'))}"
    with studio.shown("sheets-both", HARBOUR, CASTLE, settings=settings(HARBOUR, CASTLE)) as client:
        assert [client.get(tower + path).status_code for path in SHEETS] == [200] * 6
        admit(studio.postgres.owner(), "sheets-both", READER, [HARBOUR])  # no longer of both
        for path in SHEETS:
            answer = client.get(tower + path)
            assert answer.status_code == 404 and "battlements" not in answer.text, path


@pytest.fixture
def keys(monkeypatch):
    """Yield the cache keys of the sheets that are requested; none is made."""
    keys = []

    async def make(_, key, *__, **___):
        keys.append(key)
        return b"x"

    monkeypatch.setattr("potvigil.page.printed.children.Children.content", make)
    return keys


def test_a_report_is_made_again_when_more_of_its_batch_is_shipped(studio, settings, night, machine, keys):
    late = "CREATE TABLE late AS SELECT * FROM sample WHERE t_s > 9000; DELETE FROM sample WHERE t_s > 9000"
    cut(night, late)
    path = f"/of/{identity(night)}/batch/1/report/sheet"
    with studio.shown("sheets-all", "*", settings=settings("*")) as client:
        shipper(night, machine).ship()
        assert [client.get(path).status_code for _ in range(2)] == [200, 200]
        cut(night, "INSERT INTO sample SELECT * FROM late; DROP TABLE late")
        shipper(night, machine).ship()
        client.get(path)
    assert keys[0] == keys[1] != keys[2]


def test_cached_sheets_are_not_shared(studio, settings, night, machine, keys):
    records = []
    for _ in range(2):  # of the same readings
        cut(night, f"UPDATE identity SET record = '{uuid4()}'")
        shipper(night, machine).ship()
        records.append(identity(night))
    sheets = (
        "batch/1/report/sheet",
        "batch/1/report.pdf",
        "pot/lantern/health/sheet",
        "pot/lantern/health.pdf",
    )
    with studio.shown("sheets-every", "*", settings=settings("*")) as client:
        for path in (f"/of/{record}/{sheet}" for record in records for sheet in sheets):
            assert client.get(path).status_code == 200
    assert len(set(keys)) == len(keys) == 8


def test_a_pot_named_like_an_option_has_no_chart(studio, settings, night, machine, keys):
    cut(night, "UPDATE pot SET name = '--replace'")
    shipper(night, machine).ship()
    pot = f"/of/{identity(night)}/pot/--replace"
    with studio.shown("sheets-wary", "*", settings=settings("*")) as client:
        for path in ("health", "health/sheet", "health.pdf"):
            assert client.get(f"{pot}/{path}").status_code == 404
    assert keys == []


def test_nothing_is_made_by_a_form(page, lantern):
    assert page.post(f"{lantern}/batch/2/report", data={}, headers=SAME).status_code == 405
