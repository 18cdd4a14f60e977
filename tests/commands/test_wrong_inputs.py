"""Wrong inputs to every verb: each is refused in one line that says what to do, and changes nothing.

Run within the process, so that a traceback is an exception of the test. Whatever lies in the folder, the
record among it, is compared before and after.
"""

import io
import shutil
import sys
from pathlib import Path

import pytest

from potvigil.cli import main
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from rehearsal import rehearse

NIGHT = NIGHTS["lost-before-gel"]
HUGE = "9" * 20  # more than any integer of SQLite
NO_TEXT = "\udcff"  # a byte that is not UTF-8, as Python hands it on
LOG = "elapsed_s,gauge_pressure_psi\n"
RECORD, CONFIG = ("--record", "record.db"), ("--config", "workshop.yaml")


@pytest.fixture(scope="module")
def workshop(tmp_path_factory) -> Path:
    """A folder with a record of one night, its settings, an archive of it and its log."""
    folder = tmp_path_factory.mktemp("workshop")
    night = rehearse(NIGHT, tmp_path_factory.mktemp("night")).record
    shutil.copy(night, folder / "record.db")
    (folder / "workshop.yaml").write_text(f"{NIGHT.settings_yaml}sample_period: 5 s\n", encoding="utf-8")
    (folder / "letter.txt").write_text("To the harbour office\n", encoding="utf-8")
    (folder / "night.csv").write_text(f"{LOG}0,0\n60,60\n120,60\n", encoding="utf-8")
    (folder / "empty").touch()
    with Store.open(folder / "real.db") as store:
        store.begin_run(load_text(NIGHT.settings_yaml, "settings").as_json(), "boot", 0.0, None, None)
    assert main(["export", "--all", "--record", str(night), "--out", str(folder / "all.zip")]) == 0
    assert main(["record", "backup", "--record", str(night), str(folder / "copy.db")]) == 0
    return folder


def _volume(*words: str) -> tuple[str, ...]:
    return ("volume", *CONFIG, "--vessel", "2 L", "--pressures", "60 psi", "0 psi", "5 psi", *words)


def _flow(flow: str, fall: str, own: str) -> tuple[str, ...]:
    return ("volume", *CONFIG, f"--flow={flow}", f"--fall={fall}", f"--own-leak={own}")


def _plan(*words: str) -> tuple[str, ...]:
    return ("plan", *CONFIG, "--room", "18 C", *words)


def _tight(*words: str) -> tuple[str, ...]:
    return ("tightness", *CONFIG, "--log", "night.csv", *words)


_BATCH_VERBS = (("show",), ("export",), ("report",), ("label", "x"), ("note", "x"), ("edit", "--label", "x"))
_READERS = (
    ("batch", "list"), ("batch", "show", "1"), ("batch", "export", "1"), ("batch", "report", "1"),
    ("alarm", "list"), ("pot", "health"), ("pot", "cause"), ("record", "check"), ("record", "thin"),
    ("record", "backup", "out.db"), ("export", "--all"),
)  # fmt: skip
_WRITERS = (
    ("batch", "label", "1", "x"), ("batch", "open"), ("batch", "close"), ("alarm", "acknowledge"),
    ("alarm", "shelve", "leak"), ("alarm", "unshelve"), ("alarm", "test"), ("pot", "care", "lantern", "seal"),
)  # fmt: skip
_KEEPERS = (*_READERS, *_WRITERS)
_SETTLED = (
    ("watch",), ("check",), ("calibrate",), ("plan",), ("tightness",), ("volume",), ("page",), ("notify",),
    ("replay", "night.csv"), ("rehearse",), ("batch", "list"), ("record", "thin"),
)  # fmt: skip

# words of the command line, and a fragment of the one line
CASES: list[tuple[tuple[str, ...], str]] = [
    ((), "required: VERB"),
    (("brew",), "invalid choice: 'brew'"),
    (("batch",), "required: VERB"),
    (("batch", "lst"), "invalid choice"),
    (("alarm", "shelve", *RECORD), "required: ALARM"),
    (("batch", "list", *RECORD, *CONFIG), "not allowed with"),
    (("batch", "list", "--wide"), "unrecognized arguments: --wide"),
    (("export", *RECORD), "required: --all"),
    # which batch
    *(
        (("batch", verb[0], number, *verb[1:], *RECORD), "is not valid; give a number like 12")
        for verb in _BATCH_VERBS
        for number in (HUGE, "0", "-1", "1.5", "x", "", "１", str(2**31))
        if not number.startswith("-") or verb[0] != "edit"
    ),
    *((("batch", verb[0], "7", *verb[1:], *RECORD), "there is no batch 7 in") for verb in _BATCH_VERBS),
    (("pot", "cause", "--batch", HUGE, *RECORD), "give a number like 12"),
    (("pot", "cause", "--batch", "7", *RECORD), "there is no batch 7"),
    (("pot", "care", "lantern", "--remove", HUGE, *RECORD), "give a number like 12"),
    (("pot", "care", "lantern", "--remove", "7", *RECORD), "has no note 7"),
    # the list
    *((("batch", "list", f"--limit={each}", *RECORD), "a number of batches") for each in (HUGE, "-1", "x")),
    *(
        (("batch", "list", option, day, *RECORD), "not a date; give one like 2026-03-01")
        for option in ("--since", "--until")
        for day in ("x", "2026-02-30", "01.03.2026", "")
    ),
    *(
        (("batch", "list", option, day, *RECORD), "give a date from 1970 to 2200")
        for option in ("--since", "--until")
        for day in ("0001-01-01", "9999-12-31")
    ),
    (("batch", "list", "--find", NO_TEXT, *RECORD), "find: '\\udcff' contains bytes that are not text"),
    (("batch", "list", "--pot", "nobody", *RECORD), "there is no pot 'nobody'; give --pot lantern"),
    (("batch", "list", "--pot", NO_TEXT, *RECORD), "not text"),
    (("batch", "list", "--verdict", "good", *RECORD), "invalid choice: 'good'"),
    (("batch", "list", "--alarm", "noise", *RECORD), "invalid choice: 'noise'"),
    (("batch", "list", "--limit", "1", "--all", *RECORD), "not allowed with"),
    # what a batch is
    *(
        (("batch", verb, "1", text, *RECORD), said)
        for verb, most in (("label", 120), ("note", 2000))
        for text, said in (
            ("x" * 99_999, f"99999 characters; at most {most} are allowed"),
            ("a\x1b[2Jb", "control characters"),
            ("a\u202eb", "control characters"),
            (NO_TEXT, "not text"),
        )
    ),
    *(
        (("batch", "edit", "1", f"--mass={mass}", *RECORD), said)
        for mass, said in (
            ("-5 g", "out of range; give more than 0 and at most 1000 kg"),
            ("0 g", "out of range"),
            ("0", "out of range"),
            ("1e300 kg", "out of range"),
            ("1e999 g", "too large a number"),
            ("250 stone", "unknown unit; give a mass in g, kg, oz or lb"),
            ("a cup", "is not a mass"),
            ("nan g", "is not a mass"),
            (HUGE, "has no unit"),
        )
    ),
    *(
        (("batch", "edit", "1", f"--mixed-at={moment}", *RECORD), said)
        for moment, said in (
            ("25:00", "not a date and time"),
            ("13:40 pm", "not a date and time"),
            ("yesterday", "not a date and time"),
            ("0001-01-01T00:00:00Z", "before the fill"),
            ("9999-12-31T23:59:59Z", "after the fill"),
            ("9999-12-31T23:59:59-14:00", "not a date and time"),
            ("2026-01-01T21:40", "names no time zone"),
        )
    ),
    (("batch", "edit", "1", "--picture", "a\nb.jpg", *RECORD), "rename the file"),
    (("batch", "edit", "1", "--picture", NO_TEXT, *RECORD), "not text"),
    (("batch", "edit", "1", "--resin", "x" * 200, *RECORD), "at most 120"),
    (("batch", "edit", "1", *RECORD), "nothing to change in batch 1"),
    (("batch", "open", "--pot", "nobody", *RECORD), "there is no pot 'nobody'"),
    (("batch", "open", "--mass", "much", *RECORD), "is not a mass"),
    (("batch", "open", "--mixed-at", "noon", *RECORD), "not a date and time"),
    (("batch", "close", "--pot", "nobody", *RECORD), "there is no pot 'nobody'"),
    # alarms
    *(
        (("alarm", "shelve", "leak", f"--minutes={minutes}", *RECORD), "for 1 to 1440 minutes")
        for minutes in ("1e9", "nan", "inf", "-1", "0", HUGE, "1e400")
    ),
    (("alarm", "shelve", "leak", "--minutes", "an hour", *RECORD), "give a number of minutes"),
    (("alarm", "shelve", "over-pressure", "--minutes", "16", *RECORD), "for 1 to 15 minutes"),
    (("alarm", "shelve", "all", *RECORD), "invalid choice: 'all'"),
    (("alarm", "acknowledge", "noise", *RECORD), "invalid choice"),
    (("alarm", "acknowledge", "leak", "--pot", "nobody", *RECORD), "there is no pot 'nobody'"),
    (("alarm", "unshelve", "leak", "--pot", "", *RECORD), "there is no pot ''"),
    (("alarm", "test", "--pot", NO_TEXT, *RECORD), "not text"),
    (("alarm", "test", "--priority", "loud", *RECORD), "invalid choice"),
    # pots
    *((("pot", verb, "pot-1", *RECORD), "give POT lantern") for verb in ("health", "cause", "care")),
    (("pot", "health", "--out", "health.txt", *RECORD), "ends in .html"),
    (("pot", "health", "--out", "nowhere/health.html", *RECORD), "give another place with --out"),
    (("pot", "cause", "--test", *RECORD), "the record has no readings of a tightness test of lantern"),
    (("pot", "cause", "--test", "--batch", "1", *RECORD), "not both"),
    (("pot", "care", "lantern", *RECORD), "give the part: seal"),
    (("pot", "care", "lantern", "lid", *RECORD), "invalid choice: 'lid'"),
    *(
        (("pot", "care", "lantern", "seal", text, *RECORD), said)
        for text, said in (
            ("x" * 300, "at most 200"),
            ("\x1b]0;x\x07", "control characters"),
            ("a\x00b", "control characters"),
            (NO_TEXT, "not text"),
        )
    ),
    *(
        (("pot", "care", "lantern", "seal", *words, *RECORD), said)
        for words, said in (
            (("--on", "0001-01-01"), "give a date from 1970 to 2200"),
            (("--on", "9999-12-31"), "give a date from 1970 to 2200"),
            (("--on", "2199-01-01"), "still to come"),
            (("--on", "today"), "not a date"),
            (("--due", "9999-12-31"), "give a date from 1970 to 2200"),
            (("--due", "1999-12-31"), "is not after"),
            (("--every", "9999 years"), "too long"),
            (("--every", "9999 weeks"), "too long"),
            (("--every", "0 days"), "give days, weeks, months or years"),
            (("--every", "often"), "give days, weeks, months or years"),
            (("--due", "2030-01-01", "--every", "1 year"), "not allowed with"),
        )
    ),
    # the record
    *(((*verb, "--record", "missing.db"), "there is no record at missing.db") for verb in _KEEPERS),
    *(((*verb, "--record", "empty"), "there is no record at empty") for verb in _KEEPERS),
    *(((*verb, "--record", "letter.txt"), "not a Potvigil record") for verb in _KEEPERS),
    *(((*verb, "--record", "/"), "Is a directory") for verb in _READERS),
    *(((*verb, "--record", "x" * 5000), "File name too long") for verb in _READERS),
    *(
        (("record", "thin", f"--older-than={days}", *RECORD), "a number of days, 0 to 36500")
        for days in ("x", "-1", "nan", "inf", "1e300", HUGE)
    ),
    (("record", "backup", "record.db", *RECORD), "already exists"),
    (("record", "backup", "record.db", "--replace", *RECORD), "is the record itself"),
    (("record", "backup", "copy.db", *RECORD), "already exists"),
    (("record", "backup", "letter.txt", "--replace", *RECORD), "not a Potvigil record"),
    (("record", "backup", "/", *RECORD), "/ exists already"),
    (("record", "backup", "nowhere/copy.db", *RECORD), "cannot be written"),
    (("export", "--all", "--out", "all.zip", *RECORD), "already exists"),
    (("export", "--all", "--out", "letter.txt", "--replace", *RECORD), "letter.txt"),
    (("export", "--all", "--out", "record.db", "--replace", *RECORD), "record.db"),
    (("export", "--all", "--out", "nowhere/all.zip", *RECORD), "cannot be written"),
    (("import", "all.zip", *RECORD), "give another path"),
    (("import", "missing.zip", "--record", "new.db"), "missing.zip"),
    (("import", "letter.txt", "--record", "new.db"), "letter.txt"),
    (("import", "/", "--record", "new.db"), "/"),
    (("import", "all.zip", "--record", "nowhere/new.db"), "nowhere"),
    (("batch", "export", "1", "--out", "letter.txt", *RECORD), "already exists"),
    (("batch", "export", "1", "--out", "record.db", *RECORD), "already exists"),
    (("batch", "export", "1", "--out", "/", *RECORD), "/: Is a directory"),
    (("batch", "export", "1", "--out", "nowhere/b.csv", *RECORD), "nowhere/b.csv: No such file"),
    (("batch", "export", "1", "--format", "xlsx", *RECORD), "invalid choice"),
    (("batch", "export", "1", "--units", "inHg", *RECORD), "invalid choice"),
    (("batch", "report", "1", "--out", "letter.txt", *RECORD), "ends in .html"),
    (("batch", "report", "1", "--out", "nowhere/r.html", *RECORD), "give another place with --out"),
    # settings
    *(((*verb, "--config", "missing.yaml"), "missing.yaml: cannot be read") for verb in _SETTLED),
    *(((*verb, "--config", "/"), "give a settings file") for verb in _SETTLED),
    *(((*verb, "--config", "record.db"), "give a settings file") for verb in _SETTLED),
    (("watch",), "no settings at"),
    (("calibrate",), "give --config FILE, or --rehearse"),
    (("tightness",), "give --config FILE, or --rehearse"),
    (("volume",), "give --config FILE, or --rehearse"),
    *(
        ((verb, *CONFIG, "--pot", "nobody"), "there is no pot 'nobody'")
        for verb in ("calibrate", "plan", "tightness", "volume")
    ),
    (("rehearse", *CONFIG, "--pot", "nobody"), "no such pot; there are lantern"),
    # logs
    *(
        ((*verb, name), said)
        for verb in (("replay", *CONFIG), ("tightness", *CONFIG, "--log"))
        for name, said in (
            ("missing.csv", "name a CSV log that can be read"),
            ("/", "name a CSV log that can be read"),
            ("empty", "empty; the first line names the columns"),
            ("letter.txt", "no time column"),
            ("record.db", "not UTF-8"),
        )
    ),
    (("replay", "night.csv", *CONFIG, "--pot", "nobody"), "there is no pot 'nobody'"),
    (("replay", "night.csv", *CONFIG, "--json", "letter.txt"), "already exists"),
    (("replay", "night.csv", *CONFIG, "--json", "nowhere/out"), "nowhere/out: No such file"),
    (("replay", "night.csv", *CONFIG, "--record", "nowhere/new.db"), "folder"),
    (("replay", "night.csv", *CONFIG, "--record", "letter.txt"), "not a Potvigil record"),
    # rehearsals
    (("rehearse", "doldrums"), "no night 'doldrums'; there are"),
    *((("rehearse", f"--speed={each}"), "a number from") for each in ("0", "-1", "x", "nan", "1e400")),
    *((("rehearse", f"--seed={each}"), "a whole number") for each in ("-1", "x", HUGE)),
    *((("rehearse", f"--page={each}"), "a port, 0 to 65535") for each in ("x", "99999", "-1", HUGE)),
    *((("rehearse", f"--mqtt={each}"), "give HOST") for each in ("a:b:c", "x:99999", "u@h", "")),
    (("rehearse", "--mqtt", NO_TEXT), "not text"),
    (("rehearse", "--notify"), "needs --config"),
    (("rehearse", "--record", "nowhere/new.db"), "folder"),
    (("rehearse", "--record", "letter.txt"), "not a Potvigil record"),
    # a volume
    (_volume("--vessel=-2 L"), "out of range; give 0.01 L to 2000 L"),
    (_volume("--vessel=0 L"), "out of range"),
    (_volume("--vessel=1e300 L"), "out of range"),
    (_volume("--vessel=2"), "has no unit"),
    (_volume("--vessel="), "is not a volume"),
    (_volume(f"--vessel={NO_TEXT}"), "not text"),
    (_volume("--room=-400 C"), "--room '-400 C' is out of range; give -40 C to 60 C"),
    (_volume("--room=-400 F"), "out of range"),
    (_volume("--room=0 K"), "out of range"),
    (_volume("--room=1e300 C"), "out of range"),
    (_volume("--room=warm"), "is not a temperature"),
    (_volume("--pressure-error=-1 psi"), "out of range"),
    (_volume("--pressure-error=1e9 psi"), "out of range"),
    *(
        (_volume(f"--error={each}"), "in %, 0 to 20")
        for each in ("-1", "21", "x", ".", "1..2", "nan", "9" * 99)
    ),
    (("volume", *CONFIG, "--vessel", "2 L", "--pressures", "60 psi", "0 psi"), "expected 3 arguments"),
    (("volume", *CONFIG, "--vessel", "2 L", "--pressures", "60", "0", "5"), "has no unit"),
    (("volume", *CONFIG, "--vessel", "2 L", "--pressures", "1e9 psi", "0 psi", "5 psi"), "out of range"),
    (("volume", *CONFIG, "--vessel", "2 L", "--flow", "25 cm3/min"), "give --vessel"),
    (("volume", *CONFIG), "give --vessel"),
    (("volume", *CONFIG, "--flow", "25 cm3/min"), "give --fall"),
    (_flow("-25 cm3/min", "1.35 psi/h", "0.1 psi/h"), "out of range"),
    (_flow("0 cm3/min", "1.35 psi/h", "0.1 psi/h"), "out of range"),
    (_flow("1e300 cm3/min", "1.35 psi/h", "0.1 psi/h"), "out of range"),
    (_flow("25 cm3/min", "1.35", "0.1 psi/h"), "give a fall like"),
    (_flow("25 cm3/min", "1..3 psi/h", "0.1 psi/h"), "is not a pressure"),
    (_flow("25 cm3/min", ". psi/h", "0.1 psi/h"), "is not a pressure"),
    (_flow("25 cm3/min", f"{HUGE} psi/h", "0.1 psi/h"), "out of range"),
    (_flow("25 cm3/min", f"{'9' * 400} psi/h", "0.1 psi/h"), "give a fall like"),
    (_flow("25 cm3/min", "2 to 1 psi/h", "0.1 psi/h"), "lower one first"),
    (_flow("25 cm3/min", "1.35 mmHg/h", "0.1 psi/h"), "unknown unit"),
    ((*_flow("25 cm3/min", "1.35 psi/h", "0.1 psi/h"), "--flow-at=-400 C"), "'-400 C' is out of range"),
    # a plan
    (("plan", *CONFIG, "--record", "missing.db"), "there is no record at missing.db"),
    (("plan", *CONFIG, "--record", "letter.txt"), "not a Potvigil record"),
    *(
        (_plan(f"--mould={size}"), "--mould")
        for size in ("12x8", "x", "", "-1 x 2 cm", "0 x 0 cm", "1e300 x 1 cm", "1 x 2 x 3 x 4 cm", HUGE)
    ),
    *((_plan(f"--mass={mass}"), "--mass") for mass in ("-1 g", "0 g", "1e300 g", "x", HUGE, "250 stone")),
    *(
        (("plan", *CONFIG, f"--room={room}"), "--room")
        for room in ("18", "-400 C", "1000 C", "18 degrees", "", "nan C")
    ),
    *((_plan(f"--night-low={low}"), "--night-low") for low in ("-400 C", "30 C", "x", "12")),
    (_plan("--night", "mild"), "give steady or down"),
    (_plan("--night", "down"), "--night-low is missing"),
    *(
        (_plan(f"--{option}={clock}"), "not a time of day; give one like 21:40")
        for option in ("start", "until")
        for clock in ("25:00", "13:40 pm", "0:40 am", "21.40", "now", "", "24:00")
    ),
    (_plan("--tank", "110 psi"), "needs a compressor"),
    *((_plan(f"--mixing={each}"), "--mixing") for each in ("-4 min", "4", "1e300 min", "1 h 90 min", "long")),
    *((_plan(f"--resin={each}"), "is not in the list") for each in ("tar", "")),
    *((_plan(f"--stand={each}"), "--stand") for each in ("-3 cm", "3", "1e300 m")),
    *((_plan(f"--inside={each}"), "--inside") for each in ("28 cm", "0 x 0 cm", "1 x 2 x 3 cm")),
    (_plan("--out", "plan.txt"), "ends in .html"),
    (_plan("--out", "nowhere/plan.html"), "give another place with --out"),
    # tightness, calibration
    *(
        (_tight(f"--limit={limit}"), "--limit")
        for limit in ("x", "3", "3 psi", "-3 psi in 9 h", "3 psi in 0 h", "1e99 psi in 1 h", "3 psi in 1e9 h")
    ),
    (_tight("--rehearse"), "not both"),
    (("tightness", "--rehearse", "x"), "invalid choice"),
    # page, notify
    *((("page", f"--port={each}"), "a port, 0 to 65535") for each in ("x", "99999", "-1")),
    (("page", "key"), "invalid choice"),
    (("page", "password", "--out", "nowhere/password"), "nowhere"),
    (("page", "password", "--out", "letter.txt"), "already exists and is not a page's password"),
    (("page", "password", "--out", "password"), "a password of 8 to 1024 characters"),  # nothing was typed
    (("notify", *CONFIG, "--test", "--dry-run"), "not allowed with"),
    (("notify", *CONFIG, "--test"), "notify"),
]  # fmt: skip


CASES += [  # a record of what was measured
    (("rehearse", "--record", "real.db"), "real.db holds real measurements"),
]


def _contents(folder: Path) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes() for path in folder.iterdir() if not path.name.endswith(("-wal", "-shm"))
    }


@pytest.mark.parametrize(
    ("words", "said"), CASES, ids=[f"{n}-{' '.join(words)[:60]}" for n, (words, _) in enumerate(CASES)]
)
def test_wrong_input_is_refused_in_one_line_and_changes_nothing(words, said, workshop, capsys, monkeypatch):
    monkeypatch.chdir(workshop)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    before = _contents(workshop)
    try:
        status = main(words)
    except SystemExit as ended:  # argparse
        status = int(ended.code or 0)
    told = capsys.readouterr()
    assert status == 2
    assert told.err.count("\n") == 1 and said in told.err, told.err
    assert _contents(workshop) == before
