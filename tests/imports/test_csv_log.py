"""A recorded log is read whole and exactly, or refused with its line."""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from potvigil.imports.csv_log import LogError, LogFileError, read_log

RECORDINGS = Path(__file__).resolve().parents[3] / "shared" / "data"
needs_recordings = pytest.mark.skipif(
    not RECORDINGS.is_dir(),
    reason=f"the recordings are not in {RECORDINGS}; they are kept beside the checkout",
)


@pytest.fixture
def log(tmp_path: Path):  # type: ignore[no-untyped-def]
    path = tmp_path / "night.csv"

    def write(content: str | bytes) -> Path:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def test_all_columns_are_converted_to_pascal_and_celsius(log) -> None:  # type: ignore[no-untyped-def]
    found = read_log(
        log(
            "elapsed_s,gauge_pressure_psi,absolute_pressure_kpa,gas_temperature_c,wall_temperature_c,"
            "room_temperature_c,contents_temperature_c,ambient_pressure_hpa\n"
            "100,60,515.010,23.5,22,-4.25,31.5,1013.25\n"
            "101.5,,,,,,,\n"
        )
    )
    first, second = found.samples
    assert first.t_s == 0.0
    assert first.utc_s is None
    assert first.gauge_pa == pytest.approx(413_685.438, abs=1e-3)  # NIST SP 811: 1 psi = 6894.757 Pa
    assert first.absolute_pa == pytest.approx(515_010.0)
    assert (first.gas_c, first.wall_c, first.room_c, first.contents_c) == (23.5, 22.0, -4.25, 31.5)
    assert first.ambient_pa == pytest.approx(101_325.0)
    assert second.t_s == 1.5
    values = (
        second.gauge_pa,
        second.absolute_pa,
        second.gas_c,
        second.wall_c,
        second.room_c,
        second.contents_c,
        second.ambient_pa,
    )
    assert values == (None,) * 7
    assert second.faults == ()
    assert found.notes == []


@pytest.mark.parametrize(
    ("column", "cell", "field", "pascal"),
    [
        ("gauge_pressure_psi", "1", "gauge_pa", 6894.757293168),
        ("gauge_pressure_kpa", "400", "gauge_pa", 400e3),
        ("gauge_pressure_bar", "4.1", "gauge_pa", 410e3),
        ("gauge_pressure_bar", "-0.02", "gauge_pa", -2e3),
        ("absolute_pressure_psi", "14.6959", "absolute_pa", 101_324.66),
        ("absolute_pressure_kpa", "101.325", "absolute_pa", 101_325.0),
        ("absolute_pressure_bar", "5.1", "absolute_pa", 510e3),
    ],
)
def test_each_pressure_unit_is_converted(log, column: str, cell: str, field: str, pascal: float) -> None:  # type: ignore[no-untyped-def]
    (sample,) = read_log(log(f"elapsed_s,{column}\n0,{cell}\n")).samples
    assert getattr(sample, field) == pytest.approx(pascal, rel=1e-7)


def test_an_ambient_pressure_in_kilopascal_is_converted(log) -> None:  # type: ignore[no-untyped-def]
    (sample,) = read_log(log("elapsed_s,gauge_pressure_bar,ambient_pressure_kpa\n0,4,98.5\n")).samples
    assert sample.ambient_pa == pytest.approx(98_500.0)


# RFC 3339, section 5.8, text from memory; Unix times recomputed
@pytest.mark.parametrize(
    ("text", "utc_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1996-12-20T00:39:57Z", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1990-12-31T23:59:60Z", 662688000.0),
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        ("1996-12-20t00:39:57z", 851042397.0),
        ("1996-12-20 00:39:57Z", 851042397.0),
    ],
)
def test_the_examples_of_rfc_3339_are_read(log, text: str, utc_s: float) -> None:  # type: ignore[no-untyped-def]
    (sample,) = read_log(log(f"time,gauge_pressure_bar\n{text},4\n")).samples
    assert sample.t_s == 0.0
    assert sample.utc_s == pytest.approx(utc_s, abs=1e-5)


def test_elapsed_time_continues_through_a_leap_second(log) -> None:  # type: ignore[no-untyped-def]
    times = ("23:59:59", "23:59:60", "23:59:60.5", "00:00:00", "00:00:01")
    days = ("2016-12-31",) * 3 + ("2017-01-01",) * 2  # the last one inserted so far
    rows = "".join(f"{day}T{time}Z,4\n" for day, time in zip(days, times, strict=True))
    assert [s.t_s for s in read_log(log("time,gauge_pressure_bar\n" + rows)).samples] == [0, 1, 1.5, 2, 3]


def test_times_of_different_offsets_are_one_axis(log) -> None:  # type: ignore[no-untyped-def]
    rows = "2026-03-29T01:59:50+01:00,4\n2026-03-29T03:00:00+02:00,4\n"  # a clock put forward in between
    assert [s.t_s for s in read_log(log("time,gauge_pressure_bar\n" + rows)).samples] == [0.0, 10.0]


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbfelapsed_s,gauge_pressure_bar\n0,4\n1,4.5\n",
        b"elapsed_s,gauge_pressure_bar\r\n0,4\r\n1,4.5\r\n",
        b"elapsed_s,gauge_pressure_bar\r0,4\r1,4.5\r",
        b"elapsed_s,gauge_pressure_bar\n0,4\n1,4.5",
        b"\n\nelapsed_s,gauge_pressure_bar\n\n0,4\n  \n1,4.5\n\n\n",
        b' elapsed_s , gauge_pressure_bar\n 0, 4 \n"1","4.5"\n',
    ],
    ids=["byte order mark", "CRLF", "CR", "no last newline", "blank lines", "spaces and quotes"],
)
def test_logs_saved_by_spreadsheets_are_read(log, content: bytes) -> None:  # type: ignore[no-untyped-def]
    samples = read_log(log(content)).samples
    assert [(s.t_s, s.gauge_pa) for s in samples] == [(0.0, 400e3), (1.0, 450e3)]


def test_unknown_columns_are_skipped_with_a_note(log) -> None:  # type: ignore[no-untyped-def]
    found = read_log(log("elapsed_s,gauge_pressure_bar,pump,gas_temprature_c,\n0,4,on,22,\n"))
    assert found.samples[0].gas_c is None
    notes = [note.partition(":1: ")[2] for note in found.notes]
    assert notes == [
        "pump: unknown column, ignored",
        "gas_temprature_c: unknown column, ignored; gas_temperature_c is known",
        "column without a name, ignored",
    ]


HEADER = "elapsed_s,gauge_pressure_bar,gas_temperature_c,ambient_pressure_hpa\n"


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        ("gauge_pressure_bar\n4\n", 1, "elapsed_s or time"),
        ("elapsed_s;gauge_pressure_bar\n0;4\n", 1, "commas"),
        ("\n\ngauge_pressure_bar,gas_temperature_c\n4,20\n", 3, "elapsed_s or time"),
        ('"elapsed\ntime",gauge_pressure_bar\n0,4\n', 2, "elapsed time"),
        ("elapsed_s,gas_temperature_c\n0,20\n", 1, "no pressure"),
        ("elapsed_s,gauge_pressure_psi,gauge_pressure_kpa\n", 1, "gauge_pressure_kpa"),
        (
            "elapsed_s,gauge_pressure_psi,ambient_pressure_hpa,ambient_pressure_kpa\n",
            1,
            "ambient_pressure_kpa",
        ),
        ("elapsed_s,gauge_pressure_psi,gauge_pressure_psi\n", 1, "twice"),
        (HEADER + "0,4,20,1000\n1,nan,20,1000\n", 3, "gauge_pressure_bar: nan"),
        (HEADER + "0,inf,20,1000\n", 2, "gauge_pressure_bar: inf"),
        (HEADER + "0,1e400,20,1000\n", 2, "gauge_pressure_bar: 1e400"),
        (HEADER + "0,1e305,20,1000\n", 2, "gauge_pressure_bar: 1e305"),
        (HEADER + "0,1_000,20,1000\n", 2, "gauge_pressure_bar: 1_000"),
        (HEADER + "0,٤,20,1000\n", 2, "gauge_pressure_bar: ٤"),
        (HEADER + "0,4 bar,20,1000\n", 2, "gauge_pressure_bar: 4 bar; a number"),
        (HEADER + '0,"4,1",20,1000\n', 2, "gauge_pressure_bar: 4,1; a number with a point"),
        (HEADER + "0,4,1,20,1000\n", 2, "5 cells; 4"),
        (HEADER + "0,4,20\n", 2, "3 cells; 4"),
        (HEADER + "0,4,-999,1000\n", 2, "gas_temperature_c: -999; above -273.15"),
        (HEADER + "0,4,20,0\n", 2, "ambient_pressure_hpa: 0; above 0"),
        (HEADER + ",4,20,1000\n", 2, "elapsed_s: nothing"),
        (HEADER + "0,4,20,1000\n\n2,4,20,1000\n1,4,20,1000\n", 5, "elapsed_s: 1; a time later"),
        (HEADER + "0,4,20,1000\n0,4,20,1000\n", 3, "elapsed_s: 0; a time later"),
        (HEADER + "nan,4,20,1000\n", 2, "elapsed_s: nan"),
        (HEADER + '0,"4,20,1000\n', 2, "commas"),
        ("time,gauge_pressure_bar\n2026-01-31T22:15:00,4\n", 2, "Z or an offset"),
        ("time,gauge_pressure_bar\n31/01/2026 22:15,4\n", 2, "RFC 3339"),
        ("time,gauge_pressure_bar\n2026-02-30T22:15:00Z,4\n", 2, "a time that exists"),
        ("time,gauge_pressure_bar\n2026-01-31T22:61:00Z,4\n", 2, "a time that exists"),
        ("time,gauge_pressure_bar\n2026-01-31T22:15:61Z,4\n", 2, "a time that exists"),
        ("time,gauge_pressure_bar\n2026-01-31T22:15:60Z,4\n", 2, "23:59"),
        ("time,gauge_pressure_bar\n2026-01-31T22:15:00+99:00,4\n", 2, "a time that exists"),
        (b"elapsed_s,gauge_pressure_bar\n0,4\n1,\xb5\n", 3, "not UTF-8"),
        ("elapsed_s,gauge_pressure_bar\n0,4\n".encode("utf-16"), 1, "not UTF-8"),
    ],
)
def test_a_doubtful_log_is_refused_in_one_line(log, content: str | bytes, line: int, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(LogError) as caught:
        read_log(log(content))
    said = str(caught.value)
    assert said.startswith(f"{log(content)}:{line}: ")
    assert words in said
    assert "\n" not in said


@pytest.mark.parametrize(
    ("content", "words"),
    [("", "empty"), ("\n\n", "empty"), (HEADER, "only a header"), (b"\xef\xbb\xbf", "empty")],
)
def test_a_log_without_samples_is_refused(log, content: str | bytes, words: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(LogError, match=words):
        read_log(log(content))


def test_an_endless_cell_is_cut_in_the_message(log) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(LogError) as caught:
        read_log(log(HEADER + f"0,{'x' * 100_000},20,1000\n"))
    assert len(str(caught.value)) < 400


def test_a_missing_file_is_also_an_os_error(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file") as caught:
        read_log(tmp_path / "absent.csv")
    assert isinstance(caught.value, LogFileError)
    assert isinstance(caught.value, ValueError)
    assert "absent.csv" in str(caught.value)


@given(
    st.lists(st.tuples(st.floats(0.001, 1e5), st.none() | st.floats(-1.0, 10.0)), min_size=1, max_size=20),
    st.floats(-1e6, 1e6),
)
def test_a_written_log_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[float, float | None]], start_s: float
) -> None:
    path = tmp_path_factory.mktemp("log") / "night.csv"
    times = [start_s]
    for step_s, _ in rows[1:]:
        times.append(times[-1] + step_s)
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["elapsed_s", "gauge_pressure_bar"])
        writer.writerows([t, "" if p is None else p] for t, (_, p) in zip(times, rows, strict=True))
    samples = read_log(path).samples
    assert [s.t_s for s in samples] == [t - start_s for t in times]
    for sample, (_, bar) in zip(samples, rows, strict=True):
        assert sample.gauge_pa == (None if bar is None else pytest.approx(bar * 1e5))


# Rows counted with `wc -l`, last row read off the files; what they are stands in the DATA.md beside them.
@needs_recordings
@pytest.mark.parametrize(
    ("name", "rows", "span_s", "last_pa"),
    [
        ("slow_loss_8h", 28571, 28921.2, 494_821.0),
        ("clear_loss_5h", 16490, 16958.3, 481_038.0),
        ("nearly_sound_72h", 25472, 258074.5, 506_170.0),
        ("rising_and_noisy_6h", 20025, 21266.3, 681_457.0),
        ("steady_coarse_17h", 6168, 61670.0, 410_379.0),
        ("steady_coarser_24h", 8789, 87880.0, 404_608.0),
        ("topped_up_reservoir_2h45", 1000, 9901.0, 956_800.0),
    ],
)
def test_other_peoples_recordings_are_read(name: str, rows: int, span_s: float, last_pa: float) -> None:
    samples = read_log(RECORDINGS / f"{name}.csv").samples
    assert len(samples) == rows
    assert samples[-1].t_s == pytest.approx(span_s)
    last = samples[-1]
    assert (last.absolute_pa if last.gauge_pa is None else last.gauge_pa) == pytest.approx(last_pa)
    assert all(math.isfinite(s.absolute_pa or s.gauge_pa or 0.0) for s in samples)


@needs_recordings
def test_a_weather_record_is_refused_as_a_pot_log() -> None:
    with pytest.raises(LogError, match="no pressure of the pot among time, outdoor_temperature_c"):
        read_log(RECORDINGS / "house_and_outdoor_weather_138d.csv")
