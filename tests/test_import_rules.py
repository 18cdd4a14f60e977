"""The rooms of the package: who may import whom, how full each may be, and no class name twice."""

import ast
import os
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

DAEMON = Path(__file__).parents[1] / "daemon"
PACKAGE = DAEMON / "potvigil"
FILES = sorted(PACKAGE.rglob("*.py"))

# The rooms that think, the lowest first: each may import itself and those below.
MODEL = ("model", "units")
PHYSICS = ("physics", *MODEL)
STATISTICS = ("statistics", *MODEL)
SENSING = ("sensing", *PHYSICS, *STATISTICS)
LEAK = ("leak", *SENSING)
WORDING = ("wording", *MODEL)
WATCH = ("watch", *LEAK, *WORDING)
DIAGNOSIS = ("diagnosis", *WATCH)
PLANNING = ("planning", *WATCH)

# What a room may import of the package; a name means itself and all below; "" is potvigil/__init__.py.
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "": (),
    "units": (),
    "clock": (),
    "paths": (),
    "replacing": (),
    "secret_file": (),
    "this_machine": (),
    "extras": (),
    # what the watch left in memory, for page, notifier and command line
    "live_reader": ("model.events", "model.broker", "record.codec"),
    "model": MODEL,
    "physics": PHYSICS,
    "statistics": STATISTICS,
    "sensing": SENSING,
    "leak": LEAK,
    "wording": WORDING,
    "watch": WATCH,
    "diagnosis": DIAGNOSIS,
    "planning": PLANNING,
    "sim": ("sim", "units", "clock"),
    "drivers": ("drivers", "model.reading", "units", "clock", "extras"),
    "imports": ("imports", "model.reading", "units"),
    "record": ("record", *MODEL, "extras", "paths", ""),
    "upkeep": ("upkeep", "record", *WORDING, ""),
    # the settings are those of a batch's own time, which its record holds
    "history": ("history", "record", *DIAGNOSIS, *PLANNING),
    "reports": ("reports", "history", "record", "upkeep.pictures", *DIAGNOSIS, *PLANNING, "settings", ""),
    "outputs": ("outputs", *WORDING, "", "replacing", "secret_file", "extras", "this_machine"),
    "settings": ("settings", *MODEL, "paths"),
    # of the watch only the bounds of a shelving, of sensing only counts as pressures
    "page": (
        "page",
        *("history.care_due", "history.gel", "history.pot_history", "reports.checklist"),
        *("planning", "record", "watch.alarm_rules", "sensing.conversion"),
        *("notifying.subscriptions", "notifying.vapid", "notifying.push", "notifying.status"),
        *WORDING,
        *("live_reader", "paths", "upkeep.own_file", "upkeep.pictures", ""),
    ),
    # the page of all records; the page of one record does not know it
    "page.many": (
        *("page", "studio.reading", "record", "history.care_due", "sensing.conversion"),
        "diagnosis.pot_health",
        *WORDING,
        *("live_reader", "upkeep.pictures"),
    ),
    # what watches publish over MQTT: the words of their tree, and how a broker is reached
    "page.many.broker": (
        *("page.many.broker", "outputs.broker.homie_tree", "outputs.broker.homie_set"),
        *("outputs.broker.mqtt_link", "outputs.broker.mqtt_address"),
        *MODEL,
    ),
    # what is due to whom: pure, like everything below it
    "notifying.schedule": ("watch.alarm_rules", *MODEL),
    "notifying.hearing": (
        *("notifying.schedule", "live_reader", "clock", "watch.alarm_states"),
        *WORDING,
    ),
    "notifying.message": ("notifying.schedule", *WORDING),
    "notifying": (
        *("notifying", "live_reader", "record", "upkeep.atomic_file", "upkeep.own_file", "settings"),
        *("watch.alarm_rules", "clock", "replacing", "secret_file", "extras"),
        *WORDING,
    ),
    # of the notifier only its status
    "service": (
        *("service", "notifying.status", "paths"),
        *("drivers", "outputs", "record", "upkeep", "history", "settings"),
        *WATCH,
        "clock",
    ),
    # where the parts of the service are; nothing is done here
    "installing.layout": ("paths",),
    "installing.secrets": ("installing.layout",),
    "installing": ("installing", ""),
    # another machine's database: what is shipped there, and read
    "studio": (
        *("studio", "record", "model.events", "extras", "secret_file", "settings.studio"),
        *("upkeep.pictures", "upkeep.thinning"),
    ),
    # settings from answers: text in, text out
    "setting_up": ("setting_up", "settings", "drivers.look", "model.signal"),
    # checks of what the watch needs, from outside: no wire, no simulator
    "checking": (
        *("checking", "settings", "record", "service.wiring", "live_reader", "secret_file"),
        *("upkeep.backups", "units"),
        *("notifying.targets", "notifying.apprise_target", "outputs.broker.mqtt_link", "page.passwords"),
        *("page.certificate", "studio.address", "studio.copying", "studio.reading"),
        *("clock", "paths", "extras", ""),
    ),
    "commands": (
        "commands",
        *(
            "checking",
            "extras",
            "setting_up",
            "installing",
            "service",
            "studio",
            "page",
            "notifying",
            "live_reader",
            "history",
            "secret_file",
            "reports",
            "upkeep",
            "record",
            "outputs",
            "drivers",
            "imports",
            "settings",
        ),
        *DIAGNOSIS,
        *PLANNING,
        *("clock", "paths"),
    ),
    # all else when it is called
    "cli": ("commands.arguments.parser", "commands.shared.status", "paths", ""),
    "commands.arguments": (
        *("commands.arguments", "commands.shared.status"),
        *("model.events", "model.maintenance", "planning.request", "record.requests.batch_query", ""),
    ),
    "__main__": ("cli",),
}
PURE = (
    *("model", "physics", "statistics", "sensing", "leak", "wording"),
    *("watch", "diagnosis", "planning"),
    *("notifying.schedule", "notifying.message"),
)
# No input or output, no clock, no thread, no file, no log in the rooms that think.
NEVER_IN_PURE = frozenset(
    (
        *("asyncio", "concurrent", "multiprocessing", "queue", "signal", "subprocess", "threading", "time"),
        *("io", "logging", "os", "pathlib", "select", "shutil", "socket", "sqlite3", "sys", "tempfile"),
        "random",
    )
)
# One library, one door.
DOORS: dict[str, tuple[str, ...]] = {
    "smbus2": ("drivers/", "outputs/signals.py"),
    "gpiozero": ("drivers/", "outputs/signals.py"),
    "paho": ("outputs/broker/mqtt.py", "outputs/broker/mqtt_trial.py", "page/many/broker/listener.py"),
    "yaml": ("settings/",),
    "pydantic": ("settings/",),
    "rich": ("commands/",),
    "sqlite3": ("record/database.py",),
    "numpy": (
        *("leak/pot_model.py", "leak/bank.py", "leak/cells.py", "leak/onsets.py"),
        *("leak/correction.py", "leak/unrest.py", "diagnosis/cause.py"),
    ),
    "matplotlib": tuple(f"reports/charts/{each}.py" for each in ("batch_chart", "drawing", "health_chart")),
    "jinja2": ("reports/html.py", "page/ground.py"),
    "starlette": ("page/",),
    "sqlalchemy": ("studio/",),
    "psycopg": ("studio/reading.py", "studio/address.py"),
    "alembic": ("studio/preparing.py", "studio/migrations/"),
    "uvicorn": ("page/server.py",),
    "h11": ("page/server.py",),
    "cryptography": ("page/certificate.py", "notifying/vapid.py", "notifying/push.py"),
    "http_ece": ("notifying/push.py",),
    "py_vapid": ("notifying/vapid.py",),
    "prometheus_client": ("page/metrics.py",),
    "segno": ("commands/page_where.py",),
    "weasyprint": ("reports/pdf.py",),
    "pypdfium2": ("reports/pdf.py",),
    "PIL": ("reports/pdf.py", "reports/pictures.py"),
    "apprise": ("notifying/apprise_target.py",),
    "pyarrow": ("reports/parquet.py",),
}
HARDWARE = ("smbus2", "gpiozero")
OF_THE_STUDIO = ("sqlalchemy", "psycopg", "alembic")
# Imported on demand, so that the watch does without.
OF_THE_EXTRAS = (
    *OF_THE_STUDIO,
    *("matplotlib", "jinja2", "weasyprint", "pypdfium2", "PIL", "starlette", "uvicorn", "apprise"),
    *("cryptography", "segno", "http_ece", "py_vapid", "prometheus_client", "pyarrow"),
)
# nothing else ever falls back to the simulator
MAY_REHEARSE = "commands/rehearsal/"
MAY_PRINT = ("cli.py", "commands/")
# How much of a folder or file a reader can keep in mind.
MOST_FILES, MOST_LINES = 15, 400


@dataclass(frozen=True)
class Import:
    """One imported module. in_function: only when the function is called."""

    module: str
    in_function: bool
    line: int


def imports(tree: ast.AST, in_function: bool = False) -> Iterator[Import]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, in_function, node.lineno)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: relative import"
            for alias in node.names:
                yield Import(from_import(node.module or "", alias.name), in_function, node.lineno)
        else:
            is_function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            yield from imports(node, in_function or is_function)


def from_import(module: str, name: str) -> str:
    """Return `module.name` where that is a module of ours, else `module`."""
    if module.split(".")[0] != "potvigil":
        return module
    inner = PACKAGE.joinpath(*module.split(".")[1:], name)
    return f"{module}.{name}" if inner.is_dir() or inner.with_suffix(".py").is_file() else module


def place(file: Path) -> str:
    return file.relative_to(PACKAGE).as_posix()


def room(of: str) -> str:
    """Return the room of a file; a file or folder with stricter rules has its own line."""
    dotted = of.removesuffix(".py").replace("/", ".")
    first = dotted.split(".")[0]
    own = next((each for each in (dotted, dotted.rpartition(".")[0]) if each in MAY_IMPORT), first)
    return "" if first == "__init__" else own


def breaches(of: str, source: str) -> list[str]:
    """Return every import of the file at `of` that breaks a rule, in words."""
    found = []
    allowed = MAY_IMPORT[room(of)]
    for each in imports(ast.parse(source)):
        top, _, inner = each.module.partition(".")
        where = f"{of}:{each.line} imports {each.module}"
        if top == "potvigil":
            if inner.split(".")[0] == "sim" and of.startswith(MAY_REHEARSE):
                continue
            if not any(inner == name or (name and inner.startswith(f"{name}.")) for name in allowed):
                found.append(f"{where}: not for this room")
        elif top in DOORS:
            if not any(of == door or (door.endswith("/") and of.startswith(door)) for door in DOORS[top]):
                found.append(f"{where}: another door")
            elif top in HARDWARE and not each.in_function:
                found.append(f"{where}: only when the device is opened")
        elif top not in sys.stdlib_module_names:
            found.append(f"{where}: a library without a door")
        elif room(of) in PURE and top in NEVER_IN_PURE:
            found.append(f"{where}: this room is pure")
    return found


@pytest.mark.parametrize("file", FILES, ids=place)
def test_every_file_keeps_to_its_room(file: Path) -> None:
    assert breaches(place(file), file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("file", FILES, ids=place)
def test_only_the_command_line_prints_and_the_core_opens_nothing(file: Path) -> None:
    forbidden = set() if place(file).startswith(MAY_PRINT) else {"print", "input"}
    if room(place(file)) in PURE:
        forbidden |= {"open", "__import__", "exec", "eval"}
    called = {
        node.func.id
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert called & forbidden == set()


def loaded(source: str) -> set[str]:
    """Run a piece of Python beside this one, and return what modules it loaded."""
    env = os.environ | {"PYTHONPATH": os.pathsep.join((str(Path(__file__).parent), str(PACKAGE.parent)))}
    command = [sys.executable, "-c", f"{source}\nimport sys; print(*sys.modules)"]
    return set(subprocess.run(command, capture_output=True, text=True, check=True, env=env).stdout.split())


def loaded_by_a_watch(link: str = "") -> set[str]:
    return loaded(
        "import tempfile, pathlib, potvigil.cli, potvigil.commands.watch\n"
        "from potvigil.outputs.broker.mqtt_link import MqttLink\n"
        "from potvigil.commands.rehearsal.rehearse import NIGHTS\n"
        "from rehearsal import Bench\n"
        f"bench = Bench(NIGHTS['sound'], pathlib.Path(tempfile.mkdtemp()){link})\n"
        "bench.begin(); bench.run_until(10.0); bench.service.stop()"
    )


def test_the_verbs_start_without_the_extras() -> None:
    assert loaded("import potvigil.cli") & set(OF_THE_EXTRAS) == set()


def test_a_watch_without_a_broker_loads_no_mqtt() -> None:
    assert "paho" not in loaded_by_a_watch()
    assert "paho" in loaded_by_a_watch(", link=MqttLink('127.0.0.1', 9)")


def test_a_watch_loads_nothing_of_a_studio() -> None:
    found = {name for name in loaded_by_a_watch() if name.startswith((*OF_THE_STUDIO, "potvigil.studio"))}
    assert found == set()


def test_every_file_and_room_is_known() -> None:
    assert len(FILES) > 30
    assert {room(place(file)) for file in FILES} <= set(MAY_IMPORT)


def overfull(lines: Mapping[str, int]) -> list[str]:
    """Return what is too long or too full; lines: of each file, by its path."""
    folders = Counter(Path(of).parent.as_posix() for of in lines)
    return [
        *(f"{of}: {count} lines" for of, count in lines.items() if count > MOST_LINES),
        *(f"{folder}: {count} files" for folder, count in folders.items() if count > MOST_FILES),
    ]


def test_no_file_and_no_folder_is_overfull() -> None:
    counted = {
        file.relative_to(DAEMON).as_posix(): len(file.read_text(encoding="utf-8").splitlines())
        for file in DAEMON.rglob("*.py")
    }
    assert set(map(place, FILES)) == {of.removeprefix("potvigil/") for of in counted}
    assert overfull(counted) == []


def test_one_line_or_file_too_many_is_detected() -> None:
    room = {f"leak/{number}.py": 400 for number in range(15)}
    assert overfull(room) == []
    assert overfull(room | {"leak/0.py": 401}) == ["leak/0.py: 401 lines"]
    assert overfull(room | {"leak/__init__.py": 1}) == ["leak: 16 files"]


def shared_names(sources: Mapping[str, str]) -> dict[str, list[str]]:
    """Return the public classes that stand in several files, each with these; sources: text by place.

    The simulator shares nothing with the rooms that think, not even its words.
    """
    found = defaultdict(list)
    for of, source in sources.items():
        for node in ast.parse(source).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_") and room(of) != "sim":
                found[node.name].append(of)
    return {name: files for name, files in found.items() if len(files) > 1}


def test_no_two_classes_share_a_name() -> None:
    assert shared_names({place(file): file.read_text(encoding="utf-8") for file in FILES}) == {}


def test_a_shared_class_name_is_detected() -> None:
    files = {
        "physics/fill.py": "class Fill: ...",
        "sim/pot.py": "class Fill: ...",
        "leak/bank.py": "class _Fit: ...\nclass Leak: ...",
        "leak/cells.py": "class _Fit: ...",
    }
    assert shared_names(files) == {}
    twice = {"Leak": ["leak/bank.py", "watch/stages.py"]}
    assert shared_names(files | {"watch/stages.py": "class Leak(tuple): ..."}) == twice


@pytest.mark.parametrize(
    ("of", "source"),
    [
        ("watch/stages.py", "import time"),
        ("watch/stages.py", "from pathlib import Path"),
        ("watch/stages.py", "def f():\n    import socket"),
        ("watch/stages.py", "from potvigil.clock import Instant"),
        ("watch/stages.py", "from potvigil.settings.schema import Settings"),
        ("watch/stages.py", "import sqlite3"),
        ("watch/stages.py", "import numpy"),
        ("watch/stages.py", "from potvigil.diagnosis.tightness import Tightness"),
        ("leak/bank.py", "from potvigil.watch.stages import StageTracker"),
        ("leak/bank.py", "from potvigil.wording.quantities import pressure"),
        ("sensing/noise.py", "from potvigil.leak.estimator import Leak"),
        ("physics/air.py", "from potvigil.statistics.ewma import Ewma"),
        ("physics/air.py", "from potvigil.sensing.conversion import convert"),
        ("statistics/ewma.py", "from potvigil.physics.air import amount_mol"),
        ("model/events.py", "from potvigil.wording.quantities import pressure"),
        ("wording/quantities.py", "from potvigil.physics.air import amount_mol"),
        ("diagnosis/cause.py", "from potvigil.planning.plan import plan"),
        ("planning/plan.py", "from potvigil.record.store import Store"),
        ("sim/pot.py", "from potvigil.physics.air import amount_mol"),
        ("drivers/station.py", "from potvigil.model.events import Stage"),
        ("drivers/station.py", "from potvigil.settings.schema import Settings"),
        ("drivers/station.py", "import smbus2"),
        ("drivers/station.py", "if True:\n    from gpiozero import MCP3008"),
        ("imports/csv_log.py", "from potvigil.record.store import Store"),
        ("outputs/broker/mqtt.py", "from potvigil.record.store import Store"),
        ("outputs/broker/mqtt.py", "from potvigil.leak.estimator import Leak"),
        ("outputs/broker/homie.py", "from paho.mqtt.client import Client"),
        ("record/store.py", "from potvigil.watch import pot_watch"),
        ("record/store.py", "from potvigil.wording.quantities import span"),
        ("record/store.py", "from potvigil.upkeep.thinning import thinned"),
        ("upkeep/check.py", "from potvigil.reports.export import event_line"),
        ("reports/export.py", "from potvigil.service.loop import Service"),
        ("reports/export.py", "from potvigil.upkeep.check import check"),
        ("service/loop.py", "def f():\n    from potvigil.sim.pot import PotModel"),
        ("service/loop.py", "import sqlite3"),
        ("service/loop.py", "from rich.console import Console"),
        ("service/loop.py", "from potvigil.page.server import serve"),
        ("service/loop.py", "from potvigil.commands.watch import watch"),
        ("cli.py", "from potvigil.sim.nights import NIGHTS"),
        ("cli.py", "from potvigil.service.loop import Service"),
        ("cli.py", "import yaml"),
        ("commands/arguments/parser.py", "from potvigil.service.loop import Service"),
        ("commands/arguments/batches.py", "from potvigil.record.store import Store"),
        ("commands/watch.py", "def f():\n    from potvigil.sim.nights import NIGHTS"),
        ("record/store.py", "import sqlite3"),
        ("units.py", "from potvigil.clock import Clock"),
        ("page/views/pots.py", "from potvigil.settings.schema import load"),
        ("page/views/pots.py", "from potvigil.watch.pot_watch import PotWatch"),
        ("page/views/pots.py", "from potvigil.diagnosis.cause import find"),
        ("page/views/pots.py", "import sqlite3"),
        ("page/views/pots.py", "from cryptography import x509"),
        ("notifying/push.py", "from potvigil.page.frame import Frame"),
        ("page/views/pots.py", "from potvigil.drivers.buses.i2c import open_bus"),
        ("notifying/schedule.py", "import time"),
        ("notifying/schedule.py", "from potvigil.record.store import Store"),
        ("notifying/notifier.py", "import apprise"),
        ("notifying/notifier.py", "from potvigil.outputs.broker.mqtt import MqttOutput"),
        ("service/loop.py", "from potvigil.notifying.line import Line"),
    ],
)
def test_a_forbidden_import_is_detected(of: str, source: str) -> None:
    assert breaches(of, source) != []


@pytest.mark.parametrize(
    ("of", "source"),
    [
        ("watch/stages.py", "from datetime import UTC\nfrom potvigil.units import PA_PER_PSI"),
        ("watch/conditions.py", "from potvigil.wording.quantities import pressure"),
        ("drivers/buses/i2c.py", "def open_bus():\n    from smbus2 import SMBus"),
        ("outputs/signals.py", "class A:\n    def open(self):\n        import gpiozero"),
        ("commands/rehearsal/rehearse.py", "from potvigil.sim.nights import NIGHTS"),
        ("record/database.py", "import sqlite3\nfrom potvigil import __version__"),
        (
            "outputs/broker/mqtt.py",
            "from potvigil.outputs.broker import homie\nfrom paho.mqtt.client import Client",
        ),
    ],
)
def test_an_allowed_import_is_not_reported(of: str, source: str) -> None:
    assert breaches(of, source) == []
