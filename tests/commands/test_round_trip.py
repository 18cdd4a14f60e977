"""Whatever the verbs accept can be exported and imported again: the same limits everywhere."""

import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from potvigil.cli import main
from potvigil.model.events import Action as Asked
from potvigil.model.events import BatchOpened, Command
from potvigil.record.errors import RefusedError
from potvigil.record.store import Store
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from record_night import CLOSED, POT, UTC_S

WORDS = st.text(st.characters(codec=None), max_size=30) | st.sampled_from(
    ["", "a\x00b", "\udcff", "\u2028", "½ größer"]
)
DATES = st.dates().map(str) | st.sampled_from(["0001-01-01", "9999-12-31", "1969-12-31", "2026-02-30", "x"])
SPANS = st.sampled_from(
    ["6 months", "9999 years", "9999 weeks", "9999 days", "174 years", "0 days", "1 Week"]
)
MINUTES = st.floats(allow_nan=True).map(str) | st.sampled_from(["1e9", "60", "1", "1440"])
MASSES = st.floats().map(lambda g: f"{g} g") | st.sampled_from(["250", "1e300 kg", "2 LBS", "-5 g"])
MOMENTS = st.datetimes().map(lambda at: f"{at.isoformat()}Z") | st.sampled_from(["9:40 pm", "21:40", "25:00"])


def _options(**named: st.SearchStrategy[str]) -> st.SearchStrategy[list[str]]:
    """Draw some of the options, each as one word, so that a value may begin with a hyphen."""
    some = st.fixed_dictionaries({}, optional=named)
    return some.map(lambda given: [f"--{name.replace('_', '-')}={value}" for name, value in given.items()])


def _joined(parts: tuple[list[str], list[str]]) -> list[str]:
    return [*parts[0], *parts[1]]


VERBS = st.one_of(
    st.tuples(st.just(["pot", "care", POT, "seal"]), WORDS.map(lambda text: ["--", text])).map(_joined),
    st.tuples(st.just(["pot", "care", POT, "valve", "seen to"]), _options(on=DATES, due=DATES)).map(_joined),
    st.tuples(st.just(["pot", "care", POT, "valve"]), _options(on=DATES, every=SPANS)).map(_joined),
    st.tuples(
        st.just(["batch", "edit", "1"]),
        _options(label=WORDS, note=WORDS, resin=WORDS, mass=MASSES, mixed_at=MOMENTS, picture=WORDS),
    ).map(_joined),
    st.tuples(st.just(["batch", "note", "1"]), WORDS.map(lambda text: ["--", text])).map(_joined),
    st.tuples(st.just(["alarm", "shelve", "leak"]), _options(minutes=MINUTES)).map(_joined),
)


@pytest.fixture(scope="module")
def empty_night(tmp_path_factory) -> Path:
    """A record of one closed batch without samples, quick to take out and in."""
    path = tmp_path_factory.mktemp("record") / "record.db"
    with Store.open(path) as store:
        text = load_text(NIGHTS["sound"].settings_yaml, "settings").as_json()
        store.begin_run(text, "boot", 0.0, UTC_S, None)
        store.close_batch(store.open_batch(POT, BatchOpened(100.0, UTC_S)), CLOSED)
    return path


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(said=st.lists(VERBS, min_size=1, max_size=4))
def test_everything_the_verbs_accept_is_exported_and_imported(said, empty_night, capsys):
    with TemporaryDirectory() as folder:
        record, archive, again = (Path(folder, name) for name in ("record.db", "all.zip", "again.db"))
        shutil.copy(empty_night, record)
        for verb in said:
            try:
                # the options before `--`, after which everything is an argument
                status = main([*verb[:2], "--record", str(record), *verb[2:]])
            except SystemExit as ended:
                status = int(ended.code or 0)
            assert status in (0, 1, 2)
            told = capsys.readouterr()
            assert status == 0 or told.err.count("\n") == 1, (verb, told.err)
        assert main(["export", "--all", "--record", str(record), "--out", str(archive)]) == 0
        assert main(["import", str(archive), "--record", str(again)]) == 0, capsys.readouterr().err
        for reader in (["pot", "health"], ["batch", "show", "1"], ["batch", "list", "--json"]):
            capsys.readouterr()
            outs = []
            for each in (record, again):
                assert main([*reader, "--record", str(each)]) == 0
                outs.append(capsys.readouterr().out)
            assert outs[0] == outs[1]


def test_the_record_refuses_unreadable_values(empty_night, tmp_path):
    record = Path(shutil.copy(empty_night, tmp_path / "record.db"))
    with Store.open(record, create=False) as store:
        with pytest.raises(RefusedError, match="utc_s"):
            store.add_care(POT, -6e10, "seal", "", "Ines", UTC_S)
        with pytest.raises(RefusedError, match="part"):
            store.add_care(POT, UTC_S, "lid", "", "Ines", UTC_S)
        with pytest.raises(RefusedError, match="duration_s"):
            store.add_commands([(POT, Command(Asked.SHELVE, 0.0, duration_s=6e10))], UTC_S)
        assert store.cares(POT) == []
