"""Exports: the published JSON lines, a log that replays to the same numbers, files never half written."""

import io
import json
import math
import os
import sys
import threading
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow.parquet import read_table

from patience import PATIENCE_S
from potvigil.imports.csv_log import read_log
from potvigil.model.events import (
    AlarmId,
    AlarmState,
    BatchAlarm,
    BatchOpened,
    Cure,
    Detail,
    Interval,
    NoteEvent,
    NoteId,
    Stage,
    StageEvent,
)
from potvigil.model.pot import Pot, Reference, Transducer
from potvigil.model.reading import Quality, Sample
from potvigil.record.errors import MissingLibraryError
from potvigil.record.rows import EditRow, ListedBatch
from potvigil.reports.export import (
    batch_line,
    event_line,
    json_text,
    listed_line,
    write_csv,
    write_json_lines,
)
from potvigil.reports.parquet import _moment as parquet_moment
from potvigil.reports.parquet import write_parquet
from potvigil.sensing.conversion import convert
from potvigil.upkeep.atomic_file import whole_file
from potvigil.wording.quantities import rfc3339
from record_night import CLOSED, POT, SUMMARY, UTC_S, alarm, night

ORIGIN_S = 100.0
GAUGE = Transducer(volts_per_count=0.000125 * 1.5, span_pa=689_475.7)
LANTERN = Pot(POT, 0.020, 551_580.6, 413_685.4, 310_264.1, 36_000.0, transducer=GAUGE)


# --- JSON lines


def test_a_stage_is_the_published_line():
    line = event_line(StageEvent(512.04, None, Stage.HOLDING), ORIGIN_S)
    assert json_text(line) == '{"kind":"stage","elapsed_s":412.0,"stage":"holding"}'


def test_the_time_is_included_where_known():
    line = event_line(StageEvent(512.0, 482_196_050.52, Stage.HOLDING), ORIGIN_S)
    assert list(line) == ["kind", "elapsed_s", "time", "stage"]
    assert line["time"] == "1985-04-12T23:20:50.520Z"


@pytest.mark.parametrize(
    ("text", "epoch_s"),
    [
        # RFC 3339, section 5.8; epochs computed from the text
        ("1985-04-12T23:20:50.520Z", 482_196_050.52),
        ("1996-12-20T00:39:57.000Z", 851_042_397.0),
        ("1937-01-01T11:40:27.870Z", -1_041_337_172.13),
    ],
)
def test_times_are_rfc_3339(text, epoch_s):
    assert rfc3339(epoch_s) == text


@given(st.floats(0.0, 4e9))
def test_a_time_names_its_instant_to_the_millisecond(utc_s):
    assert abs(datetime.fromisoformat(rfc3339(utc_s)).timestamp() - utc_s) <= 0.001


def test_an_alarm_has_the_published_keys_in_their_order():
    event = alarm(
        15_360.0,
        AlarmState.UNACKNOWLEDGED,
        AlarmId.FLOOR_AHEAD,
        utc_s=None,
        leak_rate_pa_per_s=10_300.0 / 3600.0,
        floor_forecast_s=40_310.0,
        do="Top up",
        by_s=40_000.0,
    )
    line = event_line(event, ORIGIN_S)
    assert list(line)[:8] == [
        "kind",
        "elapsed_s",
        "alarm",
        "state",
        "priority",
        "text",
        "leak_rate_kpa_per_h",
        "floor_forecast_s",
    ]
    assert (line["elapsed_s"], line["alarm"], line["state"]) == (15_260.0, "floor-ahead", "unacknowledged")
    assert (line["leak_rate_kpa_per_h"], line["floor_forecast_s"]) == (10.3, 40_210.0)
    assert (line["do"], line["by_s"]) == ("Top up", 39_900.0)
    unknown = event_line(alarm(1.0, AlarmState.NORMAL), ORIGIN_S)
    assert unknown["leak_rate_kpa_per_h"] is None and unknown["floor_forecast_s"] is None


def test_a_batch_has_the_published_keys_in_their_order():
    line = json.loads(json_text(event_line(CLOSED, ORIGIN_S)))
    assert list(line)[:12] == [
        "kind",
        "verdict",
        "stages",
        "start_s",
        "hold_start_s",
        "hold_end_s",
        "gauge_pressure_kpa",
        "change_kpa",
        "leak",
        "floor",
        "cure",
        "alarms",
    ]
    assert (line["kind"], line["verdict"], line["start_s"]) == ("batch", "leaked", 0.0)
    assert (line["hold_start_s"], line["hold_end_s"]) == (412.0, 36_010.0)
    assert list(line["stages"]) == ["filling", "settling", "holding", "venting"]
    # 60 psi is 413.685 kPa (NIST SP 811, 1 psi = 6.894757 kPa)
    assert line["gauge_pressure_kpa"] == {"hold_start": 413.685, "hold_end": 372.485, "lowest": 372.4}
    assert line["change_kpa"] == {
        "total": -41.2,
        "cooling": -12.0,
        "barometer": 0.4,
        "leak": -29.6,
        "top_up": 0.0,
    }
    leak = line["leak"]
    assert list(leak)[:6] == ["rate_kpa_per_h", "low", "high", "onset_s", "onset_low_s", "onset_high_s"]
    assert (leak["rate_kpa_per_h"], leak["low"], leak["high"]) == (3.4, 3.3, 3.5)
    assert (leak["onset_s"], leak["onset_low_s"], leak["onset_high_s"]) == (3600.0, 3300.0, 3900.0)
    assert (leak["pa_m3_per_s"], leak["std_cm3_per_min"]) == (0.01606, 9.507)
    assert leak["orifice_mm"] == 0.01235
    assert line["floor"] == {"crossed_s": None, "forecast_s": None}
    assert line["cure"] == {"progress": 1.0, "done_s": 35_000.0, "early_s": None, "late_s": None}
    assert line["alarms"] == [{"alarm": "leak", "raised_s": 4800.0, "returned_s": None}]
    assert (line["pot"], line["label"], line["time"]) == (POT, "lenses, blue", "2026-01-01T22:00:00.000Z")


def test_unknown_values_of_a_batch_are_null_under_the_same_keys():
    bare = replace(
        SUMMARY,
        start_utc_s=None,
        hold_start_s=None,
        hold_end_s=None,
        hold_start_gauge_pa=None,
        hold_end_gauge_pa=None,
        lowest_gauge_pa=None,
        change=None,
        leak=None,
        alarms=(),
    )
    full, line = event_line(CLOSED, 0.0), event_line(replace(CLOSED, summary=bare), 0.0)
    assert list(line) == [key for key in full if key != "time"]
    for group in ("gauge_pressure_kpa", "change_kpa", "leak"):
        assert list(line[group]) == list(full[group])
        assert set(line[group].values()) == {None}


def test_no_line_holds_nan_or_infinity():
    endless = Interval(math.nan, -math.inf, math.inf)
    assert SUMMARY.leak is not None
    leak = replace(
        SUMMARY.leak, rate_pa_per_s=endless, pa_m3_per_s=endless, onset_s=endless, orifice_m=math.nan
    )
    summary = replace(SUMMARY, leak=leak, lowest_gauge_pa=math.nan, floor_forecast_s=math.inf)
    line = event_line(replace(CLOSED, summary=summary), 0.0)
    assert line["leak"]["high"] is None and line["leak"]["onset_high_s"] is None
    assert json.loads(json_text(line)) == line


def test_a_small_fall_is_not_exported_as_minus_zero():
    assert SUMMARY.change is not None
    summary = replace(SUMMARY, change=replace(SUMMARY.change, leak_pa=-0.2))
    assert '"leak":0.0,' in json_text(event_line(replace(CLOSED, summary=summary), 0.0))


def test_a_flow_of_nothing_is_not_exported_as_minus_zero_either():
    assert SUMMARY.leak is not None
    still = replace(SUMMARY.leak, pa_m3_per_s=Interval(-0.0, -0.0, -0.0), orifice_m=-0.0)
    text = json_text(batch_line(replace(SUMMARY, leak=still), 0.0))
    assert '"pa_m3_per_s":0.0,"pa_m3_per_s_low":0.0,"pa_m3_per_s_high":0.0,' in text
    assert '"orifice_mm":0.0,' in text


def test_times_are_counted_from_the_origin_to_a_tenth_of_a_second():
    line = event_line(StageEvent(512.345, None, Stage.HOLDING), 100.0)
    assert line["elapsed_s"] == 412.3
    summary = replace(
        SUMMARY,
        floor_crossed_s=612.34,
        floor_forecast_s=712.36,
        cure=Cure(0.12345, 812.04, 799.96, 900.0),
        alarms=(BatchAlarm(AlarmId.LEAK, 4900.14, 5000.16),),
    )
    said = batch_line(summary, 100.0)
    assert said["floor"] == {"crossed_s": 512.3, "forecast_s": 612.4}
    assert said["cure"] == {"progress": 0.123, "done_s": 712.0, "early_s": 700.0, "late_s": 800.0}
    assert said["alarms"] == [{"alarm": "leak", "raised_s": 4800.1, "returned_s": 4900.2}]
    assert (said["start_s"], said["end_s"], said["stages"]["holding"]) == (0.0, 36_400.0, 412.0)


def test_a_flow_has_four_digits_and_both_ends_of_its_interval():
    leak = batch_line(SUMMARY, 0.0)["leak"]
    assert [leak[f"pa_m3_per_s{end}"] for end in ("", "_low", "_high")] == [0.01606, 0.01558, 0.01653]
    assert [leak[f"std_cm3_per_min{end}"] for end in ("", "_low", "_high")] == [9.507, 9.228, 9.787]
    assert leak["established"] is True


def test_an_alarm_names_who_acted_on_it_only_where_somebody_did():
    assert "by_whom" not in event_line(alarm(1.0, AlarmState.NORMAL), 0.0)
    acknowledged = alarm(1.0, AlarmState.ACKNOWLEDGED, by_whom="anna")
    assert event_line(acknowledged, 0.0)["by_whom"] == "anna"


def test_a_listed_batch_has_every_key_known_or_not():
    unknown = ListedBatch(7, POT, 100.0, None, None, None, None, None, {}, None, None, False, 0, False)
    line = listed_line(unknown)
    assert (line["kind"], line["batch"], line["pot"], line["alarms"]) == ("listed", 7, POT, 0)
    assert line["leak"] == dict.fromkeys(("rate_kpa_per_h", "low", "high", "established"))
    rest = {
        key: value for key, value in line.items() if key not in ("kind", "batch", "pot", "alarms", "leak")
    }
    assert set(rest.values()) == {None}
    assert {field.replace("-", "_") for field in Detail} < set(rest)
    known = replace(
        unknown,
        start_utc_s=UTC_S,
        end_utc_s=UTC_S + 3600.0,
        verdict=SUMMARY.verdict,
        rehearsed="a night",
        details={Detail.MIXED_AT: "2026-01-01T21:40:00Z", Detail.LABEL: ""},
        leak_pa_per_s=Interval(1.0, 0.5, 2.0),
        alarms=3,
    )
    line = listed_line(known)
    assert list(line) == list(listed_line(unknown))
    assert (line["start"], line["end"]) == ("2026-01-01T22:00:00.000Z", "2026-01-01T23:00:00.000Z")
    # 1 Pa/s is 3.6 kPa/h
    assert line["leak"] == {"rate_kpa_per_h": 3.6, "low": 1.8, "high": 7.2, "established": False}
    assert listed_line(replace(known, leak_established=True))["leak"]["established"] is True
    assert (line["verdict"], line["rehearsed"], line["alarms"]) == ("leaked", "a night", 3)
    assert (line["mixed_at"], line["label"]) == ("2026-01-01T21:40:00Z", None)


def test_details_and_their_changes_are_exported():
    details = {
        Detail.RESIN: "clear",
        Detail.MIXED_AT: "2026-01-01T21:40:00Z",
        Detail.PICTURES: "a.jpg\nb c.jpg",
    }
    line = event_line(replace(CLOSED, summary=replace(SUMMARY, details=details)), ORIGIN_S)
    assert (line["label"], line["resin"], line["mould"], line["mass"]) == ("", "clear", None, None)
    assert (line["mixed_at"], line["pictures"]) == ("2026-01-01T21:40:00Z", ["a.jpg", "b c.jpg"])
    file = io.StringIO()
    edits = [
        EditRow(Detail.MASS, "", '25 g "two', "anna", 130.0, UTC_S),
        EditRow(Detail.MIXED_AT, "", "x", "", None, None),
    ]
    write_json_lines(file, [], SUMMARY, ORIGIN_S, edits)
    first, second, last = [json.loads(text) for text in file.getvalue().splitlines()]
    assert first == {
        "kind": "edit",
        "elapsed_s": 30.0,
        "time": "2026-01-01T22:00:00.000Z",
        "field": "mass",
        "old": "",
        "new": '25 g "two',
        "by": "anna",
    }
    assert (second["elapsed_s"], "time" in second, last["kind"]) == (None, False, "batch")


def test_the_batch_is_the_last_line():
    events = [
        BatchOpened(100.0, UTC_S),
        NoteEvent(130.0, None, NoteId.TOP_UP, "topped up by 3 psi"),
        alarm(150.0, AlarmState.UNACKNOWLEDGED, text="Luft – Verlust"),
        replace(CLOSED, summary=replace(SUMMARY, details={Detail.LABEL: "as it was called then"})),
    ]
    file = io.StringIO()
    write_json_lines(file, events, SUMMARY, ORIGIN_S)
    lines = [json.loads(text) for text in file.getvalue().splitlines()]
    assert [line["kind"] for line in lines] == ["batch-opened", "note", "alarm", "batch"]
    assert lines[1] == {"kind": "note", "elapsed_s": 30.0, "note": "top-up", "text": "topped up by 3 psi"}
    assert "Luft – Verlust" in file.getvalue()
    assert lines[-1]["label"] == "lenses, blue"
    still_open = io.StringIO()
    write_json_lines(still_open, events[:1], None, ORIGIN_S)
    assert still_open.getvalue().count("\n") == 1


# --- the CSV log


def written(samples: list[Sample], pot: Pot) -> str:
    file = io.StringIO()
    assert write_csv(file, ((s, convert(s, pot)) for s in samples), pot) == len(samples)
    return file.getvalue()


@pytest.mark.parametrize("reference", Reference)
def test_a_written_log_replays_to_the_same_readings(tmp_path, reference):
    pot = replace(LANTERN, transducer=replace(GAUGE, reference=reference), has_barometer=True)
    samples = night(300, start_s=5_000.0)
    samples[40] = replace(samples[40], transducer_count=None, wall_c=None, utc_s=None, ambient_pa=None)
    path = tmp_path / "night.csv"
    path.write_text(written(samples, pot))
    replayed = read_log(path).samples
    assert len(replayed) == len(samples)
    for before, after in zip(samples, replayed, strict=True):
        then, now = convert(before, pot), convert(after, replace(pot, transducer=None))
        assert now.t_s == pytest.approx(then.t_s - samples[0].t_s, rel=1e-6, abs=1e-6)
        for name in ("gauge_pa", "absolute_pa", "ambient_pa", "gas_k", "wall_k", "room_k", "contents_k"):
            old, new = getattr(then, name), getattr(now, name)
            assert new == (None if old is None else pytest.approx(old, rel=1e-6)), name


def test_a_bad_reading_and_an_assumed_barometer_are_empty_cells():
    broken_wire = Sample(7.0, UTC_S, transducer_count=10.0, room_c=20.5, contents_c=31.25)
    assert convert(broken_wire, LANTERN).quality is Quality.BAD
    header, row = written([broken_wire], LANTERN).splitlines()
    assert header == (
        "elapsed_s,time,gauge_pressure_psi,gas_temperature_c,wall_temperature_c,room_temperature_c,"
        "contents_temperature_c,ambient_pressure_hpa"
    )
    assert row == "0.0,2026-01-01T22:00:00.000Z,,,,20.5,31.25,"


def test_a_reading_once_held_bad_is_not_written_as_good():
    sample = night(1)[0]
    file = io.StringIO()
    write_csv(file, [(sample, replace(convert(sample, LANTERN), quality=Quality.BAD))], LANTERN)
    assert file.getvalue().splitlines()[1].split(",")[2] == ""


# --- whole files


def test_a_file_appears_complete_with_the_usual_permissions(tmp_path):
    path = tmp_path / "batch.csv"
    (tmp_path / "plain").touch()
    with whole_file(path) as file:
        file.write("elapsed_s\n")
        assert not path.exists()
    assert path.read_text() == "elapsed_s\n"
    assert path.stat().st_mode == (tmp_path / "plain").stat().st_mode
    assert len(list(tmp_path.iterdir())) == 2


def test_an_error_leaves_the_old_file(tmp_path):
    path = tmp_path / "batch.csv"
    path.write_text("old\n")
    with pytest.raises(ZeroDivisionError), whole_file(path) as file:
        file.write("half of the new")
        file.flush()
        raise ZeroDivisionError
    assert path.read_text() == "old\n"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_a_link(tmp_path):
    target, link = tmp_path / "target.csv", tmp_path / "link.csv"
    target.write_text("old\n")
    link.symlink_to(target)
    with whole_file(link) as file:
        file.write("new\n")
    assert link.is_symlink() and target.read_text() == "new\n"


def test_a_device_is_written_directly_and_not_replaced(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()))
    reader.start()
    with whole_file(pipe) as file:
        file.write("row\n")
    reader.join(timeout=PATIENCE_S)
    assert got == ["row\n"] and pipe.is_fifo()


def test_a_missing_folder_is_named(tmp_path):
    with pytest.raises(FileNotFoundError, match="nowhere"), whole_file(tmp_path / "nowhere" / "a.csv"):
        pass


# --- Parquet


@pytest.mark.parametrize("unit", [None, "bar"])
@pytest.mark.parametrize("reference", Reference)
def test_parquet_has_the_columns_and_numbers_of_the_csv(tmp_path, reference, unit, monkeypatch):
    monkeypatch.setattr("potvigil.reports.parquet._ROWS_AT_ONCE", 7)
    pot = replace(LANTERN, transducer=replace(GAUGE, reference=reference))
    samples = [*night(20), replace(night(1)[0], t_s=30.0, utc_s=None, wall_c=None)]
    samples.append(replace(night(1)[0], t_s=31.0, transducer_count=None, gauge_pa=None))
    pairs = [(sample, convert(sample, pot)) for sample in samples]
    text = io.StringIO()
    write_csv(text, pairs, pot, unit)
    path = tmp_path / "night.parquet"
    with path.open("wb") as file:
        assert write_parquet(file, pairs, pot, unit) == len(samples)
    header, *lines = text.getvalue().splitlines()
    table = read_table(path)
    assert table.column_names == header.split(",")
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"

    def cell(name, value):
        if value is None:
            return ""
        return rfc3339(value.timestamp()) if name == "time" else repr(value)

    found = [",".join(cell(*each) for each in row.items()) for row in table.to_pylist()]
    assert found == lines and any(",," in line for line in lines)


@given(st.floats(0.0, 4e9))
def test_times_in_parquet_equal_those_in_the_csv(utc_s):
    assert rfc3339(parquet_moment(utc_s).timestamp()) == rfc3339(utc_s)


def test_without_its_library_parquet_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(MissingLibraryError, match=r"^Parquet needs pyarrow \(.*; install it with "):
        write_parquet(io.BytesIO(), [], LANTERN)
