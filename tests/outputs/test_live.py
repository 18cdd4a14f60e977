"""The live file: complete at any moment, at most two minutes long, and never blocking the watch."""

import json
import logging
import os
import stat
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from demo_pot import HOLDING, READING, T_S
from potvigil.live_reader import LiveReader
from potvigil.outputs.live import RECENT_S, LiveFile
from potvigil.paths import make_own_folder, usual_live
from potvigil.sim.nights import NIGHTS
from rehearsal import Bench


def at(second: float, **fields: object):
    return replace(HOLDING, t_s=T_S + second, reading=replace(READING, t_s=T_S + second, **fields))


@pytest.fixture
def live(tmp_path) -> LiveFile:
    file = LiveFile(tmp_path / "live.json", "harbour-models", None, 1.0)
    file.begin(100.0, 150.0)
    return file


def test_a_live_file_is_read_back_complete(live):
    live.write({"lantern": at(0.0), "mast": at(0.0, gas_k=None)}, {"lantern": 12, "mast": None})
    found, silent = LiveReader(live.path).read()
    assert not silent
    assert found is not None
    assert (found.workshop, found.rehearsed, found.tick, found.run) == ("harbour-models", None, 1, 150.0)
    assert found.pots["lantern"].snapshot == at(0.0)
    assert found.pots["lantern"].snapshot.reading.contents_k == READING.contents_k
    assert found.pots["mast"].snapshot == at(0.0, gas_k=None)
    assert (found.pots["lantern"].batch, found.pots["mast"].batch) == (12, None)


def test_a_live_file_holds_exactly_the_last_two_minutes(live):
    for second in range(300):
        live.write({"lantern": at(second, gauge_pa=None if second == 250 else 400_000.0 + second)}, {})
    recent = json.loads(live.path.read_text())["pots"]["lantern"]["recent"]
    times = [row[0] for row in recent]
    assert times == [T_S + second for second in range(300 - int(RECENT_S) - 1, 300)]
    assert recent[-1] == [T_S + 299.0, 400_299.0]
    assert LiveReader(live.path).read()[0].pots["lantern"].recent[-1] == (T_S + 299.0, 400_299.0)
    assert recent[times.index(T_S + 250.0)][1] is None


def test_a_reader_never_sees_a_partial_live_file(live):
    live.write({"lantern": at(0.0)}, {})
    stop = threading.Event()

    def write() -> None:
        second = 1.0
        while not stop.is_set():
            live.write({"lantern": at(second)}, {})
            second += 1.0

    writer = threading.Thread(target=write)
    writer.start()
    try:
        ticks = [json.loads(live.path.read_bytes())["tick"]]
        while len(ticks) < 2000 or len(set(ticks)) <= 10:
            ticks.append(json.loads(live.path.read_bytes())["tick"])
    finally:
        stop.set()
        writer.join()
    assert ticks == sorted(ticks)


def test_a_missing_folder_is_logged_once_and_stops_nothing(tmp_path, caplog):
    file = LiveFile(tmp_path / "gone" / "live.json", "harbour-models", None, 1.0)
    with caplog.at_level(logging.WARNING):
        for second in range(5):
            file.write({"lantern": at(second)}, {})
        assert len(caplog.records) == 1
        assert str(file.path) in caplog.text
        file.path.parent.mkdir()
        file.write({"lantern": at(5.0)}, {})
        assert file.path.exists()
        for each in file.path.parent.iterdir():
            each.unlink()
        file.path.parent.rmdir()
        file.write({"lantern": at(6.0)}, {})
    assert len(caplog.records) == 2  # a new fault


def test_only_its_user_may_write_a_live_file_and_links_are_not_followed(live, tmp_path):
    live.write({"lantern": at(0.0)}, {})
    assert stat.S_IMODE(live.path.stat().st_mode) & 0o027 == 0
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text("kept")
    live.path.with_name(f".{live.path.name}.new").symlink_to(elsewhere)
    live.write({"lantern": at(1.0)}, {})
    assert elsewhere.read_text() == "kept"


def test_a_watch_counts_as_silent_after_three_periods_and_at_least_five_seconds(live, monkeypatch):
    now = time.clock_gettime(time.CLOCK_BOOTTIME)
    for period_s, silent_after_s in ((1.0, 5.0), (0.2, 5.0), (10.0, 30.0)):
        file = LiveFile(live.path, "harbour-models", None, period_s)
        file.begin(0.0, 0.0)
        file.write({"lantern": at(0.0)}, {})
        found, _ = LiveReader(live.path).read()
        assert found is not None
        assert not found.is_silent(found.written_boot_s + silent_after_s - 0.1)
        assert found.is_silent(found.written_boot_s + silent_after_s + 0.1)
        assert found.is_silent(now - 1000.0)  # of another boot


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b"null", b'{"format": 2}', b"\xff\xfe", b'{"format": 1, "pots": {"a": 1}}']
)
def test_an_invalid_live_file_is_ignored(live, content):
    reader = LiveReader(live.path)
    assert reader.read() == (None, True)
    live.write({"lantern": at(0.0)}, {})
    known, _ = reader.read()
    live.path.write_bytes(content)
    found, _ = reader.read()
    assert found is known  # and it ages


def test_the_watch_writes_the_live_file_at_every_tick(tmp_path):
    live = LiveFile(tmp_path / "live.json", "harbour-models", "sound", 5.0)
    bench = Bench(NIGHTS["sound"], tmp_path, live=live)
    service = bench.begin()
    bench.run_until(600.0)
    found, _ = LiveReader(live.path).read()
    assert found is not None
    assert found.pots["lantern"].snapshot == service.watches["lantern"].snapshot()
    assert found.pots["lantern"].batch == service.batch_ids["lantern"]
    assert found.tick == 121


# --- its path


def test_watch_and_page_use_the_same_path(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert usual_live(writing=True) == usual_live() == tmp_path / "live.json"
    monkeypatch.delenv("RUNTIME_DIRECTORY")
    if not Path("/run/potvigil").exists():
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
        assert usual_live(writing=True) == usual_live() == tmp_path / "potvigil" / "live.json"
        monkeypatch.delenv("XDG_RUNTIME_DIR")
        assert str(os.getuid()) in str(usual_live())


def test_only_its_user_can_enter_the_live_folder(tmp_path):
    folder = tmp_path / "own"
    make_own_folder(folder)
    make_own_folder(folder)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    link = tmp_path / "link"
    link.symlink_to(folder)
    with pytest.raises(PermissionError):
        make_own_folder(link)
