"""`pot health` and `pot care`: a pot over its batches, by the command line."""

import json
import time
from dataclasses import replace

import pytest

from pot_season import season
from potvigil.model.events import BatchOpened, Detail
from potvigil.record.store import Store
from record_night import CLOSED, POT, SUMMARY

DAY_S = 86_400.0
SETTINGS = {
    "workshop": "harbour-models",
    "timezone": "Europe/Lisbon",
    "units": {"pressure": "psi"},
    "pots": {POT: {"working_pressure": "60 psi", "floor_pressure": "45 psi", "cure": {"hold": "10 h"}}},
}


def written(path, leaks_psi_per_h, rehearsed=None, labels=()):
    """A record of one batch every other night, each with a leak as estimated."""
    with Store.open(path) as store:
        batches = season(leaks_psi_per_h)
        store.begin_run(json.dumps(SETTINGS), "boot", 0.0, batches[0].utc_s - 1e5, rehearsed)
        for batch in batches:
            number = store.open_batch(POT, BatchOpened(batch.t_s - 3.6e4, batch.utc_s))
            leak = replace(SUMMARY.leak, t_s=batch.t_s, rate_pa_per_s=batch.rate_pa_per_s)
            summary = replace(SUMMARY, leak=leak, details={})
            store.close_batch(number, replace(CLOSED, t_s=batch.t_s, utc_s=batch.utc_s, summary=summary))
        for number, label in labels:
            store.edit(number, {Detail.LABEL: label}, "anna", None)
    return path


@pytest.fixture
def worn(tmp_path):
    """Twelve tight batches, then a seal that wears by 0.04 psi/h a batch."""
    leaks = [0.05] * 12 + [0.05 + 0.04 * number for number in range(1, 21)]
    return written(tmp_path / "record.db", leaks, labels=[(32, "<script>alert(1)</script>")])


def test_a_wearing_seal_is_reported_with_the_leak_a_batch_can_bear(run, worn):
    said = run("pot", "health", POT, "--record", worn)
    assert "has grown" in said or "times" in said
    assert "psi/h" in said
    assert "batches" in said


def test_a_sound_pot_is_reported_sound(run, tmp_path):
    record = written(tmp_path / "record.db", [0.05] * 30)
    assert "Nothing out of the ordinary" in run("pot", "health", "--record", record)


def test_rehearsed_batches_never_count_as_real(run, tmp_path):
    record = written(tmp_path / "record.db", [0.05] * 8, rehearsed="sound")
    assert run("pot", "health", "--record", record).startswith("Rehearsed batches only")
    with Store.open(record) as store:
        store.begin_run(json.dumps(SETTINGS), "boot-2", 1e7, None, None)
        number = store.open_batch(POT, BatchOpened(1e7, None))
        store.close_batch(number, CLOSED)
    said = run("pot", "health", "--record", record)
    assert "Rehearsed" not in said and "1 of 5" in said


def test_care_restarts_the_baseline_and_can_be_removed(run, worn):
    said = run("pot", "care", POT, "seal", "new  ring\n from stock", "--on", "2026-02-27", "--record", worn)
    assert said == f"{POT}: seal serviced on 2026-02-27\n"
    said = run("pot", "health", POT, "--record", worn)
    assert "2026-02-27  seal: new ring from stock (note 1)" in said
    assert "since the seal was changed on 27 February" in said
    run("pot", "care", POT, "--remove", 1, "--record", worn)
    assert "new ring" not in run("pot", "health", POT, "--record", worn)
    assert "has no note 1" in run("pot", "care", POT, "--remove", 1, "--record", worn, status=2)


def test_the_page_shows_labels_as_text(run, worn, tmp_path):
    out = tmp_path / "lantern.html"
    assert str(out) in run("pot", "health", POT, "--record", worn, "--out", out, "--pdf")
    page = out.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in page and "<script" not in page
    assert out.with_suffix(".pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((POT,), "give the part: seal"),
        (("beacon", "seal"), "give POT lantern"),
        ((POT, "seal", "--on", "next week"), "is not a date"),
        ((POT, "seal", "--on", "2199-01-01"), "is still to come"),
        ((POT, "seal", "x" * 201), "201 characters"),
    ],
)
def test_impossible_care_is_refused(run, worn, words, said):
    assert said in run("pot", "care", *words, "--record", worn, status=2)


def test_care_dated_today_is_dated_now(run, worn):
    before = time.time()
    run("pot", "care", POT, "valve", "--record", worn)
    with Store.open_read_only(worn) as store:
        (care,) = store.cares(POT)
    assert before <= care.utc_s <= time.time()
    assert care.part == "valve"
