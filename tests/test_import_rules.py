"""Who may import whom: the rooms of the house, kept by reading the imports of every file."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "daemon" / "potvigil"
FILES = sorted(PACKAGE.rglob("*.py"))

CORE_TYPES = ("core.details", "core.event", "core.pot", "core.reading", "core.signal")

# What of the package a room may import; a name stands for itself and all below; "" is potvigil/__init__.py.
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "": (),
    "units": (),
    "clock": (),
    "core": ("core", "units"),
    "sim": ("sim", "units", "clock"),
    "inputs": ("inputs", "core.reading", "units", "clock"),
    "record": (
        "record",
        *CORE_TYPES,
        "core.care",
        "core.health",
        "core.plan_words",
        "core.so_far",
        "core.words",
        "units",
        "",
    ),
    "outputs": ("outputs", *CORE_TYPES, "core.words", "units"),
    "page": (
        "page",
        "record",
        *CORE_TYPES,
        "core.alarm",
        "core.asked",
        "core.care",
        "core.conversion",
        "core.plan",
        "core.plan_words",
        "core.planned",
        "core.words",
        "units",
        "paths",
    ),
    "faults": ("units",),
    "paths": (),
    "settings": ("faults", "paths", *CORE_TYPES, "units"),
    "show": ("core", "record.rows", "settings", "units"),
    "verbs": (
        "core",
        "inputs",
        "outputs",
        "page",
        "record",
        "verbs",
        "clock",
        "learning",
        "paths",
        "retold",
        "service",
        "settings",
        "show",
        "units",
    ),
    "learning": ("core", "record"),
    "retold": ("core", "learning", "record", "settings", "units"),
    "service": ("core", "inputs", "learning", "record", "outputs", "settings", "clock", "units"),
    "cli": ("verbs.options", "verbs.status", "core.event", "record.wanted", ""),  # all else when it is called
    "__main__": ("cli",),
}
# No input or output, no clock, no thread, no file, no log in the core.
NEVER_IN_CORE = frozenset(
    (
        *("asyncio", "concurrent", "multiprocessing", "queue", "signal", "subprocess", "threading", "time"),
        *("io", "logging", "os", "pathlib", "select", "shutil", "socket", "sqlite3", "sys", "tempfile"),
        "random",
    )
)
# One library, one door.
DOORS: dict[str, tuple[str, ...]] = {
    "smbus2": ("inputs/", "outputs/signals.py"),
    "gpiozero": ("inputs/", "outputs/signals.py"),
    "paho": ("outputs/mqtt.py",),
    "yaml": ("settings.py", "faults.py"),
    "pydantic": ("settings.py", "faults.py"),
    "rich": ("verbs/", "show.py"),
    "sqlite3": ("record/database.py",),
    "numpy": ("core/thermal.py", "core/bank.py", "core/onset.py", "core/cause.py"),
    "matplotlib": ("record/chart.py", "record/health_chart.py"),
    "jinja2": ("record/report.py", "record/health.py", "record/checklist.py", "page/frame.py"),
    "starlette": ("page/",),
    "uvicorn": ("page/server.py",),
    "h11": ("page/server.py",),
    "weasyprint": ("record/pages.py",),
    "pypdfium2": ("record/pages.py",),
    "PIL": ("record/pages.py",),
}
HARDWARE = ("smbus2", "gpiozero")
# Of the extras `report` and `page`: imported when one is asked for, so that the watch does without.
OF_THE_REPORT = ("matplotlib", "jinja2", "weasyprint", "pypdfium2", "PIL", "starlette", "uvicorn")
# nobody else ever falls back to the simulator
MAY_REHEARSE = ("verbs/rehearse.py", "verbs/own_wiring.py", "verbs/rehearsed_pot.py")
MAY_PRINT = ("cli.py", "show.py", "verbs/")


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
    first = of.split("/")[0].removesuffix(".py")
    return "" if first == "__init__" else first


def breaches(of: str, source: str) -> list[str]:
    """Return every import of the file at `of` that breaks a rule, in words."""
    found = []
    allowed = MAY_IMPORT[room(of)]
    for each in imports(ast.parse(source)):
        top, _, inner = each.module.partition(".")
        where = f"{of}:{each.line} imports {each.module}"
        if top == "potvigil":
            if inner.split(".")[0] == "sim" and of in MAY_REHEARSE:
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
        elif room(of) == "core" and top in NEVER_IN_CORE:
            found.append(f"{where}: the core is pure")
    return found


@pytest.mark.parametrize("file", FILES, ids=place)
def test_every_file_keeps_to_its_room(file: Path) -> None:
    assert breaches(place(file), file.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("file", FILES, ids=place)
def test_only_the_command_line_prints_and_the_core_opens_nothing(file: Path) -> None:
    forbidden = set() if place(file).startswith(MAY_PRINT) else {"print", "input"}
    if room(place(file)) == "core":
        forbidden |= {"open", "__import__", "exec", "eval"}
    called = {
        node.func.id
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert called & forbidden == set()


def test_the_verbs_start_without_the_libraries_of_the_report() -> None:
    source = "import sys, potvigil.cli; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", source], capture_output=True, text=True, check=True).stdout
    assert set(loaded.split()) & set(OF_THE_REPORT) == set()


def test_every_file_and_room_is_known() -> None:
    assert len(FILES) > 30
    assert {room(place(file)) for file in FILES} <= set(MAY_IMPORT)


@pytest.mark.parametrize(
    ("of", "source"),
    [
        ("core/stage.py", "import time"),
        ("core/stage.py", "from pathlib import Path"),
        ("core/stage.py", "def f():\n    import socket"),
        ("core/stage.py", "from potvigil.clock import Instant"),
        ("core/stage.py", "from potvigil import settings"),
        ("core/stage.py", "import sqlite3"),
        ("core/stage.py", "import numpy"),
        ("sim/pot.py", "from potvigil.core.gas import amount_mol"),
        ("inputs/station.py", "from potvigil.core.event import Stage"),
        ("inputs/station.py", "from potvigil.settings import load"),
        ("inputs/station.py", "import smbus2"),
        ("inputs/station.py", "if True:\n    from gpiozero import MCP3008"),
        ("outputs/mqtt.py", "from potvigil.record.store import Store"),
        ("outputs/mqtt.py", "from potvigil.core.leak import Leak"),
        ("outputs/homie.py", "from paho.mqtt.client import Client"),
        ("record/export.py", "from potvigil.core import watch"),
        ("service.py", "def f():\n    from potvigil.sim.pot import PotModel"),
        ("service.py", "import sqlite3"),
        ("service.py", "from rich.console import Console"),
        ("cli.py", "from potvigil.sim.nights import NIGHTS"),
        ("cli.py", "from potvigil.service import Service"),
        ("verbs/watch.py", "def f():\n    from potvigil.sim.nights import NIGHTS"),
        ("cli.py", "import yaml"),
        ("record/store.py", "import sqlite3"),
        ("units.py", "from potvigil.clock import Clock"),
        ("show.py", "from potvigil.record.store import Store"),
        ("page/pots.py", "from potvigil.settings import load"),
        ("page/pots.py", "from potvigil.core.watch import PotWatch"),
        ("page/pots.py", "import sqlite3"),
        ("page/pots.py", "from potvigil.inputs.i2c import open_bus"),
        ("service.py", "from potvigil.page.server import serve"),
    ],
)
def test_a_breach_is_seen(of: str, source: str) -> None:
    assert breaches(of, source) != []


@pytest.mark.parametrize(
    ("of", "source"),
    [
        ("core/stage.py", "from datetime import UTC\nfrom potvigil.units import PA_PER_PSI"),
        ("inputs/i2c.py", "def open_bus():\n    from smbus2 import SMBus"),
        ("outputs/signals.py", "class A:\n    def open(self):\n        import gpiozero"),
        ("verbs/rehearse.py", "from potvigil.sim.nights import NIGHTS"),
        ("record/database.py", "import sqlite3\nfrom potvigil import __version__"),
        ("outputs/mqtt.py", "from potvigil.outputs import homie\nfrom paho.mqtt.client import Client"),
    ],
)
def test_what_is_allowed_is_not_called_a_breach(of: str, source: str) -> None:
    assert breaches(of, source) == []
