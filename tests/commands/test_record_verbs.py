"""The record as a whole, by the command line: exported, imported, checked, copied, thinned."""

import resource
import signal
import subprocess
import sys
import time
import zipfile

import pytest

from potvigil.record.store import Store
from potvigil.sim.nights import NIGHTS
from rehearsal import rehearse

POT = "lantern"


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """A short night of January 2026."""
    return rehearse(NIGHTS["lost-before-gel"], tmp_path_factory.mktemp("record")).record


def test_a_workshop_survives_export_and_import(run, record, tmp_path):
    archive, copy = tmp_path / "workshop.zip", tmp_path / "new.db"
    assert "1 batches" in run("export", "--all", "--record", record, "--out", archive)
    assert "1 batches" in run("import", archive, "--record", copy)
    for words in (
        ("list", "--json"),
        ("show", 1),
        ("export", 1, "--out", "-"),
        ("export", 1, "--format", "jsonl"),
    ):
        out = ("--out", "-") if words[-1] == "jsonl" else ()
        assert run("batch", *words, *out, "--record", copy) == run("batch", *words, *out, "--record", record)


def test_an_import_never_replaces_a_record(run, record, tmp_path):
    archive = tmp_path / "workshop.zip"
    run("export", "--all", "--record", record, "--out", archive)
    before = record.read_bytes()
    assert "give another path" in run("import", archive, "--record", record, status=2)
    assert record.read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 and no more", b"a letter to the customer\n" * 99])
def test_a_foreign_archive_is_refused_without_leftovers(run, tmp_path, content):
    archive = tmp_path / "workshop.zip"
    archive.write_bytes(content)
    assert str(archive) in run("import", archive, "--record", tmp_path / "new.db", status=2)
    assert [path.name for path in tmp_path.iterdir()] == ["workshop.zip"]


def test_a_path_in_an_archive_is_never_followed(run, record, tmp_path):
    archive = tmp_path / "workshop.zip"
    run("export", "--all", "--record", record, "--out", archive)
    with zipfile.ZipFile(archive, "a") as into:
        into.writestr("../outside.jsonl", "[]")
    (tmp_path / "in").mkdir()
    assert "outside.jsonl" in run("import", archive, "--record", tmp_path / "in" / "new.db", status=2)
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["in", "workshop.zip"]


@pytest.mark.parametrize(
    "words", [["export", "--all", "--out"], ["record", "backup"], ["batch", "report", "1", "--out"]]
)
def test_a_full_disk_leaves_no_partial_file(record, tmp_path, words):
    """No file of the program may grow beyond 40 kB: what the kernel does to a write past RLIMIT_FSIZE."""

    def little_room():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))

    out = tmp_path / "out.html"
    command = [sys.executable, "-m", "potvigil", *words, out, "--record", record]
    done = subprocess.run(command, preexec_fn=little_room, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    said = done.stderr.splitlines()[-1]  # matplotlib complains about its cache first
    assert said.startswith("potvigil: ") and str(out) in said
    assert list(tmp_path.iterdir()) == []


def test_check_tells_a_sound_record_from_a_broken_one(run, record, tmp_path):
    assert "no fault found" in run("record", "check", "--record", record)
    copy = tmp_path / "copy.db"
    assert "found intact" in run("record", "backup", copy, "--record", record)
    data = bytearray(copy.read_bytes())
    data[8192:8300] = b"\xff" * 108
    copy.write_bytes(data)
    run("record", "check", "--record", copy, status=1)


def test_thinning_keeps_every_event_and_the_verdict(run, tmp_path):
    night = rehearse(NIGHTS["sound"], tmp_path, sample_period_s=2.0).record
    before = run("batch", "show", 1, "--record", night)
    with Store.open_read_only(night) as store:
        events, count = store.events(1), sum(1 for _ in store.samples(POT, 0.0))
    run("record", "thin", "--record", night)
    with Store.open_read_only(night) as store:
        assert store.events(1) == events
        assert sum(1 for _ in store.samples(POT, 0.0)) < count / 2  # 2 s apart: ten of them to a mean
    assert run("batch", "show", 1, "--record", night) == before


def test_recent_samples_are_not_thinned(run, tmp_path):
    record = rehearse(NIGHTS["lost-before-gel"], tmp_path).record
    age_days = (time.time() - 1_767_304_800.0) / 86_400.0
    said = run("record", "thin", "--older-than", f"{age_days + 1:.0f}", "--record", record)
    assert "0 samples became 0 means" in said


def test_a_clock_behind_the_record_thins_nothing(run, tmp_path, monkeypatch):
    record = rehearse(NIGHTS["lost-before-gel"], tmp_path).record
    monkeypatch.setattr(time, "time", lambda: 1_700_000_000.0)
    assert "clock is behind" in run("record", "thin", "--record", record, status=2)
