"""The report shows what is in the record, escapes texts, and is self-contained."""

import re
import shutil
import sqlite3
import sys
from dataclasses import replace

import pytest

from potvigil.cli import main
from potvigil.model.events import (
    AlarmEvent,
    AlarmId,
    AlarmState,
    Change,
    Detail,
    Interval,
    NoteEvent,
    StageEvent,
    Verdict,
)
from potvigil.record.rows import DeliveryRow
from potvigil.record.store import Store
from potvigil.reports.batch import file_name, report_html
from potvigil.reports.collect import collect_report
from potvigil.reports.pdf import pdf_of, png_of
from potvigil.wording.alarm import in_words
from potvigil.wording.alarm_names import ALARM_WORDS
from potvigil.wording.quantities import TimeTeller, pressure, rate, shown
from printed_page import Page

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }} {% raw %} ${x} $\\frac{1}{2}$",
    "</title></style></bdi>&amp;&#0;",
    "🫧 lens № 3, grün",
    "W" * 10_000,
)


def test_each_fact_of_the_summary_is_on_the_page(data, report):
    summary, text, unit = data.summary, Page(report).text, "psi"
    assert summary.verdict is Verdict.FELL_BELOW_FLOOR
    assert "It fell below the floor" in text
    assert summary.reason[1:] in text
    for pa in (summary.hold_end_gauge_pa, summary.lowest_gauge_pa, data.pot.floor_pa):
        assert pressure(pa, unit) in text
    assert summary.leak.established
    rates = summary.leak.rate_pa_per_s
    assert rate(rates.value, unit) in text
    assert f"{rate(rates.low, unit).split()[0]} to {rate(rates.high, unit)}" in text
    assert f"since about {data.clock(summary.leak.onset_s.value)}" in text
    assert f"{100.0 * summary.cure.progress:.0f} % of the cure" in text
    assert f"The pressure fell below the floor at {data.clock(summary.floor_crossed_s)}" in text


def test_temperatures_are_in_the_workshops_unit(data):
    resin = replace(data.resin, at_k=295.15)
    celsius = report_html(replace(data, resin=resin))
    fahrenheit = report_html(replace(data, resin=resin, pot=replace(data.pot, temperature_unit="F")))
    assert "counted as at 22 °C" in celsius and "Temperature, °C" in celsius
    assert "counted as at 72 °F" in fahrenheit and "Temperature, °F" in fahrenheit
    # standard conditions are defined in Celsius
    assert fahrenheit.count("°C") == fahrenheit.count("0 °C, 101")


def test_every_event_is_listed_with_its_time(data, report):
    text = Page(report).text
    events = [e for e in data.events if isinstance(e, StageEvent | NoteEvent | AlarmEvent)]
    assert len(events) > 5
    for event in events:
        if isinstance(event, AlarmEvent) and event.repeat:
            continue
        time = f"{data.local(event.t_s):%H:%M:%S}"
        match event:
            case StageEvent():
                said = f"{time} stage {event.stage.capitalize()}"
            case NoteEvent():
                said = f"{time} {event.note} {event.text}"
            case AlarmEvent(state=AlarmState.UNACKNOWLEDGED):
                teller = TimeTeller(event.t_s, event.utc_s, data.pot.tz)
                said = f"{time} ▲ {ALARM_WORDS[event.alarm]} {in_words(event, teller)}"
            case _:
                said = f"{time} {ALARM_WORDS[event.alarm]} "
        assert " ".join(said.split()) in text


def test_the_parts_on_the_page_add_up(data):
    # rounded one by one, none of these would
    for parts in ((-0.44, -0.24, -0.84, 0.0), (0.05, 0.05, 0.05, 0.05), (-1.64, 0.03, -23.16, 20.44)):
        psi = 6894.757
        change = Change(sum(parts) * psi, *(part * psi for part in parts))
        html = report_html(replace(data, summary=replace(data.summary, change=change)))
        table = html[html.index('<table class="change">') :].split("</table>")[0]
        *shown_parts, total = (float(x.replace("−", "-")) for x in re.findall(r'number">([^<]+)<', table))
        assert len(shown_parts) == 4
        assert sum(shown_parts) == pytest.approx(total, abs=1e-9)
        assert total == pytest.approx(sum(parts), abs=0.0501)
        for written, exact in zip(shown_parts, parts, strict=True):
            assert abs(written - exact) < 0.1001


def boyle(gauge_pa):
    """Return the diameter relative to that at room pressure: p V = const, p absolute, d ~ V^(1/3)."""
    return (101_325.0 / (gauge_pa + 101_325.0)) ** (1 / 3)


def test_bubbles_at_gel_follow_boyles_law(data, report):
    at_gel_pa = data.bubble.gel.gauge_pa
    nearest = min(data.traces, key=lambda each: abs(each.t_s - data.gel_s))
    assert at_gel_pa == nearest.gauge_pa < 0.8 * data.bubble.start.gauge_pa  # this night it was lost before
    wider = 100 * (boyle(at_gel_pa) / boyle(data.bubble.start.gauge_pa) - 1)
    text = Page(report).text
    assert f"At gel ({data.clock(data.gel_s)}) the pot was at {pressure(at_gel_pa, 'psi')}" in text
    assert f"was {boyle(at_gel_pa):.2f} mm wide then, against {boyle(data.pot.working_pa):.2f} mm" in text
    assert f"left it {wider:.0f} % wider than at the hold's start" in text


def test_bubbles_where_the_time_of_gel_is_unknown(data):
    bubble = replace(data.bubble, gel=None)
    at_start, at_least = boyle(bubble.start.gauge_pa), boyle(bubble.lowest.gauge_pa)
    text = Page(report_html(replace(data, bubble=bubble, gel_s=None))).text
    assert f"pressed to {at_start:.2f} mm" in text
    assert f"grown back to {at_least:.2f} mm ({100 * (at_least / at_start - 1):.0f} % wider)" in text


def test_a_rehearsal_says_so_first(report):
    text = Page(report).text
    assert text.index("Rehearsal") < text.index("Batch record") < text.index("fell below")
    assert "lost-before-gel" in text


def test_a_real_night_says_nothing_of_rehearsals(data):
    text = Page(report_html(replace(data, row=replace(data.row, rehearsed=None)))).text
    assert "ehears" not in text
    assert "simulated" not in text


def test_gaps_are_listed_by_cause_and_length(night_record, tmp_path):
    copy = tmp_path / "gap.db"
    shutil.copyfile(night_record, copy)
    with sqlite3.connect(copy) as db:
        db.execute("DELETE FROM sample WHERE t_s > 3000 AND t_s < 3600")
    with Store.open_read_only(copy) as store:
        data = collect_report(store, 1)
    (silence,) = data.silences
    assert (silence.from_s, silence.to_s) == (pytest.approx(3000.0, abs=5.1), pytest.approx(3600.0, abs=5.1))
    text = Page(report_html(data)).text
    assert f"No good reading from {data.clock(silence.from_s)} to {data.clock(silence.to_s)} (10 min)" in text


def test_settings_in_force_are_shown_without_secrets(data, report):
    text = Page(report).text
    assert "working pressure 60 psi" in text
    assert "not calibrated" in text
    (run, *_) = data.runs
    secret = run.settings_json[:-1] + ',"mqtt":{"host":"broker","username":"anna","password_file":"/k/pw"}}'
    assert "anna" in secret
    with_secret = replace(data, runs=(replace(run, settings_json=secret),))
    assert not {"anna", "broker", "/k/pw"} & set(re.split(r"[^\w/]", report_html(with_secret)))


@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_texts_are_shown_as_text(data, report, text):
    details = {Detail.LABEL: text, Detail.NOTE: text, Detail.MOULD: text}
    html = report_html(replace(data, row=replace(data.row, details=details)))
    page = Page(html)
    assert page.tags == Page(report).tags | {"table", "h2"}
    assert page.fetched == []
    assert page.text.count(" ".join(shown(text).split())) >= 2


def test_bidirectional_and_unprintable_characters_are_replaced():
    assert shown("a\u202eb\x00\ud800c\n\td") == "a\ufffdb\ufffd\ufffdc\n\td"
    assert shown("🫧 👩‍🔬 grün ﷽") == "🫧 👩‍🔬 grün ﷽"


def test_the_page_fetches_nothing_and_promises_nothing(report):
    page = Page(report)
    assert page.fetched == []
    assert not page.tags & {"script", "link", "iframe", "img", "object", "base"}
    assert "url(http" not in report
    assert "@import" not in report
    assert "safe" not in report.lower()
    assert "replaces no gauge, relief valve or inspection" in page.text


def test_the_same_record_gives_the_same_page(night_record, report):
    with Store.open_read_only(night_record) as store:
        assert report_html(collect_report(store, 1)) == report


@pytest.mark.parametrize("label", ["../../etc/passwd", "a/b\\c\x00d", "-rf *", "名前", "CON.", *HOSTILE])
def test_a_file_name_has_only_letters_digits_and_hyphens(label):
    name = file_name(12, label)
    assert re.fullmatch(r"batch-12(-[a-z0-9]+)*", name)
    assert len(name) <= 40


def test_pdf_and_picture_are_complete(report):
    pdf = pdf_of(report)
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")
    assert pdf == pdf_of(report)
    png = png_of(pdf)
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    assert png.endswith(b"IEND\xaeB`\x82")


def test_the_verb_writes_all_requested_files(night_record, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["batch", "report", "1", "--record", str(night_record), "--pdf", "--png"]) == 0
    assert capsys.readouterr().out.split() == ["batch-1.html", "batch-1.pdf", "batch-1.png"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["batch-1.html", "batch-1.pdf", "batch-1.png"]


def test_the_verb_shows_an_example(capsys):
    with pytest.raises(SystemExit):
        main(["batch", "report", "--help"])
    assert "example: potvigil batch report" in capsys.readouterr().out


def test_an_open_batch_is_reported_in_its_present_state(data):
    open_batch = replace(
        data, summary=replace(data.summary, complete=False), row=replace(data.row, end_t_s=None)
    )
    assert "Still open: this is the state at" in Page(report_html(open_batch)).text


def test_a_record_that_ends_before_the_vent_says_so(data):
    text = Page(report_html(replace(data, summary=replace(data.summary, complete=False)))).text
    assert "The record ends before the pot was vented: this is the state at" in text


def test_a_rise_is_not_called_a_leak(data):
    estimate = data.summary.leak
    rising = replace(estimate, rate_pa_per_s=Interval(-10.0, -15.0, -5.0), established=False, onset_s=None)
    text = Page(report_html(replace(data, summary=replace(data.summary, leak=rising)))).text
    low, high = rate(5.0, "psi").split()[0], rate(15.0, "psi")
    assert f"No air was lost: the pressure rose, at the end by {low} to {high}." in text
    assert "Air lost none the pressure rose" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["7"], "there is no batch 7"),
        (["1", "--out", "report.pdf"], "ends in .html"),
        (["1", "--out", "/nowhere/at-all/report.html"], "cannot be written"),
        (["1", "--out", "/dev/full/report.html"], "cannot be written"),
    ],
)
def test_impossible_requests_are_one_line(night_record, tmp_path, monkeypatch, capsys, words, said):
    monkeypatch.chdir(tmp_path)
    assert main(["batch", "report", *words, "--record", str(night_record)]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_no_record_is_one_line(tmp_path, capsys):
    assert main(["batch", "report", "1", "--record", str(tmp_path / "none.db")]) == 2
    assert "there is no record" in capsys.readouterr().err


def test_a_missing_library_names_what_to_install(night_record, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for library in ("jinja2", "weasyprint"):
        monkeypatch.setitem(sys.modules, library, None)
        assert main(["batch", "report", "1", "--record", str(night_record), "--pdf"]) == 2
        err = capsys.readouterr().err
        assert library in err
        assert "-m pip install 'jinja2>=" in err and "'weasyprint>=" in err
        monkeypatch.undo()
        monkeypatch.chdir(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_keeps_the_old_file(night_record, tmp_path, monkeypatch, capsys):
    out = tmp_path / "report.html"
    out.write_text("before", encoding="utf-8")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("potvigil.upkeep.atomic_file.os.fsync", full)
    words = ["batch", "report", "1", "--record", str(night_record), "--out", str(out)]
    assert main(words) == 2
    assert "already exists and was not changed" in capsys.readouterr().err
    assert main([*words, "--replace"]) == 2
    assert "No space left on device" in capsys.readouterr().err
    assert out.read_text(encoding="utf-8") == "before"
    assert [path.name for path in tmp_path.iterdir()] == ["report.html"]


def test_notices_to_phones_are_in_the_timeline(data):
    floor, at_s = AlarmId.BELOW_FLOOR, data.summary.start_s + 3000.0
    rows = (
        DeliveryRow(at_s, None, "lantern", floor, "Anna", "raised", None),
        *(DeliveryRow(at_s + n, None, "lantern", floor, "<b>Ben", "raised", "refused <i>") for n in range(5)),
        DeliveryRow(at_s + 60.0, None, "lantern", floor, "<b>Ben", "raised", None),
        *(
            DeliveryRow(at_s + 70.0, None, "lantern", floor, "Anna", kind, None)
            for kind in ("again", "changed")
        ),
        DeliveryRow(at_s + 90.0, None, None, AlarmId.READINGS_STOPPED, "Anna", "raised", None),
    )
    text = Page(report_html(replace(data, deliveries=rows))).text
    assert "Anna was notified: below the floor." in text
    assert text.count("<b>Ben was not reached: below the floor (refused <i>).") == 1
    assert text.count("<b>Ben was notified: below the floor.") == 1
    assert "Anna was notified: the watch is silent." in text
    assert "Anna was sent the outcome: below the floor." in text
    assert "Anna was notified again: below the floor." in text


def test_a_report_reads_who_was_notified_from_the_record(night_record, tmp_path):
    copy = tmp_path / "night.db"
    shutil.copyfile(night_record, copy)
    with Store.open(copy) as store:
        batch = store.batch(1)
        rows = [
            DeliveryRow(t_s, None, pot_id, AlarmId.LEAK, "Anna", "raised", None)
            for t_s, pot_id in (
                (batch.start_t_s - 1.0, "lantern"),
                (batch.start_t_s + 1.0, "lantern"),
                (batch.start_t_s + 2.0, None),
                (batch.start_t_s + 3.0, "mast"),
            )
        ]
        store.add_deliveries(rows)
        assert collect_report(store, 1).deliveries == (rows[1], rows[2])
