"""What may come from outside, mangled, and what is promised: done, or refused in one line.

A Target draws one input and acts on it; anything but the errors a person is shown escapes. Each act has a
bound of time (`TIME_S`). Used by tests/faults/test_fuzz_inputs.py and tests/bench/campaign_fuzz.py.
"""

import functools
import hashlib
import io
import json
import shutil
import signal
import string
import tempfile
import tracemalloc
import unicodedata
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from potvigil.commands.page import _read_hash
from potvigil.commands.shared.common import UseError
from potvigil.drivers.thermometers.ds18b20 import ThermometerError, read_celsius
from potvigil.imports.csv_log import LogError, read_log
from potvigil.live_reader import LiveReader
from potvigil.model.events import AlarmId
from potvigil.outputs.broker import discovery, homie_description, homie_set
from potvigil.outputs.broker.mqtt_link import MqttPasswordError, read_password
from potvigil.outputs.broker.retained import Retained
from potvigil.outputs.live import LiveFile
from potvigil.page.passwords import verify
from potvigil.record.errors import RecordError
from potvigil.record.spool import Unwritten
from potvigil.record.store import Store
from potvigil.settings.errors import SettingsError
from potvigil.settings.loading import load_text
from potvigil.sim.nights import NIGHTS
from potvigil.upkeep.archive import import_all
from potvigil.upkeep.archive_writing import export_all
from potvigil.watch.pot_watch import PotWatch
from rehearsal import Bench

CONFIG = Path(__file__).parents[1] / "config"
TIME_S = 5.0
PEAK_BYTES = 64 * 2**20
LONGEST_LINE = 500
# What tends to break a reader: ends of number ranges, marks of YAML, JSON and CSV, half of a character.
SNIPPETS = [
    *(
        "",
        " ",
        "\n",
        "\t",
        "\r",
        "\x00",
        "\x1b[31m",
        "\ufeff",
        "\u2028",
        "\x85",
        "‮",
        "é",
        "٣",
        "\ud800",
        "💧",
    ),
    *(
        "[",
        "]",
        "{",
        "}",
        ":",
        ",",
        "- ",
        "&a",
        "*a",
        "<<: *a",
        "!!python/object:os.system",
        "|",
        ">",
        "%",
        "?",
    ),
    *(
        '"',
        "'",
        "''",
        "#",
        "---",
        "...",
        "=",
        "\\",
        "\\u0000",
        "\\ud800",
        "~",
        "null",
        "yes",
        "<b>",
        "{{7*7}}",
    ),
    *(
        "0",
        "-1",
        "1e999",
        "-1e308",
        "nan",
        "inf",
        "1_0",
        "0x10",
        "9" * 400,
        "1" * 5000,
        "0." + "0" * 400 + "1",
    ),
    *(
        "60 psi",
        "1e300 psi",
        "10 h",
        "NaN C",
        "[" * 300,
        "{a: " * 300,
        ":" * 3000 + "x",
        "a" * 5000,
        "1:" * 500,
    ),
    *("..", "/dev/zero", "/dev/stdin", "~nobody-here/x", "28-000000000000", "true", "1.5e-320", "-0.0"),
]


class HangError(AssertionError):
    """It took longer than it may."""


@dataclass(frozen=True)
class Target:
    name: str
    inputs: st.SearchStrategy[Any]
    act: Callable[[Any], None]

    def __str__(self) -> str:
        return self.name


@contextmanager
def bounded(seconds: float = TIME_S) -> Iterator[None]:
    """Raise HangError where what is done takes longer; in the main thread only."""

    def late(*_: object) -> None:
        raise HangError(f"takes more than {seconds:g} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def measured(peak_bytes: int = PEAK_BYTES) -> Iterator[None]:
    """Fail where more memory is taken meanwhile."""
    tracemalloc.start()
    try:
        yield
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < peak_bytes, f"{peak / 2**20:.0f} MB"


def assert_one_line(text: str) -> None:
    assert 0 < len(text) <= LONGEST_LINE, f"{len(text)} characters: {text[:80]!r}"
    bad = {sign for sign in text if not sign.isprintable()}
    assert not bad, f"{bad!r} in {text[:200]!r}"


# --- inputs


def mangled(*bases: str) -> st.SearchStrategy[str]:
    """One of the texts with some pieces cut out, put in, doubled or replaced."""
    piece = st.sampled_from(SNIPPETS) | st.text(max_size=6) | st.text(string.printable, max_size=4)
    edit = st.tuples(st.sampled_from("cird"), st.floats(0, 1), st.integers(0, 40), piece)

    def mangle(base: str, edits: list[tuple[str, float, int, str]]) -> str:
        for what, where, length, text in edits:
            at = int(where * len(base))
            cut = base[at : at + length]
            new = {"c": "", "i": text + cut, "r": text, "d": cut + cut}[what]
            base = base[:at] + new + base[at + length :]
        return base

    return st.builds(mangle, st.sampled_from(bases), st.lists(edit, min_size=1, max_size=6))


def mangled_bytes(base: bytes) -> st.SearchStrategy[bytes]:
    edit = st.tuples(st.floats(0, 1), st.integers(0, 12), st.binary(max_size=12))

    def mangle(edits: list[tuple[float, int, bytes]]) -> bytes:
        data = base
        for where, length, new in edits:
            at = int(where * len(data))
            data = data[:at] + new + data[at + length :]
        return data

    return st.builds(mangle, st.lists(edit, min_size=1, max_size=4))


scalars = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.sampled_from(SNIPPETS) | st.text(max_size=8)
)
trees = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


def grafted(base: Any) -> st.SearchStrategy[Any]:
    """A JSON value with some of its parts replaced by anything, or taken out."""

    def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
        items = (
            value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        )
        for key, item in items:
            yield (*path, key)
            yield from places(item, (*path, key))

    everywhere = list(places(base))
    graft = st.tuples(st.sampled_from(everywhere), st.sampled_from("rrrdx"), trees)

    def put(grafts: list[tuple[tuple[Any, ...], str, Any]]) -> Any:
        tree = json.loads(json.dumps(base))
        for path, what, new in grafts:
            at = tree
            try:
                for key in path[:-1]:
                    at = at[key]
                if what == "d":
                    del at[path[-1]]
                elif what == "x" and isinstance(at, dict):
                    at[str(new)[:20]] = at[path[-1]]
                else:
                    at[path[-1]] = new
            except (KeyError, IndexError, TypeError):
                continue  # an earlier graft took it away
        return tree

    return st.builds(put, st.lists(graft, min_size=1, max_size=4))


def as_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


@functools.cache
def night() -> Path:
    """A folder with the record, archive and live file of a quarter of an hour, made once."""
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    live = LiveFile(folder / "live.json", "harbour-models", None, 1.0)
    bench = Bench(NIGHTS["lost-before-gel"], folder, live=live)
    bench.begin()
    bench.run_until(900.0)
    bench.service.stop()
    export_all(folder / "record.db", folder / "all.zip", made_utc_s=1.7e9)
    return folder


@contextmanager
def scratch() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="fuzz-") as folder:
        yield Path(folder)


# --- settings, as a file and as the record keeps them


def act_on_settings(text: str) -> None:
    try:
        settings = load_text(text, "workshop.yaml")
    except SettingsError as error:
        assert error.faults
        assert len(error.faults) <= 200
        for fault in error.faults:
            assert_one_line(fault)
        return
    again = load_text(settings.as_json(), "workshop.yaml")
    assert again.as_json() == settings.as_json()
    for pot in settings.core_pots().values():
        assert pot.floor_pa < pot.working_pa <= pot.maximum_pa


@functools.cache
def full_settings() -> str:
    return load_text((CONFIG / "workshop.yaml").read_text(), "workshop.yaml").as_json()


def yaml_bombs() -> st.SearchStrategy[str]:
    """Anchors of anchors, deep nesting, long lists, long keys, wide maps."""

    def doubled(levels: int, wide: int) -> str:
        lines = ["a0: &a0 [x]"] + [
            f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * wide)}]" for n in range(1, levels + 1)
        ]
        return "\n".join(lines)

    def merged(levels: int, wide: int) -> str:
        lines = ["a0: &a0 {k: v}"]
        lines += [f"a{n}: &a{n}\n  <<: [{', '.join([f'*a{n - 1}'] * wide)}]" for n in range(1, levels + 1)]
        return "\n".join(lines)

    levels, wide = st.integers(1, 40), st.integers(1, 12)
    deep = st.builds(
        lambda sign, n, end: sign * n + end,
        st.sampled_from(["[", "{a: ", "- ", "? "]),
        st.integers(1, 3000),
        st.sampled_from(["", "x", "]" * 50]),
    )
    long = st.builds(
        lambda sign, n: f"workshop: {sign * n}",
        st.sampled_from(["a", ":", "0", "é", "' "]),
        st.integers(1, 60_000),
    )
    many = st.builds(
        lambda n: "pots:\n" + "".join(f"  p{i}: {{x: 1}}\n" for i in range(n)), st.integers(1, 3000)
    )
    hosts = st.builds(
        lambda key, sign, n: f"workshop: a\npots: {{}}\n{key}: {{host: '{sign * n}!'}}\n",
        st.sampled_from(["mqtt", "page"]),
        st.sampled_from([":", "a", ".", "-", "0:", "a.", "f:."]),
        st.integers(1, 20_000),
    )
    quantities = st.builds(
        lambda sign, n, end: f"sample_period: '{sign * n}{end}'\n",
        st.sampled_from(["1", " ", "1 ", ".", "-", "e", "1e", "psi", "_"]),
        st.integers(1, 20_000),
        st.sampled_from(["", " s", "!", "1"]),
    )
    return (
        st.builds(doubled, levels, wide)
        | st.builds(merged, levels, wide)
        | deep
        | long
        | many
        | hosts
        | quantities
    )


# --- recorded logs

LOG = "elapsed_s,gauge_pressure_psi,gas_temperature_c,ambient_pressure_hpa\n" + "".join(
    f"{n * 10},{60 - n / 100:.3f},{21 - n / 50:.2f},1013.2\n" for n in range(30)
)
DATED = "time,gauge_pressure_kpa,room_temperature_c\n" + "".join(
    f"2026-01-01T22:{n:02d}:00Z,{410 - n},20.1\n" for n in range(30)
)


def wide_logs() -> st.SearchStrategy[str]:
    columns = st.integers(1, 40_000).map(
        lambda n: "elapsed_s," + ",".join(f"c{i}" for i in range(n)) + "\n1\n"
    )
    jumps = st.lists(
        st.sampled_from([0.0, 1e-9, 1.0, 20.0, 3600.0, 1e9, 1e15, 1e300]) | st.floats(0, 1e308),
        min_size=2,
        max_size=12,
    ).map(
        lambda steps: (
            "elapsed_s,gauge_pressure_psi\n"
            + "".join(f"{t!r},{60 - i}\n" for i, t in enumerate(sorted(set(steps))))
        )
    )
    values = st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=2, max_size=40).map(
        lambda many: (
            "elapsed_s,gauge_pressure_psi,gas_temperature_c\n"
            + "".join(f"{i * 30},{value!r},{value!r}\n" for i, value in enumerate(many))
        )
    )
    return columns | jumps | values


@functools.cache
def fuzzed_pot() -> Any:
    return load_text((CONFIG / "smallest.yaml").read_text(), "smallest.yaml").core_pots()


def act_on_log(content: bytes | str) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    with scratch() as folder:
        path = folder / "night.csv"
        path.write_bytes(data)
        try:
            log = read_log(path)
        except LogError as error:
            assert_one_line(str(error).replace(str(folder), ""))
            return
    for note in log.notes[:20]:
        assert_one_line(note.replace(str(folder), ""))
    watch = PotWatch(next(iter(fuzzed_pot().values())))
    for sample in log.samples[:200]:
        for event in watch.feed(sample):
            if text := getattr(event, "text", ""):
                assert_one_line(text)
        watch.snapshot()
    watch.summary()


# --- 1-wire

W1 = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
W1_GOOD = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"


def act_on_w1(content: bytes | str) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    with scratch() as folder:
        (folder / "28-0123456789ab").mkdir()
        (folder / "28-0123456789ab" / "w1_slave").write_bytes(data)
        try:
            assert -55.0 <= read_celsius(folder, "28-0123456789ab") <= 125.0
        except ThermometerError as error:
            assert_one_line(str(error))


# --- MQTT

topics = mangled(
    *(
        f"homie/5/harbour-models-lantern/{path}/set"
        for path in ("batch/label", "batch/mass", "alarms/acknowledge")
    )
) | st.sampled_from(homie_set.set_topics("harbour-models", fuzzed_pot().values()))
payloads = (
    st.binary(max_size=200)
    | st.sampled_from([*AlarmId, "all", "250 g", "21:40", "2026-01-01T21:40:00Z", *SNIPPETS]).map(
        lambda text: str(text).encode("utf-8", "surrogatepass")
    )
    | st.builds(
        lambda sign, n: sign * n,
        st.sampled_from([b"a", b"\xf0\x9f\x92\xa7", b"\0", b"9", b" "]),
        st.integers(0, 100_000),
    )
    | mangled("250 g", "21:40", "2026-01-01T21:40:00+01:00", "1 lb 3 oz").map(
        lambda text: text.encode("utf-8", "surrogatepass")
    )
)


def act_on_set(given: tuple[str, bytes]) -> None:
    outcome = homie_set.parse_set("harbour-models", *given)
    if isinstance(outcome, homie_set.Refusal):
        assert_one_line(outcome.reason)
    elif outcome is not None:
        assert len(outcome.text.encode()) <= homie_set.LONGEST_SET_BYTES
        bad = {sign for sign in outcome.text if unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Zl", "Zp")}
        assert bad <= {"\n", "\t"}, f"{bad!r} is taken"


# what an earlier run, or somebody, left retained: descriptions, and what home automation was told
LEFT = "homie/5/harbour-models{}/$description"
TOLD = "homeassistant/device/potvigil_harbour-models/lantern/config"
left_topics = st.sampled_from([TOLD, *(LEFT.format(end) for end in ("", "-lantern", "-gone"))])


def left_behind() -> st.SearchStrategy[tuple[str, bytes]]:
    pots = fuzzed_pot()
    described = homie_description.descriptions("harbour-models", pots.values())
    (told,) = discovery.configs("homeassistant", "harbour-models", pots, False)[:1]
    bases = [*described.values(), json.loads(told.payload)]
    texts = st.one_of(*(grafted(base).map(as_json) for base in bases)) | mangled(*map(as_json, bases))
    return st.tuples(left_topics, texts.map(lambda text: text.encode("utf-8", "replace")) | payloads)


def act_on_left(given: tuple[str, bytes]) -> None:
    retained = Retained("harbour-models", fuzzed_pot(), False, "homeassistant")
    retained.begin()
    retained.hear(*given)
    for message in [*retained.before(1_767_304_800), *retained.after()]:
        assert message.topic.startswith(
            ("homie/5/harbour-models", "homeassistant/device/potvigil_harbour-models/")
        )
        assert not set(message.topic) & set("+#\0")
        if message.topic.endswith("/$description") and message.payload:
            assert 0 < json.loads(message.payload)["version"] < 2**53


# --- archives


@functools.cache
def archived() -> bytes:
    return (night() / "all.zip").read_bytes()


@functools.cache
def members() -> dict[str, list[Any]]:
    with zipfile.ZipFile(io.BytesIO(archived())) as archive:
        return {
            name: [json.loads(line) for line in archive.read(name).splitlines()]
            for name in archive.namelist()
            if name.endswith(".jsonl")
        }


def rebuilt(name: str, row: int, column: int, new: Any) -> bytes:
    """The archive with one cell replaced, and everything said of it right."""
    with zipfile.ZipFile(io.BytesIO(archived())) as archive:
        manifest = json.loads(archive.read("manifest.json"))
        texts = {each: archive.read(each) for each in members()}
    rows = json.loads(json.dumps(members()[name]))
    if len(rows) > 1:
        cells = rows[1 + row % (len(rows) - 1)]
        cells[column % len(cells)] = new
    text = b"".join(json.dumps(each, ensure_ascii=True).encode() + b"\n" for each in rows)
    texts[name] = text
    said = manifest["members"][name]
    said |= {"bytes": len(text), "sha256": hashlib.sha256(text).hexdigest()}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for each, content in texts.items():
            archive.writestr(each, content)
        archive.writestr("manifest.json", json.dumps(manifest))
    return out.getvalue()


def archives() -> st.SearchStrategy[bytes]:
    names = st.sampled_from(sorted(name for name, rows in members().items() if len(rows) > 1))
    settings = json.loads(full_settings())
    inner = grafted(settings).map(as_json) | mangled(full_settings()) | trees.map(as_json)
    return (
        mangled_bytes(archived())
        | st.builds(rebuilt, names, st.integers(0, 500), st.integers(0, 20), trees | inner)
        | st.binary(max_size=300)
    )


def act_on_archive(data: bytes) -> None:
    with scratch() as folder:
        (folder / "in.zip").write_bytes(data)
        try:
            import_all(folder / "in.zip", folder / "new.db")
        except RecordError as error:
            assert_one_line(str(error).replace(str(folder), ""))
            assert sorted(path.name for path in folder.iterdir()) == ["in.zip"]
            return
        with Store.open_read_only(folder / "new.db") as store:
            for run in store.runs():
                try:
                    load_text(run.settings_json, "settings of a run").core_pots()
                except SettingsError as error:
                    for fault in error.faults:
                        assert_one_line(fault)
            for batch in store.batches():
                store.events(batch.id)
            for pot in store.pots():
                list(store.samples(pot, float("-inf")))
                store.cares(pot)


# --- the live file, and the samples that were not written yet


@functools.cache
def live_text() -> str:
    return (night() / "live.json").read_text()


def act_on_live(content: bytes | str) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    with scratch() as folder:
        (folder / "live.json").write_bytes(data)
        live, is_silent = LiveReader(folder / "live.json").read()
        assert is_silent or live is not None


UNWRITTEN = (
    '["lantern",2.0,1700000000.0,100,null,null,null,21.5,null,20.1,31.5,101325.0,'
    '"[[\\"thermometer\\",\\"x\\"]]"]\n'
)


def act_on_unwritten(text: str) -> None:
    with Store.open_read_only(night() / "record.db") as store:
        run = store.last_run()
    assert run is not None
    with scratch() as folder:
        kept = Unwritten(folder / "unwritten")
        kept.begin(run)
        kept.close()
        with (folder / "unwritten").open("ab") as file:
            file.write(text.encode("utf-8", "surrogatepass"))
        for pot, sample in kept.left_by(run):
            assert isinstance(pot, str)
            assert sample.t_s >= run.start_t_s


# --- password files

HASH = f"scrypt$16384$8$5${'A' * 22}==${'A' * 43}=\n"


def act_on_password(content: bytes | str) -> None:
    data = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    with scratch() as folder:
        path = folder / "secret"
        path.write_bytes(data)
        try:
            line = _read_hash(path)
            assert verify("no", line) in (True, False)
        except UseError as error:
            assert_one_line(str(error).replace(str(folder), ""))
        try:
            assert 0 < len(read_password(path).encode()) <= 65_535  # MQTT 5.0, 3.1.3.6: two bytes of length
        except MqttPasswordError as error:
            assert_one_line(str(error).replace(str(folder), ""))


def targets() -> list[Target]:
    workshop, smallest = ((CONFIG / name).read_text() for name in ("workshop.yaml", "smallest.yaml"))
    live = json.loads(live_text())
    return [
        Target(
            "settings-text",
            mangled(workshop, smallest) | st.text(max_size=200) | trees.map(as_json),
            act_on_settings,
        ),
        Target("settings-bombs", yaml_bombs(), act_on_settings),
        Target(
            "stored-settings",
            grafted(json.loads(full_settings())).map(as_json) | mangled(full_settings()),
            act_on_settings,
        ),
        Target("log", mangled(LOG, DATED) | st.binary(max_size=300) | wide_logs(), act_on_log),
        Target("w1-slave", mangled(W1, W1_GOOD) | st.binary(max_size=200), act_on_w1),
        Target("mqtt-set", st.tuples(topics, payloads), act_on_set),
        Target("mqtt-left", left_behind(), act_on_left),
        Target("archive", archives(), act_on_archive),
        Target(
            "live-file",
            grafted(live).map(as_json)
            | mangled(live_text())
            | st.binary(max_size=200)
            | st.integers(1, 100_000).map(lambda n: "[" * n),
            act_on_live,
        ),
        Target(
            "unwritten",
            mangled(UNWRITTEN, UNWRITTEN * 3)
            | st.text(max_size=100)
            | grafted(json.loads(UNWRITTEN)).map(lambda row: as_json(row) + "\n"),
            act_on_unwritten,
        ),
        Target(
            "password-file",
            mangled(HASH, "a word\n")
            | st.binary(max_size=200)
            | st.integers(1, 200_000).map(lambda n: "x" * n),
            act_on_password,
        ),
    ]


def done() -> None:
    """Remove what was made for all targets."""
    if night.cache_info().currsize:
        shutil.rmtree(night(), ignore_errors=True)
        night.cache_clear()
